"""Folders as people leave them: files renamed, dropped, doubled, swapped. No run ends well without a word on each."""

import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from premix.cli.main import run
from premix.demo.session import write_demo
from tests.rigs.sessions import manifest_of, write_recipe, write_track

SESSIONS = 300
PERFORMANCES = ("left_a", "left_b", "right_a", "right_b", "centre")
MICS = ("dynamic", "ribbon", "sub", "room")
OPTIONAL = {"left_b", "right_b", "centre"}
OPTIONAL_MICS = {"sub", "room"}
RECIPE = """\
format: 1
mics: {dynamic: {}, ribbon: {}, sub: {role: sub, optional: true}, room: {role: room, optional: true}}
performances:
  left_a: {bus: left}
  left_b: {bus: left, optional: true}
  right_a: {bus: right}
  right_b: {bus: right, optional: true}
  centre: {bus: centre, optional: true}
"""
AUDIO = {"wav", "flac", "aiff", "aif", "mp3"}
OTHER_WORDS = {"left": "links", "right": "rechts", "centre": "Mitte", "room": "Raum", "dynamic": "dyn", "sub": "tief"}


def misspelled(name: str, rng: random.Random) -> str:
    """A letter lost, doubled, or swapped with the next: never the name itself."""
    stem, _, ending = name.rpartition(".")
    while True:
        at = rng.randrange(1, len(stem) - 1)
        lost, doubled = stem[:at] + stem[at + 1 :], stem[:at] + stem[at] + stem[at:]
        made = rng.choice((lost, doubled, stem[:at] + stem[at + 1] + stem[at] + stem[at + 2 :]))
        if made != stem:
            return f"{made}.{ending}"


def otherwise(name: str, rng: random.Random) -> str:
    """In other words, in another order, with something before or behind, or in capitals."""
    stem, _, ending = name.rpartition(".")
    words = stem.split("_")
    forms = (
        "_".join(OTHER_WORDS.get(word, word) for word in words),
        "_".join(words[::-1]),
        "03 " + stem,
        stem + "_final",
        stem.upper(),
        stem.replace("_", "-"),
    )
    return f"{rng.choice(forms)}.{ending}"


def changed(files: set[str], rng: random.Random) -> tuple[set[str], dict[str, str]]:
    """The folder after some accidents, and wanted name -> what it was misspelled as."""
    files, typos = set(files), {}
    for _ in range(rng.randrange(0, 5)):
        name = rng.choice(sorted(files))
        kind = rng.choice(("typo", "otherwise", "drop", "double", "ending", "performance", "stranger"))
        if kind == "typo":
            typos[name] = misspelled(name, rng)
            files = (files - {name}) | {typos[name]}
        elif kind == "otherwise":
            files = (files - {name}) | {otherwise(name, rng)}
        elif kind == "drop":
            files -= {name}
        elif kind == "double":
            stem, _, ending = name.rpartition(".")
            files |= {rng.choice((f"{stem} (1).{ending}", f"{stem} copy.{ending}", f"{stem}.WAV", f"{stem}.aif"))}
        elif kind == "ending":
            stem = name.rpartition(".")[0]
            files = (files - {name}) | {f"{stem}.{rng.choice(('WAV', 'flac', 'wav.bak', 'txt'))}"}
        elif kind == "performance":
            gone = rng.choice(PERFORMANCES)
            files -= {file for file in files if file.startswith(gone)}
        else:
            files |= {rng.choice(("mix v3.wav", "bass_di.wav", "notes.txt", "left_a_dynamic.wav.asd", "click.mp3"))}
    return files, typos


def ending_of(name: str) -> str:
    return name.rpartition(".")[2].lower()


def fitting(files: set[str]) -> dict[tuple[str, str], list[str]]:
    """Which files a person would say are each track, by name: case aside, with the ending of an audio file."""
    names = {(p, m): f"{p}_{m}" for p in PERFORMANCES for m in MICS}
    audio = [file for file in sorted(files) if ending_of(file) in AUDIO]
    return {key: [f for f in audio if f.rpartition(".")[0].lower() == name] for key, name in names.items()}


def in_the_way(found: dict[tuple[str, str], list[str]]) -> set[str]:
    """What must stop the run: tracks with two files, and what is missing and needed; a performance as one."""
    stops = {f"{p}/{m}" for (p, m), files in found.items() if len(files) > 1}
    for performance in PERFORMANCES:
        missing = [mic for mic in MICS if not found[performance, mic]]
        if len(missing) == len(MICS):
            stops |= set() if performance in OPTIONAL else {performance}
        else:
            stops |= {f"{performance}/{mic}" for mic in missing if mic not in OPTIONAL_MICS}
    return stops


def left_out(found: dict[tuple[str, str], list[str]]) -> set[str]:
    """What is missing and may be."""
    gone = set()
    for performance in PERFORMANCES:
        missing = [mic for mic in MICS if not found[performance, mic]]
        whole = len(missing) == len(MICS)
        gone |= {performance} if whole else {f"{performance}/{mic}" for mic in missing}
    return gone


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One short sound, to be linked under any name."""
    folder = tmp_path_factory.mktemp("pool")
    write_track(folder / "one.wav", 0.1 * np.random.default_rng(1).standard_normal(2400))
    return folder


@pytest.mark.parametrize("part", range(6))
def test_no_folder_is_taken_without_telling_what_differs(
    part: int, pool: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """50 folders a part: either every obstacle is named and nothing else, or the roll-call is what is there."""
    recipe = write_recipe(tmp_path, RECIPE)
    full = {f"{p}_{m}.wav" for p in PERFORMANCES for m in MICS}
    for number in range(part * SESSIONS // 6, (part + 1) * SESSIONS // 6):
        rng = random.Random(number)
        files, typos = changed(full, rng)
        folder = tmp_path / f"song{number}"
        folder.mkdir()
        for name in files:
            shutil.copyfile(pool / "one.wav", folder / name)
        code = run(["inspect", str(recipe), str(folder), "--json"])
        said = capsys.readouterr()
        found = fitting(files)
        stops = in_the_way(found)
        assert code == (1 if stops else 0), (number, said.err)
        if stops:
            assert {line.partition(": ")[0] for line in said.err.splitlines()} == stops, number
            continue
        roll = json.loads(said.out)["roll_call"]
        assert {one["performance"] + f"/{one['mic']}" * bool(one["mic"]) for one in roll["left_out"]} == left_out(found)
        used = {file for own in found.values() for file in own}
        audio = {file for file in files if ending_of(file) in AUDIO}
        assert set(roll["unused"]) == audio - used, number
        assert (roll["used"], roll["found"]) == (len(used), len(audio)), number
        for one in roll["left_out"]:
            typo = typos.get(f"{one['performance']}_{one['mic']}.wav")
            if one["mic"] and typo in roll["unused"]:
                assert typo in one["near"], (number, typo, one)


@pytest.mark.parametrize("json_too", [False, True])
def test_every_command_that_reads_tracks_calls_the_roll(
    json_too: bool, pool: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """inspect, align and render: on the terminal in one line, and for programs."""
    recipe, folder = write_recipe(tmp_path, RECIPE), tmp_path / "song"
    folder.mkdir()
    for name in ("left_a_dynamic", "left_a_ribbon", "right_a_dynamic", "right_a_ribbon", "Mitte_dyn", "left_a_suub"):
        shutil.copyfile(pool / "one.wav", folder / f"{name}.wav")
    line = (
        "centre (no file fits 'centre_*'; near misses: Mitte_dyn.wav), "
        "left_a/sub (no file fits 'left_a_sub.*'; near misses: left_a_suub.wav), "
    )
    for words in (["inspect"], ["align"], ["render", "--out", str(tmp_path / "out"), "--no-report", "--force"]):
        run([words[0], str(recipe), str(folder), *words[1:], "--set", "alignment.refused=keep"] + ["--json"] * json_too)
        said = capsys.readouterr()
        if json_too:
            roll = json.loads(said.out)["roll_call"]
            assert (roll["used"], roll["found"], roll["unused"]) == (4, 6, ["Mitte_dyn.wav", "left_a_suub.wav"])
        else:
            assert "  used 4 of 6 files; left out: left_b (" in said.err and line in said.err
            assert "not used: Mitte_dyn.wav, left_a_suub.wav" in said.err


Accident = Callable[[Path], set[str]]


def swap(one: str, other: str) -> Accident:
    """Two files under each other's names; gives whom it concerns."""

    def happen(folder: Path) -> set[str]:
        a, b = (folder / f"{name}.wav" for name in (one, other))
        a.rename(folder / "aside")
        b.rename(a)
        (folder / "aside").rename(b)
        return {one, other}

    return happen


def overwrite(one: str, other: str) -> Accident:
    """One recording under two names."""

    def happen(folder: Path) -> set[str]:
        shutil.copyfile(folder / f"{one}.wav", folder / f"{other}.wav")
        return {one, other}

    return happen


ACCIDENTS: dict[str, Accident] = {
    "a mic of one take under the name of another's": swap("left_a_dynamic", "right_a_dynamic"),
    "a sub mic of another take": swap("left_b_sub", "right_a_sub"),
    "two mics of a take": swap("left_a_dynamic", "left_a_ribbon"),
    "a close mic and the room": swap("right_a_ribbon", "right_a_room"),
    "a take's mic twice": overwrite("left_a_dynamic", "left_a_ribbon"),
    "one take's mic for another take": overwrite("left_a_ribbon", "right_a_ribbon"),
    "a whole take twice": lambda folder: set().union(
        *(overwrite(f"left_a_{mic}", f"left_b_{mic}")(folder) for mic in MICS)
    ),
}


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three takes of the demo."""
    folder = tmp_path_factory.mktemp("takes") / "song"
    write_demo(folder, seconds=4.0, performances=("left_a", "left_b", "right_a"))
    return folder


@pytest.mark.parametrize("accident", ACCIDENTS)
def test_a_file_under_the_wrong_name_is_never_taken_in_silence(
    accident: str, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What no name can tell is heard: the run stops, or a warning names one of the tracks concerned."""
    folder = Path(shutil.copytree(session, tmp_path / "song"))
    concerned = ACCIDENTS[accident](folder)
    code = run(
        ["render", str(write_recipe(tmp_path, RECIPE)), str(folder), "--out", str(tmp_path / "out"), "--no-report"]
    )
    said = capsys.readouterr().err
    labels = {name[::-1].replace("_", "/", 1)[::-1] for name in concerned}
    if code == 0:
        found = manifest_of(tmp_path / "out")["findings"]
        told = " ".join(f"{f['subject']} {f['message']}" for f in found if f["severity"] != "info")
    else:
        assert code == 1
        told = said
    performances = {label.partition("/")[0] for label in labels}
    assert any(label in told for label in labels | performances), (code, said)
