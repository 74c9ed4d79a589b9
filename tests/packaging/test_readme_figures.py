"""README's figures are those that the benches stored, and its commands print what it shows."""

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from premix.cli.main import run

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text("utf-8")


def stored(bench: str) -> Any:
    """What the bench kept of its last run."""
    return json.loads((TOP / "tests" / "bench" / f"{bench}.json").read_text("utf-8"))


def program(document: Any, name: str) -> Any:
    return document["programs"][name]


def ratio(document: Any, first: str, second: str, figure: str) -> float:
    """One program against another."""
    return float(program(document, first)[figure] / program(document, second)[figure])


def pair(number: int) -> Callable[[Any], str]:
    """RMSE against the bound."""
    return lambda d: f"{d['pairs'][number]['rmse_samples'] / d['pairs'][number]['bound_samples']:.2f} x"


def impostors(d: Any) -> str:
    kinds = d["refusals"].values()
    return f"{sum(k['accepted'] for k in kinds)}; {sum(k.get('good_refused', 0) for k in kinds)}"


THREADS = "premix render, 2 threads"
STAGES = ("render stage, meters, 2 threads", "render stage, meters")
CELLS: dict[str, dict[str, Callable[[Any], str]]] = {
    "accuracy": {
        "pure fractional delay": lambda d: f"{d['pure_delays'][0]['worst_samples']:.6f} sample",
        "two noisy copies": pair(0),
        "the same, coherence 0.9": pair(1),
        "40-150 Hz": pair(2),
        "1,000 simulated cabinets": lambda d: f"{d['cabinets']['wrong']}; {d['cabinets']['refused']}",
        "the same: efficiency below brute force": lambda d: f"{d['cabinets']['brute_loss_db']:.3f} dB",
        "1,000 cabinets with a mic of another take": impostors,
    },
    "gate": {
        "starts and stops found within 10 ms": lambda d: "{:.2f}, {:.2f}".format(*d["all patterns"]["f_10_ms"]),
        "gain at the room's first direct sound": lambda d: (
            f"{d['gate']['gain_db_at_first_direct_sound_min']:.1f} dB; {d['gate']['closed_gain_db_max']:.1f} dB"
        ),
        "energy above 10 kHz": lambda d: f"{abs(round(d['gate']['click_excess_db_max'], 1)):.1f} dB",
    },
    "render": {
        "render stage, CPU": lambda d: f"{d['figures'][0]['measured']:.2f} x",
        "the same with loudness": lambda d: f"{d['figures'][1]['measured']:.1f} x",
        "whole `premix render": lambda d: (
            f"{program(d, 'premix render')['cpu_to_floor']:.1f} x ({program(d, 'premix render')['cpu_s']:.1f} s)"
        ),
        "the same against a naive": lambda d: f"{ratio(d, 'premix render', 'naive script, whole job', 'cpu_s'):.2f} x",
        "two threads against one": lambda d: (
            f"{ratio(d, *STAGES, 'wall_s'):.2f} x; {ratio(d, THREADS, 'premix render', 'wall_s'):.2f} x"
        ),
        "peak memory": lambda d: (
            f"{program(d, 'premix render')['peak_mb']:.0f} MB; {program(d, THREADS)['peak_mb']:.0f} MB"
        ),
    },
    "mics": {
        "64 mics of one performance": lambda d: f"{d['figures'][1]['measured']:.0f} MB",
        "200 tracks in one song": lambda d: f"{max(f['measured'] for f in d['figures'][2:]):.0f} MB",
        "16 mics of 4 minutes": lambda d: f"{d['figures'][0]['measured']:.2f} x",
    },
}
"""Bench -> the first words of each row of its table -> the cell that its stored figures make."""


def rows_of(bench: str) -> list[tuple[str, str]]:
    """First and second cell of every row of the tables whose head names the bench."""
    tables = re.findall(rf"^\|[^|\n]*`python -m tests\.bench\.{bench}`.*\n\|[-|]+\n((?:\|.*\n)+)", README, re.MULTILINE)
    lines = [line for table in tables for line in table.splitlines()]
    return [(cells[0].strip(), cells[1].strip()) for cells in (line.strip("|").split("|") for line in lines)]


@pytest.mark.parametrize("bench", CELLS)
def test_tables_hold_what_the_benches_stored(bench: str) -> None:
    """Row by row; what differs is told with the row, what README says, and what the bench stored."""
    document, differing = stored(bench), []
    for first, second in rows_of(bench):
        (start,) = [words for words in CELLS[bench] if first.startswith(words)]
        wanted = CELLS[bench][start](document)
        if second != wanted:
            differing.append(f"README, '{first}': {second}; tests/bench/{bench}.json: {wanted}")
    assert differing == []
    assert len(rows_of(bench)) == len(CELLS[bench])


def test_figures_in_the_text_are_the_benches_too() -> None:
    """Those of the batch and of chains, and the comparison of aligners."""
    batch, chain, cabinets = stored("batch")["figures"], stored("chain")["figures"], stored("accuracy")["cabinets"]
    text = " ".join(README.split())
    assert f"takes {batch['two workers / one after another (at most 0.6)']:.2f} of the time of one after" in text
    assert f"an unchanged song {batch['unchanged song beyond hashing, s (at most 0.3)']:.1f} s and its hashing" in text
    assert f"cost {chain[0]['measured']:.1f} x the plain render stage" in text
    names = {"as recorded": "as recorded", "plain cross-correlation": "cross-correlation", "GCC-PHAT": "GCC-PHAT"}
    for shown, name in {**names, "PHAT with a Hann window": "PHAT with Hann", "premix": "premix"}.items():
        found = cabinets["efficiency"][name]
        wrong = "" if name == "as recorded" else f" ({found['wrong']})"
        assert f"{shown} {found['median_db']:.2f} dB{wrong}" in text


def test_every_bench_that_is_named_is_there() -> None:
    """`python -m tests.bench.X` in README and DEVELOPERS.md, and the abbreviations beside it."""
    text = README + (TOP / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"tests\.bench\.(\w+)", text))
    assert {bench for bench in named if not (TOP / "tests" / "bench" / f"{bench}.py").exists()} == set()
    assert len(named) > 5


@pytest.mark.parametrize("command", ["premix render recipes/house.yaml demo_stems", "premix inspect recipes/"])
def test_commands_print_what_the_readme_shows(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every line that stands below a command, in its order."""
    (block,) = re.findall(rf"```\n\$ ({re.escape(command)}.*?)```", README, re.DOTALL)
    for name in ("demo_stems", "recipes"):
        (tmp_path / name).symlink_to(TOP / name)
    monkeypatch.chdir(tmp_path)
    words, *shown = block.splitlines()
    assert run([*shlex.split(words)[1:], *(["--no-report"] if "render" in words else [])]) == 0
    printed = iter(capsys.readouterr().err.splitlines())
    assert [line for line in shown if not any(line == told for told in printed)] == []
    assert len(shown) > 1
