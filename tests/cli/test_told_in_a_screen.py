"""What a render tells on the terminal: every kind of finding in a screen, the costliest first, and where to read on."""

import os
from pathlib import Path

import numpy as np
import pytest

from premix.cli import show
from premix.errors import Finding
from premix.model.findings import FindingEntry, grouped
from tests.cli.conftest import RATE, Premix
from tests.rigs.sessions import manifest_of, riff, write_song

RECIPE = """\
format: 1
song: Screen
mics: {dynamic: {}, ribbon: {optional: true}, condenser: {}, room: {role: room}}
performances: {left: {bus: left}, right: {bus: right}}
alignment: {refused: mute}
"""
SLUGS = ("alignment-incoherent", "track-left-out", "alignment-jump", "track-clipped", "track-hum", "track-dc", "padded")


def _kinds(count: int, letters: int) -> tuple[FindingEntry, ...]:
    """So many kinds, of which each has ten findings with a message of so many letters."""
    slugs = [SLUGS[n] if n < len(SLUGS) else f"strange-{n:02d}" for n in range(count)]
    return grouped(Finding(slug, "info", f"left/{n}", "x" * letters) for slug in slugs for n in range(10))


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
@pytest.mark.parametrize("count", [1, 7, 30])
@pytest.mark.parametrize("letters", [10, 400])
def test_kinds_take_no_more_rows_than_they_are_given(
    columns: int, count: int, letters: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a terminal of that width wraps them; every kind is named, the costliest has a line of its own."""
    monkeypatch.setattr("os.get_terminal_size", lambda stream: os.terminal_size((columns, 30)))
    entries = _kinds(count, letters)
    show.kinds(entries, 9)
    lines = capsys.readouterr().err.splitlines()
    assert sum(max(1, -(-len(line) // columns)) for line in lines) <= 9
    assert entries[0].slug in lines[0] and lines[0].startswith("  info: ")
    if count <= 9:
        assert [f"[{entry.slug}]" in line for entry, line in zip(entries, lines, strict=True)] == [True] * count
    else:
        assert len(lines) == 9 and lines[-1].startswith("  and what costs less: ")


def test_where_there_is_room_each_kind_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a limit, and the costliest first where rows are short."""
    monkeypatch.setattr("os.get_terminal_size", lambda stream: os.terminal_size((120, 30)))
    entries = _kinds(3, 10)
    show.kinds(entries)
    assert all(
        f"({entry.hint})" in line for entry, line in zip(entries, capsys.readouterr().err.splitlines(), strict=True)
    )
    show.kinds(entries, 4)
    first, *others = capsys.readouterr().err.splitlines()
    assert f"({entries[0].hint})" in first and not any("(" in line for line in others)


def test_hum_never_hides_a_mic_that_is_left_out(premix: Premix, tmp_path: Path) -> None:
    """Many tracks hum, one has no file, one plays something else: those two come first, the hum is one line, and the
    last line says where it lies."""
    take, other = riff(1, 4 * RATE), riff(7, 4 * RATE)
    hum = 0.01 * sum(np.sin(2 * np.pi * 50 * k * np.arange(4 * RATE) / RATE) / k for k in (1, 2, 3, 5))
    noise = 0.1 * np.random.default_rng(3).standard_normal(4 * RATE)
    tracks = {f"left_{mic}": np.roll(take, n) + hum for n, mic in enumerate(("dynamic", "ribbon", "condenser", "room"))}
    tracks |= {"right_dynamic": other + hum, "right_condenser": noise, "right_room": other + hum}
    song = write_song(tmp_path, RECIPE, tracks, RATE)
    said = premix("render", song.recipe, song.tracks, "--out", tmp_path / "out", "--no-report")
    assert said.code == 0
    told = [line.strip() for line in said.lines if line.endswith("]")]
    slugs = [line.rpartition("[")[2][:-1] for line in told]
    assert slugs[:2] == ["alignment-incoherent", "track-left-out"]
    (entry,) = [entry for entry in manifest_of(tmp_path / "out")["findings"] if entry["slug"] == "track-hum"]
    assert entry["count"] == len(entry["subjects"]) == len(entry["each"]) >= 4
    assert f"hum: {entry['count']} tracks, worst {entry['subject']}: 50 Hz at " in told[slugs.index("track-hum")]
    assert len(slugs) == len(set(slugs))
    assert len(said.lines) <= 24
    assert said.lines[-1].startswith("done: ")
