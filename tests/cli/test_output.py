"""What is said where: one JSON document on standard output for programs, tables and colours for people."""

import json
import os
import re
import select
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from premix.cli import show
from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, manifest_of

COLOUR = re.compile(r"\x1b\[[0-9;]*m")
"""A select-graphic-rendition sequence (ECMA-48)."""


def test_render_prints_its_manifest(premix: Premix, song: Song) -> None:
    """--json of a render is the manifest that lies in OUT, to the letter."""
    said = premix("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report", "--json")
    assert said.code == 0
    assert said.out == (song.out("new") / "manifest.json").read_text("utf-8")
    assert said.err == ""


def test_align_prints_decisions_in_the_manifests_shapes(premix: Premix, song: Song) -> None:
    """--json of align: the entries that a render's manifest holds."""
    said = premix("align", song.recipe, song.tracks, "--json")
    document = json.loads(said.out)
    rendered = manifest_of(song.out())
    for key in ("rate", "alignment", "sum_efficiency_db"):
        assert document[key] == rendered[key]
    assert said.err == ""


def test_inspect_prints_the_inputs(premix: Premix, song: Song) -> None:
    """--json of inspect: the tracks by performance and mic, with what the files say of themselves."""
    document = json.loads(premix("inspect", song.recipe, song.tracks, "--json").out)
    assert [(i["performance"], i["mic"], i["frames"], i["rate"]) for i in document["inputs"]] == [
        ("left", mic, 96000, 48000) for mic in ("dynamic", "ribbon", "room")
    ]
    assert document["recipe"]["sha256"] == manifest_of(song.out())["recipe"]["sha256"]


def test_null_prints_what_is_left(premix: Premix, song: Song) -> None:
    """--json of null: a render against itself leaves nothing."""
    said = premix("null", song.out(), song.out(), "--json")
    document = json.loads(said.out)
    assert (said.code, document["holds"]) == (0, True)
    assert len(document["files"]) == 4
    assert {file["result"]["residual_peak_dbfs"] for file in document["files"]} == {None}


def test_schema_is_a_json_schema(premix: Premix, tmp_path: Path) -> None:
    """It parses, says which dialect it is, and --out writes the same."""
    said = premix("schema")
    document = json.loads(said.out)
    assert document["$schema"].startswith("https://json-schema.org/")
    assert {"mics", "performances", "deliver"} <= set(document["properties"])
    assert premix("schema", "--out", tmp_path / "schema.json").code == 0
    assert json.loads((tmp_path / "schema.json").read_text("utf-8")) == document
    said = premix("schema", "--out", tmp_path / "gone" / "schema.json")
    assert said.code == 1 and said.err.endswith("[cannot-write]\n")


def test_errors_leave_standard_output_empty(premix: Premix, song: Song) -> None:
    """With --json too: programs read the exit code, people the line."""
    said = premix("render", song.recipe, song.recipe.parent / "nowhere", "--out", song.out("new"), "--json")
    assert (said.code, said.out) == (1, "")
    assert len(said.lines) == 1


def test_tables_go_to_standard_error(premix: Premix, song: Song) -> None:
    """align and inspect talk to people on standard error; one row a mic, numbers flush right."""
    for command in ("align", "inspect"):
        said = premix(command, song.recipe, song.tracks)
        assert (said.code, said.out) == (0, "")
        assert [line.split()[0 if command == "align" else 1] for line in said.lines if "room" in line] == ["room"]
    table = premix("align", song.recipe, song.tracks).lines
    assert table[0].startswith("left: sum efficiency ")
    assert table[1].split()[:4] == ["mic", "polarity", "ms", "samples"]
    polarities = dict(row.split()[:2] for row in table[2:5])
    assert polarities == {"dynamic": "normal", "ribbon": "inverted", "room": "normal"}
    assert "hears it 8.33 ms late" in table[4]  # the track is rolled by 400 samples


def test_no_terminal_no_colour_no_bar(premix: Premix, song: Song) -> None:
    """Into a file or a pipe goes plain text: no escape sequence, no carriage return."""
    said = premix("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report")
    assert "\x1b" not in said.err
    assert "\r" not in said.err
    assert "reading" not in said.err  # nor the label of a bar alone


def on_terminal(arguments: Sequence[object], **environment: str) -> tuple[int, str]:
    """What a command writes to standard error when that is a terminal."""
    import pty

    ours, theirs = pty.openpty()
    own = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    with subprocess.Popen(
        [sys.executable, "-m", "premix", *map(str, arguments)],
        stderr=theirs,
        stdout=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
        env={**own, "TERM": "xterm", **environment},
    ) as process:
        os.close(theirs)
        said = b""
        while True:
            ready, _, _ = select.select([ours], [], [], 120.0)
            try:
                piece = os.read(ours, 65536) if ready else b""
            except OSError:  # the other end is closed
                piece = b""
            if not piece:
                break
            said += piece
        process.wait(timeout=120)
    os.close(ours)
    return process.returncode, said.decode()


@pytest.mark.tools("posix")
def test_terminal_gets_a_bar_and_colours_unless_they_are_not_wanted(song: Song) -> None:
    """A bar for reading and for rendering; colours go with NO_COLOR (no-color.org), the words stay."""
    arguments = ["render", song.recipe, song.tracks, "--no-report", "--set", "limits.mono_fold_db=-1"]
    code, said = on_terminal([*arguments, "--out", song.out("a")])
    assert code == 4
    assert "reading" in said
    assert "rendering" in said
    assert "100%" in said
    assert COLOUR.search(said)
    code, plain = on_terminal([*arguments, "--out", song.out("b")], NO_COLOR="1")
    assert code == 4
    assert "rendering" in plain
    assert not COLOUR.search(plain)
    assert "limit-mono-fold" in plain


def test_columns_line_up(capsys: pytest.CaptureFixture[str]) -> None:
    """Text to the left, numbers to the right, one width a column."""
    show.table(["mic", "ms"], [["dynamic", "0.5"], ["sub", "-12.25"]])
    assert capsys.readouterr().err.splitlines() == ["  mic          ms", "  dynamic     0.5", "  sub      -12.25"]


def test_demo_writes_a_session_and_says_what_comes_next(premix: Premix, tmp_path: Path) -> None:
    """The shortest demo: its tracks, its truth, the next command, and a word of caution."""
    said = premix("demo", tmp_path / "demo", "--seconds", 3, "--format", "flac")
    assert (said.code, said.out) == (0, "")
    assert len(list((tmp_path / "demo").glob("*.flac"))) == 25
    assert f"premix render RECIPE {tmp_path / 'demo'} --out OUT" in said.err
    assert "turn the monitors down" in said.err
    said = premix("demo", tmp_path / "demo", "--seconds", 1)
    assert said.code == 1
    assert "3 to 600" in said.err
