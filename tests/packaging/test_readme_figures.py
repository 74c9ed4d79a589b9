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


def figure(document: Any, name: str) -> float:
    """A figure by its name; KeyError where the last run did not have it."""
    return float({entry["figure"]: entry["measured"] for entry in document["figures"]}[name])


def pair(number: int) -> Callable[[Any], str]:
    """RMSE against the bound."""
    return lambda d: f"{d['pairs'][number]['rmse_samples'] / d['pairs'][number]['bound_samples']:.2f} x"


def impostors(d: Any) -> str:
    kinds = d["refusals"].values()
    return f"{sum(k['accepted'] for k in kinds)}; {sum(k.get('good_refused', 0) for k in kinds)}"


def words(_: Any) -> str:
    found = stored("words")["words"]
    return ", ".join(f"{found[word]['wrong']} of {found[word]['mics']}" for word in ("sure", "good", "fair"))


def ranges(_: Any) -> str:
    found = stored("words")["ranges"]
    return f"{100.0 * found['held'] / found['delays']:.0f} %"


def of_sections(key: str) -> Callable[[Any], list[Any]]:
    """A figure of every family of sections."""
    return lambda d: [row[key] for row in d["sections"].values() if isinstance(row, dict) and key in row]


def on_stems(d: Any) -> str:
    """Noise left in stops, change of the riff without drums, and beside them; the most of any family."""
    kinds = [
        {k: row for k, row in d["sections"].items() if isinstance(row, dict) and ("bleed" in k) is bled}
        for bled in (False, True)
    ]
    kinds = [{k: row for k, row in kind.items() if k != "all sections"} for kind in kinds]
    noise = max(row["stem_noise_dbfs_max"] for kind in kinds for row in kind.values())
    changed = [max(row["stem_changed_db_max"] for row in kind.values()) for kind in kinds]
    return f"{noise:.0f} dBFS; {changed[0]:.0f} dB, {changed[1]:.0f} dB"


def of_all(figure: str) -> Callable[[Any], str]:
    """Of all sessions with a fault: how many this is true of."""
    return lambda d: f"{d['faulty']['all'][figure]} of {d['faulty']['all']['sessions']}"


def set_ups(*kinds: str) -> Callable[[Any], str]:
    """Of songs in which this was done: how many it was named in, alone, and how many sizes were within what is told."""

    def cell(d: Any) -> str:
        own = [d["kinds"][kind] for kind in kinds]
        songs, named, read, held = (sum(kind[key] for kind in own) for key in ("songs", "named", "read", "held"))
        return f"{named} of {songs}" + (f"; {held} of {read}" if read else "")

    return cell


def big(d: Any) -> list[Any]:
    """The whole album's runs, on the pool and on dask."""
    return [d["runs"]["pool"], d["runs"]["dask"]]


THREADS = "premix render, 2 threads"
CELLS: dict[str, dict[str, Callable[[Any], str]]] = {
    "accuracy": {
        "pure fractional delay": lambda d: f"{d['pure_delays'][0]['worst_samples']:.6f} sample",
        "two noisy copies": pair(0),
        "the same, coherence 0.9": pair(1),
        "40-150 Hz": pair(2),
        "1,000 simulated cabinets": lambda d: f"{d['cabinets']['wrong']}; {d['cabinets']['refused']}",
        "the same: efficiency below brute force": lambda d: f"{d['cabinets']['brute_loss_db']:.3f} dB",
        "1,000 cabinets with a mic of another take": impostors,
        "`align` says": words,
        "the range printed with a delay": ranges,
        "78 takes with a room mic": lambda d: f"{d['rooms']['off_1_ms'] + d['rooms']['not_found']}",
    },
    "gate": {
        "starts and stops found within 10 ms": lambda d: "{:.3f}, {:.3f}".format(*d["all patterns"]["f_10_ms"]),
        "the same, 216 takes": lambda d: ", ".join(
            f"{min(scores):.3f}" for scores in zip(*of_sections("f_10_ms")(d), strict=True)
        ),
        "guitar that the room loses": lambda d: f"{max(of_sections('lost_db_max')(d)):.2f} dB",
        "the same gate on a stem": on_stems,
        "lost of the first 20 ms": lambda d: (
            f"{d['first_sound']['lost_of_first_20_ms_db_max']:.1f} dB; "
            f"{d['first_sound']['by_the_strongest_sound_db_max']:.1f} dB"
        ),
        "left of the room": lambda d: f"{max(of_sections('left_db_max')(d)):.0f} dB",
        "gain at the room's first direct sound": lambda d: (
            f"{d['gate']['gain_db_at_first_direct_sound_min']:.1f} dB; {d['gate']['closed_gain_db_max']:.1f} dB"
        ),
        "energy above 10 kHz": lambda d: f"{abs(round(d['gate']['click_excess_db_max'], 1)):.1f} dB",
    },
    "render": {
        "render stage, CPU": lambda d: f"{figure(d, 'render stage / floor, CPU'):.2f} x",
        "the same with loudness": lambda d: f"{figure(d, 'render stage with meters / floor, CPU'):.1f} x",
        "a changed gain of the guitar bus": lambda d: f"{figure(d, 'changed gain / premix render, CPU'):.2f} x",
        "whole `premix render": lambda d: (
            f"{program(d, 'premix render')['cpu_to_floor']:.1f} x ({program(d, 'premix render')['cpu_s']:.1f} s)"
        ),
        "the same against a naive": lambda d: f"{figure(d, 'premix render / naive script, whole job, CPU'):.2f} x",
        "two threads against one": lambda d: (
            f"{figure(d, 'render stage, meters, 2 threads / 1, wall'):.2f} x; "
            f"{figure(d, 'premix render, 2 threads / 1, wall'):.2f} x"
        ),
        "peak memory": lambda d: (
            f"{program(d, 'premix render')['peak_mb']:.0f} MB; {program(d, THREADS)['peak_mb']:.0f} MB"
        ),
    },
    "setups": {
        "steady songs": lambda d: (
            f"{d['kinds']['steady']['songs'] - d['kinds']['steady']['named']} of {d['kinds']['steady']['songs']}"
        ),
        "mics moved by 2 to 20 mm": set_ups("moved"),
        "the reference moved": set_ups("reference"),
        "preamps turned": set_ups("preamp"),
        "air 4 to 12 degrees": set_ups("air"),
        "swapped names": set_ups("swapped"),
        "a top lost": set_ups("top"),
    },
    "balance": {
        "30 rough mixes": lambda d: f"{d['figures']['close_rms_db']:.2f} dB",
        "the same: sub mic": lambda d: f"{d['figures']['sub_rms_db']:.2f} dB; {d['figures']['room_rms_db']:.2f} dB",
        "the same: levels": lambda d: f"{d['figures']['levels_rms_db']:.2f} dB; {d['figures']['worst_pan']:.3f}",
        "the same: least share": lambda d: f"{d['figures']['least_explained']:.2f}",
        "files that are no mix": lambda d: f"{d['figures']['refused']} of {d['figures']['wrong']}",
        "`premix balance --like`": lambda d: f"{d['figures']['like_against_render']:.2f} x",
        "the page on top": lambda d: f"{d['figures']['page_over_align_s']:.1f} s",
    },
    "steadiness": {
        "bad sums of which": of_all("silent"),
        "the right mic": of_all("named"),
        "jumps and turns": lambda d: "{} of {}".format(*d["faulty"]["all"]["placed"]),
        "what was taken": lambda d: "{} of {}".format(*d["faulty"]["all"]["repaired"]),
        "sessions without a fault": lambda d: (
            f"{d['clean']['false_alarms']} of {d['clean']['mics']}; {d['clean']['good_refused']}"
        ),
        "the same, 40 with mics": lambda d: (
            f"{d['good']['false_alarms']} of {d['good']['mics']}; {d['good']['good_refused']}"
        ),
        "lost by following": lambda d: f"{d['clean']['more_than_before_db'][1]:.2f} dB",
    },
    "attacks": {
        "2,000 recipes": lambda d: str(sum(len(row["failed"]) for row in d["attacks"])),
        "longest try": lambda d: (
            f"{max(row['slowest_s'] for row in d['attacks']):.1f} s; "
            f"{max(row['peak_mb'] for row in d['attacks']):.0f} MB"
        ),
    },
    "album": {
        "songs done": lambda d: "; ".join(f"{r['done']} of {r['songs']}" for r in big(d)),
        "changes of the set-up": lambda d: "; ".join(str(len(r["changes"])) for r in big(d)),
        "CPU a song": lambda d: "; ".join(
            f"{s:.1f} s" for s in (*(r["cpu_s_a_song"] for r in big(d)), d["alone_cpu_s"])
        ),
        "share of their time": lambda d: "; ".join(f"{r['at_work']:.2f}" for r in big(d)),
        "largest process": lambda d: "; ".join(f"{r['peak_mb']} MB" for r in (d["runs"]["few"], *big(d))),
        "the album's page: CPU": lambda d: f"{d['page']['cpu_s']:.1f} s; {d['page']['peak_mb']} MB",
        "the same, opened": lambda d: (
            f"{d['page']['first_contents_s']:.1f} s; {d['page']['load_s']:.1f} s; {d['page']['usable_s']:.1f} s"
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
    """Row by row, every row; what differs is told with the row, what README says, and what the bench stored."""
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


def test_the_page_is_as_long_and_as_large_as_it_is_said() -> None:
    """Its time, size and length, and that they keep the bounds: 5 s, 12 MB, 5,000 px."""
    short, long = stored("page")["pages"].values()
    text = " ".join(README.split())
    assert f"takes {short['cpu_s']:.1f} and {long['cpu_s']:.1f} s of CPU to make" in text
    assert f"has {short['mb']:.1f} and {long['mb']:.1f} MB" in text
    heights = (f"{round(page['px_at_1200'], -2):,}" for page in (short, long))
    assert f"is {' and '.join(heights)} px long" in text
    assert all(p["cpu_s"] <= 5.0 and p["mb"] <= 12.0 and p["px_at_1200"] <= 5000 for p in (short, long))


def test_the_cost_of_many_songs_is_that_of_the_album() -> None:
    """c, b and d of the formula, and that the album keeps its bounds: every song done, the one change that was made is
    told, 300 MB, 2 s to open."""
    album = stored("album")
    text = " ".join(README.split())
    each = f"c {album['runs']['pool']['cpu_s_a_song']:.1f} s, b {album['moved_mb_a_song']:.0f} MB"
    assert f"{each}, d {album['page']['cpu_s'] / album['songs']:.3f} s" in text
    few, many = album["runs"]["few"], album["runs"]["pool"]
    grown_mb = (many["peak_mb"] - few["peak_mb"]) / (many["songs"] - few["songs"])
    assert f"process keeps {grown_mb:.2f} MB a song" in text
    assert album["songs"] == 200 and album["identical"]
    for run_of in album["runs"].values():
        assert run_of["done"] == run_of["songs"] and run_of["peak_mb"] <= 300
        assert [(song, mics, round(mm)) for song, mics, mm in run_of["changes"]] == [("song_101", ["ribbon"], 5)]
    assert max(album["page"][key] for key in ("first_contents_s", "load_s", "usable_s")) < 2.0


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
    assert run(shlex.split(words)[1:]) == 0
    printed = iter(capsys.readouterr().err.splitlines())
    assert [line for line in shown if not any(line == told for told in printed)] == []
    assert len(shown) > 1
