"""The page on the command line: on by default, off on request, and what is said where it cannot be made."""

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from premix.cli.main import run
from tests.report.conftest import OnDisk

ARGUMENTS = ["--set", "performances.right.mute=true", "--set", "performances.centre.mute=true"]
"""One performance is enough here."""


def _render(rendered: OnDisk, out: Path, *more: str) -> int:
    return run(["render", str(rendered.recipe), str(rendered.tracks), "--out", str(out), *ARGUMENTS, *more])


@pytest.fixture
def without_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the extra were not installed."""
    real = importlib.util.find_spec

    def find(name: str, *rest: Any) -> Any:
        return None if name in ("jinja2", "matplotlib") else real(name, *rest)

    monkeypatch.setattr("importlib.util.find_spec", find)


def test_without_the_extra_a_render_says_so_once(
    rendered: OnDisk, tmp_path: Path, without_extra: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """No page, one line with the remedy, and the same exit code."""
    assert _render(rendered, tmp_path / "out") == 4  # a limit of the recipe is broken
    assert not list((tmp_path / "out").glob("*.html"))
    told = [line for line in capsys.readouterr().err.splitlines() if "report-extra-missing" in line]
    assert len(told) == 1
    assert "jinja2 and matplotlib not installed" in told[0] and "Install premix-stems[report]" in told[0]


def test_no_report_makes_no_page_and_says_nothing(
    rendered: OnDisk, tmp_path: Path, without_extra: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """The extra is not missed by those who want no page."""
    assert _render(rendered, tmp_path / "out", "--no-report") == 4
    assert not list((tmp_path / "out").glob("*.html"))
    assert "report-extra-missing" not in capsys.readouterr().err


@pytest.mark.parametrize("more", [(), ("--no-report",)])
def test_pictures_need_the_page(rendered: OnDisk, tmp_path: Path, without_extra: None, more: tuple[str, ...]) -> None:
    """A usage error before any work: exit 2, nothing written."""
    assert _render(rendered, tmp_path / "out", "--pictures", str(tmp_path / "pictures"), *more) == 2
    assert not (tmp_path / "out").exists() and not (tmp_path / "pictures").exists()


def test_a_place_for_pictures_that_is_a_file_is_told(
    rendered: OnDisk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 and the remedy; the run's own files are whole."""
    (tmp_path / "pictures").write_text("a file")
    assert _render(rendered, tmp_path / "out", "--pictures", str(tmp_path / "pictures")) == 1
    assert "[report-pictures]" in capsys.readouterr().err
    assert (tmp_path / "out" / "manifest.json").exists()


def test_a_comparison_needs_variants(tmp_path: Path, rendered: OnDisk, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 1, with both ways out, and nothing written."""
    recipe = tmp_path / "plain.yaml"
    recipe.write_text(rendered.recipe.read_text("utf-8").partition("variants:")[0], "utf-8")
    assert run(["compare", str(recipe), str(rendered.tracks), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert "[comparison-no-variants]" in said and "--vary mics" in said
    assert not (tmp_path / "out").exists()


def test_a_comparison_shows_its_levels(rendered: OnDisk, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A line a variant, the recipe first; exit 0."""
    arguments = ["compare", str(rendered.recipe), str(rendered.tracks), "--out", str(tmp_path / "out"), "--no-report"]
    assert run(arguments) == 0
    lines = capsys.readouterr().err.splitlines()
    assert [line.split()[0] for line in lines[1:4]] == ["recipe", "no_condenser", "narrow"]
    assert not list((tmp_path / "out").glob("*.html"))
