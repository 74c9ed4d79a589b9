"""`--expect` and `null` with manifests that anybody may have written: refused before the work, and never a pass."""

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from premix.messages import REMEDIES
from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, manifest_of, tree

LOUDER = ("--set", "mics.ribbon.gain_db=-2")


def render(song: Song, *more: object) -> tuple[object, ...]:
    return ("render", song.recipe, song.tracks, "--no-report", *more)


@pytest.mark.parametrize("name", ["", "manifest.json"])
def test_a_manifest_inside_out_is_refused(premix: Premix, song: Song, name: str) -> None:
    """`--expect X --out X`: the second run would hold the render against itself."""
    before = tree(song.out())
    said = premix(*render(song, "--out", song.out(), "--expect", song.out() / name, "--force", *LOUDER))
    (line,) = said.lines
    assert (said.code, line.endswith("[out-holds-input]"), "the expected manifest" in line) == (1, True, True)
    assert tree(song.out()) == before


def test_a_difference_never_replaces_the_approved_files(premix: Premix, song: Song) -> None:
    """However often it is tried; into another folder the new render is written, to be listened to."""
    approved = song.out("approved.json")
    shutil.copy(song.out() / "manifest.json", approved)
    before = tree(song.out())
    for _ in range(2):
        said = premix(*render(song, "--out", song.out(), "--expect", approved, *LOUDER))
        assert said.code == 4
        assert f"nothing was written: {song.out()} holds the render that was expected" in said.err
        assert tree(song.out()) == before
    for _ in range(2):
        assert premix(*render(song, "--out", song.out("new"), "--expect", approved, *LOUDER)).code == 4
        assert manifest_of(song.out("new"))["files"] != manifest_of(song.out())["files"]
    assert premix(*render(song, "--out", song.out(), "--expect", approved)).code == 0


def malformed(whole: dict[str, Any]) -> dict[str, bytes]:
    """Manifests that are none, by what is wrong with them."""
    cases: dict[str, Any] = {}
    for key in ("format", "premix", "libraries", "song", "recipe", "rate", "frames", "inputs", "alignment", "files"):
        cases[f"without {key}"] = {k: v for k, v in whole.items() if k != key}
        cases[f"{key} of another type"] = {**whole, key: [[1]]}
        cases[f"{key} empty"] = {**whole, key: None}
    first, *others = whole["files"]
    for key, value in (("sha256", "abc"), ("sha256", ""), ("frames", -1), ("frames", 0), ("part", 3), ("path", None)):
        cases[f"a file's {key} {value!r}"] = {**whole, "files": [{**first, key: value}, *others]}
    cases["no files"] = {**whole, "files": []}
    cases["a part twice"] = {**whole, "files": [first, *whole["files"]]}
    cases["a format to come"] = {**whole, "format": 2}
    cases["a rate of no recording"] = {**whole, "rate": 10**30}
    cases["a length below nothing"] = {**whole, "frames": -5}
    cases["findings of another kind"] = {**whole, "findings": [{"slug": "x"}]}
    cases["a list"] = [whole]
    texts = {name: json.dumps(case).encode() for name, case in cases.items()}
    texts["nested without end"] = b"[" * 100_000
    texts["objects without end"] = b'{"a":' * 100_000
    texts["nothing"] = b""
    texts["not UTF-8"] = json.dumps(whole).encode("utf-16")
    texts["a trim that is no number"] = json.dumps({**whole, "trim_db": float("nan")}).encode()
    texts["too large"] = json.dumps(whole).encode() + b" " * 40_000_000
    texts["cut off"] = json.dumps(whole).encode()[:-20]
    return texts


def test_a_malformed_manifest_is_refused_before_the_work(premix: Premix, song: Song) -> None:
    """52 of them: one line each that names the file, and no OUT."""
    path = song.out("expected.json")
    cases = malformed(manifest_of(song.out()))
    assert len(cases) >= 50
    shutil.rmtree(song.tracks)  # nothing of the song is looked at before
    for name, text in cases.items():
        path.write_bytes(text)
        said = premix(*render(song, "--out", song.out("new"), "--expect", path))
        assert said.code == 1, (name, said.err)
        (line,) = said.lines
        assert line.startswith(str(path)) and line.endswith("[not-a-manifest]"), (name, line)
        assert not song.out("new").exists()
    assert "not-a-manifest" in REMEDIES


@pytest.mark.tools("posix")
def test_pipes_and_devices_are_no_manifest(premix: Premix, song: Song) -> None:
    """One that never ends, one that nobody writes to."""
    os.mkfifo(song.out("pipe"))
    for path in ("/dev/zero", song.out("pipe")):
        for arguments in (render(song, "--out", song.out("new"), "--expect", path), ("null", song.out(), path)):
            said = premix(*arguments)
            assert (said.code, len(said.lines)) == (1, 1), said.err


def test_manifests_without_files_are_no_pass(premix: Premix, song: Song, tmp_path: Path) -> None:
    """Nothing held against nothing is no null."""
    document = {**manifest_of(song.out()), "files": []}
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "manifest.json").write_text(json.dumps(document), "utf-8")
    assert premix("null", tmp_path / "a", tmp_path / "b").code == 1
