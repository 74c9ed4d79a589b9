"""One time line by start times, and what each track is padded by."""

from pathlib import Path

import pytest

from premix.errors import TracksError
from premix.model.tracks import AudioHeader, Track
from premix.tracks.intake import TimeLine, place

RATE = 48000
HOUR = 3600 * RATE


def track(performance: str, mic: str, frames: int, time: int | None = None) -> Track:
    """A track of some length and start time."""
    header = AudioHeader(Path(f"{performance}_{mic}.wav"), "WAV", "PCM_24", RATE, 1, frames, 24, time_reference=time)
    return Track(performance, mic, header)


def starts(line: TimeLine) -> list[int]:
    return [t.start for t in line.tracks]


def notes(line: TimeLine) -> list[tuple[str, str, str]]:
    return [(f.slug, f.severity, f.subject) for f in line.findings]


def test_files_without_start_times_start_together() -> None:
    """As exported from one common start."""
    line = place([track("left", "a", 100), track("left", "b", 100)])
    assert (starts(line), line.frames, line.time_reference, notes(line)) == ([0, 0], 100, None, [])


def test_earliest_start_time_is_the_common_start() -> None:
    """Whole samples, no rounding, however late in the day."""
    day = 24 * HOUR * 4  # at 192 kHz a day is above 2^32 samples; the field has 64 bits
    line = place([track("left", "a", 1000, day + 7), track("left", "b", 1000, day), track("left", "c", 900, day + 50)])
    assert (starts(line), line.frames, line.time_reference) == ([7, 0, 50], 1007, day)


def test_late_start_and_early_end_are_said_in_samples() -> None:
    """By how many samples each is padded, before and after."""
    line = place([track("left", "a", 1000, 0), track("left", "b", 900, 40)])
    assert [f.message for f in line.findings] == [
        "starts 40 samples (0.001 s) after the common start",
        "padded at the end by 60 samples (0.001 s)",
    ]


def test_mic_that_ends_clearly_before_its_mates_is_a_warning() -> None:
    """A performance that ends early is normal; one mic of it that does is not."""
    line = place(
        [
            track("left", "a", 100 * RATE),
            track("left", "b", 98 * RATE),
            track("right", "a", 50 * RATE),
            track("right", "b", 50 * RATE - 10),
        ]
    )
    assert notes(line) == [
        ("padded", "warning", "left/b"),
        ("padded", "info", "right/a"),
        ("padded", "info", "right/b"),
    ]


def test_file_without_a_start_time_goes_to_the_common_start() -> None:
    """With a warning where others have one."""
    line = place([track("left", "a", 1000, HOUR), track("left", "b", 1000), track("left", "c", 1000, HOUR)])
    assert (starts(line), line.time_reference) == ([0, 0, 0], HOUR)
    assert notes(line) == [("no-start-time", "warning", "left/b")]


def test_mic_that_does_not_overlap_its_performance_is_refused() -> None:
    """Mics of one performance were recorded at the same time."""
    with pytest.raises(TracksError) as caught:
        place([track("left", "a", 1000, 0), track("left", "b", 1000, 0), track("left", "c", 1000, 1000)])
    assert [(p.slug, p.where) for p in caught.value.problems] == [("starts-apart", "left/c")]


def test_start_time_of_another_session_is_refused() -> None:
    """One performance at midnight, the next an hour later: not one song, and an hour of silence in every file."""
    with pytest.raises(TracksError) as caught:
        place(
            [
                track("left", "a", RATE, HOUR),
                track("left", "b", RATE, HOUR),
                track("right", "a", RATE, 0),
                track("right", "b", RATE, 0),
            ]
        )
    assert [(p.slug, p.where) for p in caught.value.problems] == [("starts-apart", "left/a")]
    assert "3599 s after all earlier tracks have ended" in caught.value.problems[0].what


def test_gap_is_counted_from_the_last_track_to_end() -> None:
    """A short track that starts in between does not open a gap."""
    line = place(
        [
            track("left", "a", 1000 * RATE, 0),
            track("centre", "a", 10 * RATE, 10 * RATE),
            track("right", "a", 50 * RATE, 900 * RATE),
        ]
    )
    assert starts(line) == [0, 10 * RATE, 900 * RATE]


def test_performance_that_enters_late_is_no_error() -> None:
    """A centre performance that only plays the last chorus."""
    line = place([track("left", "a", 60 * RATE, 0), track("centre", "a", 30 * RATE, 200 * RATE)])
    assert (starts(line), line.frames) == ([0, 200 * RATE], 230 * RATE)
