"""What `premix batch` tells while it runs: a line a song, and on a terminal what is under way and the time left."""

import sys

import pytest

from premix.batch.work import SongResult
from premix.cli.batch import LineWatch


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The time in seconds, set by the test."""
    now = [0.0]
    monkeypatch.setattr("premix.cli.batch.time.monotonic", lambda: now[0])
    return now


def watched(clock: list[float]) -> None:
    """Eight songs: one unchanged at once, one rendered after a minute, half of the third after one and a half."""
    watch = LineWatch()
    watch.begin(8)
    watch.finished(SongResult("Ebb", "unchanged", seconds=0.2))
    clock[0] = 60.0
    watch.finished(SongResult("Tidewater", "rendered", seconds=60.0))
    clock[0] = 90.0
    watch.tick({"Undertow": 0.5})
    watch.clear()


def test_a_terminal_shows_what_is_under_way_and_the_time_left(
    clock: list[float], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """1.5 songs took 90 s and 5.5 are left: 330 s. What was unchanged took no time and does not count."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    watched(clock)
    said = capsys.readouterr()
    lines = said.err.splitlines()
    assert lines[:2] == ["[1/8] Ebb: unchanged, 0.2 s", "[2/8] Tidewater: done, 60.0 s"]
    assert "[2/8] 5:30 left  Undertow 50 %" in said.err
    assert said.err.endswith("\r\x1b[K")  # the live line is taken away
    assert said.out == ""


def test_elsewhere_every_song_is_one_plain_line(clock: list[float], capsys: pytest.CaptureFixture[str]) -> None:
    """A log file gets no live line and no control characters."""
    watched(clock)
    assert capsys.readouterr().err == "[1/8] Ebb: unchanged, 0.2 s\n[2/8] Tidewater: done, 60.0 s\n"
