"""The page as a text: its figures are the manifest's, its parts are all there, nothing gets in or out of it."""

import base64
import hashlib
import json
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from premix.errors import Finding
from premix.model.findings import grouped
from premix.model.tracks import LeftOut
from premix.report.drawing import written
from premix.report.html_page import look_up
from premix.report.page import SECTIONS, LimitRow, limit_rows, verdict, write_report
from tests.report.conftest import Compared, OnDisk, cut_short
from tests.report.songs import HOSTILE_NAME, NAME, write_song


class Reader(HTMLParser):
    """Every element of a page, with its attributes and the text right after its start tag."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], list[str]]] = []
        self._text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._text = []
        self.found.append((tag, dict(attrs), self._text))

    def handle_endtag(self, tag: str) -> None:
        self._text = []

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    def all(self, tag: str) -> list[tuple[dict[str, str | None], str]]:
        """(attributes, text) of every element of a kind."""
        return [(attrs, "".join(text)) for name, attrs, text in self.found if name == tag]


@pytest.fixture(scope="module")
def page(rendered: OnDisk) -> Reader:
    """The page of the test song, read."""
    return Reader(rendered.page.read_text("utf-8"))


def _held_against(reader: Reader, manifest: dict[str, Any]) -> int:
    """Compare every marked figure of a page with the manifest; gives how many there were."""
    figures = reader.all("data")
    for attrs, text in figures:
        place, value = str(attrs["data-from"]), str(attrs["value"])
        path = [int(step) if step.isdigit() else step for step in place.split(".")]
        there = look_up(manifest, *path)
        there = len(there) if isinstance(there, list) else there
        assert float(value) == there, place
        number = re.match(r"[+\N{MINUS SIGN}]?[\d.]+", text)
        assert number is not None, (place, text)
        digits = len(number[0].partition(".")[2])
        # shown as rounded: within half a unit of the last digit, and the float's own rounding
        assert abs(float(number[0].replace("\N{MINUS SIGN}", "-")) - there) <= 0.5 * 10.0**-digits * (1 + 1e-9), place
    return len(figures)


def test_every_figure_is_the_manifests(rendered: OnDisk, page: Reader) -> None:
    """The manifest as written, and the figures as shown, agree to the last digit that is shown."""
    manifest = json.loads((rendered.out / "manifest.json").read_text("utf-8"))
    assert _held_against(page, manifest) > 150


def test_every_figure_of_a_comparison_is_its_manifests(compared: Compared) -> None:
    """The same of the comparison's page."""
    manifest = json.loads((compared.out / "manifest.json").read_text("utf-8"))
    assert _held_against(Reader(compared.page.read_text("utf-8")), manifest) > 30


def test_every_mic_stands_with_its_own_figures(rendered: OnDisk) -> None:
    """Under its performance, in the song's order: its place in the manifest, its gain in the mix, and what its
    alignment gains."""
    section = rendered.page.read_text("utf-8").partition('<details id="mics">')[2].partition("</details>")[0]
    tables = section.split("<caption>")[1:]
    assert len(tables) == len(rendered.run.song.performances)
    for at, (table, performance) in enumerate(zip(tables, rendered.run.song.performances, strict=True)):
        assert table.startswith(f"{performance.name}, ")
        rows = re.findall(r'<th scope="row">.*?</tr>', table, re.DOTALL)
        assert len(rows) == len(performance.judged)
        for row, mic in zip(rows, performance.judged, strict=True):
            (place,) = set(re.findall(r'data-from="alignment\.(\d+)\.', row))
            entry = rendered.manifest.alignment[int(place)]
            assert (entry.performance, entry.mic) == (performance.name, mic.name)
            assert row.startswith(f'<th scope="row">{mic.name}</th>')
            assert f"<td>{written(20.0 * math.log10(mic.gain), sign=True)}</td>" in row
            without = f"sum_efficiency_db.{at}.without.{mic.name}" in row
            assert without == (mic.name in rendered.manifest.sum_efficiency_db[at].without)


def test_sections_stand_in_the_order_of_an_engineers_questions(page: Reader) -> None:
    """Listening on the first screen, then every section, once, in order, and the contents lead to it."""
    first, *ids = [attrs["id"] for attrs, _ in page.all("section")]
    assert first == "listen" and ids == [id for id, _ in SECTIONS]
    links = [str(attrs["href"]) for attrs, _ in page.all("a")]
    assert links == ["#content", *(f"#{id}" for id in ids)]


def test_every_picture_has_a_text_and_a_table(rendered: OnDisk) -> None:
    """An alternative text in the picture, a caption, and a table in the same section; what is alike is drawn once, and
    each performance's own is there in figures."""
    text = rendered.page.read_text("utf-8")
    figures = re.findall(r"<figure.*?</figure>", text, re.DOTALL)
    assert len(figures) == 2 + 1 + 3 + 3 + 3 + 2 + 1 + 1
    labels = [re.search(r'<svg [^>]*role="img" aria-label="([^"]+)"', figure) for figure in figures]
    assert sum(label is not None for label in labels) == 2 + 1 + 1 + 2 + 1 + 1
    for figure, label in zip(figures, labels, strict=True):
        assert ("<table" in figure) if label is None else len(label[1]) > 30
        assert re.search(r"<figcaption>.{30,}</figcaption>", figure, re.DOTALL)
    for section in re.findall(r"<section.*?</section>", text, re.DOTALL):
        assert "<figure" not in section or "<table" in section


def test_a_song_name_is_text_and_nothing_else(hostile_page: Path) -> None:
    """Markup in the name is shown as it is; no element comes of it."""
    page = Reader(hostile_page.read_text("utf-8"))
    assert [text.strip() for _, text in page.all("h1")] == [HOSTILE_NAME]
    assert page.all("title")[0][1] == f"{HOSTILE_NAME}: guitars, as recorded and aligned"
    kinds = [attrs.get("type") for attrs, _ in page.all("script")]
    assert kinds == ["application/json", *["text/plain"] * (len(kinds) - 3), "application/json", None]
    assert not any("onload" in attrs for _, attrs, _ in page.found)


def test_the_page_goes_by_the_songs_name(rendered: OnDisk, page: Reader) -> None:
    """Its title as it is, its file name in plain letters."""
    assert page.all("title")[0][1].startswith(f"{NAME}: ")
    assert rendered.page.name == "Tide_A_O_report.html"


def test_nothing_leads_out_of_the_page(page: Reader) -> None:
    """No source, no style attribute; links stay inside, and the policy allows only this style and script."""
    for tag, attrs, _ in page.found:
        assert not {"src", "srcset", "style", "action", "data"} & attrs.keys(), tag
        assert str(attrs.get("href", "#")).startswith("#")
        assert str(attrs.get("xlink:href", "#")).startswith("#")
        assert not any(name.startswith("on") for name in attrs)
    policy = str(next(a["content"] for a, _ in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy"))
    assert policy.startswith("default-src 'none';")
    style, script = page.all("style")[0][1], page.all("script")[-1][1]
    for kind, text in (("style-src", style), ("script-src", script)):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind} 'sha256-{digest}'" in policy


def test_the_recipe_stands_there_with_its_origins(page: Reader) -> None:
    """Every merged value has its row: key, value, place."""
    cells = [text for _, text in page.all("code")]
    assert "mics.sub.low_pass_hz" in cells and "180" in cells
    assert any(text.startswith("recipe.yaml:7:") for _, text in page.all("td"))


def test_the_roll_call_stands_at_the_top(rendered: OnDisk) -> None:
    """Before any section: how many files were used, and what was left out."""
    top = rendered.page.read_text("utf-8").partition("<section")[0]
    assert "; used 12 of 12 files</p>" in top.partition('<p class="roll-call">')[2]


def test_a_broken_limit_and_its_remedy_come_first(rendered: OnDisk, page: Reader) -> None:
    """The recipe asks for a mono fold that sides of unrelated performances cannot have."""
    text = next(text for attrs, text in page.all("p") if "verdict" in str(attrs.get("class")))
    assert text.startswith("1 limit broken, ") and text.endswith(f": {len(rendered.manifest.files)} files")
    items = [attrs["class"] for attrs, _ in page.all("li") if "class" in attrs]
    assert items[0] == "error"
    assert "no: broken" in [text for _, text in page.all("td")]
    assert "1 of 2 broken: mono fold" in [text for _, text in page.all("dd")]


def test_a_limit_that_cannot_be_measured_does_not_hold(rendered: OnDisk) -> None:
    """A guitar bus without a stereo picture, as silence has none: named, and broken."""
    run = replace(rendered.run, rendering=replace(rendered.run.rendering, stereo=None))
    rows = {row.what: row for row in limit_rows(run)}
    assert rows["mono fold"] == LimitRow("mono fold", rows["mono fold"].allowed, "not measured", "guitar bus", False)
    assert rows["sum efficiency"].holds


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ((), "In order, every mic is in its sum: {} files"),
        (("info gate-arrival-unknown",), "In order, every mic is in its sum: {} files"),
        (("warning track-hum",) * 3, "Done, 1 kind of finding to look at: {} files"),
        (("warning alignment-jump", "warning track-hum"), "1 mic moving in the song, 1 more kind of finding: {} files"),
        (
            ("error limit-mono-fold", "error limit-not-measured", "warning track-hum", "warning track-dc"),
            "2 limits broken, 2 more kinds of finding: {} files",
        ),
    ],
)
def test_the_verdict_says_the_worst_first(rendered: OnDisk, told: tuple[str, ...], words: str) -> None:
    """Broken limits, then what is not in the sum, then what moves, then the rest by their kinds."""
    findings = (Finding(slug, severity, str(n), "") for n, (severity, slug) in enumerate(map(str.split, told)))  # type: ignore[arg-type]
    document = replace(rendered.manifest, findings=grouped(findings))
    assert verdict(document) == words.format(len(document.files))


def test_what_is_not_in_the_sum_is_in_the_verdict(rendered: OnDisk) -> None:
    """A refused mic and one without a file: whatever else was found."""
    first, *others = rendered.manifest.alignment
    refused = replace(first, refusal="alignment-incoherent", summed=False)
    assert rendered.manifest.roll_call is not None
    roll = replace(rendered.manifest.roll_call, left_out=(LeftOut("left", "ribbon", "left_ribbon.*"),))
    document = replace(rendered.manifest, alignment=(refused, *others), roll_call=roll, findings=())
    assert verdict(document).startswith("1 mic refused, 1 left out: ")


@pytest.mark.parametrize(
    ("value", "digits", "sign", "text"),
    [(-0.001, 2, False, "0.00"), (-1.25, 1, True, "\N{MINUS SIGN}1.2"), (3.0, 0, True, "+3"), (None, 2, False, "–")],
)
def test_numbers_are_written_plainly(value: float | None, digits: int, sign: bool, text: str) -> None:
    """A true minus sign, no negative zero, a dash for nothing."""
    assert written(value, digits, sign=sign) == text


def test_a_small_page_hears_less_and_says_so(rendered: OnDisk, hostile_page: Path, tmp_path: Path) -> None:
    """Clips are shortened, then players left out, until the page is as small as asked."""
    assert hostile_page.stat().st_size < 1_900_000
    text = hostile_page.read_text("utf-8")
    assert "can be heard here; the files hold the whole song" in text and '<script type="text/plain"' in text
    none = write_report(*cut_short(rendered, "none"), tmp_path / "none.html", most_bytes=0).path.read_text("utf-8")
    assert "player: Guitar bus" in none and '<script type="text/plain"' not in none


def test_page_and_pictures_are_the_same_bytes_on_a_rerun(tmp_path: Path) -> None:
    """Two processes with different seeds of their hashes write the same page, SVG and PNG files."""
    write_song(tmp_path / "tracks", ("left",))
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(
        "format: 1\nmics: {dynamic: {}, condenser: {}, room: {role: room}}\nperformances: {left: {bus: left}}\n",
        "utf-8",
    )
    code = (
        "import sys; from pathlib import Path; from premix.pipeline import render; recipe, tracks, out, pictures = "
        "map(Path, sys.argv[1:]); render(recipe, tracks, out, report=True, pictures=pictures)"
    )
    runs = []
    for seed in ("1", "2"):
        out, pictures = tmp_path / f"out{seed}", tmp_path / f"pictures{seed}"
        command = [sys.executable, "-c", code, *map(str, (recipe, tmp_path / "tracks", out, pictures))]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, env=os.environ | {"PYTHONHASHSEED": seed}
        )
        assert done.returncode == 0, done.stderr
        runs.append({path.name: path.read_bytes() for path in (*pictures.iterdir(), *out.glob("*.html"))})
    assert runs[0] == runs[1]
    suffixes = [Path(name).suffix for name in runs[0]]
    assert suffixes.count(".svg") == suffixes.count(".png") > 5 and suffixes.count(".html") == 1
