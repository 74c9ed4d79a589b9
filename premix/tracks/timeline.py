"""One time line for all tracks of a song, by their BWF start times (EBU Tech 3285), in whole samples."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from premix.errors import Problem, TracksError
from premix.messages.tracks import SLUGS
from premix.model.finding import Finding
from premix.model.tracks import Track
from premix.units import samples_to_s

_LONGEST_GAP_S = 600.0  # no song rests that long: such start times are of different sessions
_CLEARLY_SHORT_S = 1.0


@dataclass(frozen=True, slots=True)
class TimeLine:
    """Tracks with their starts, the common length in frames, its BWF start time, and findings."""

    tracks: tuple[Track, ...]
    frames: int
    time_reference: int | None
    findings: tuple[Finding, ...]


def place(tracks: Sequence[Track]) -> TimeLine:
    """Put tracks of one rate on a common time line; every file starts at or after its first sample.

    A file without a start time is put at the common start, with a finding where others have one.
    Raises TracksError where the start times cannot be those of one song.
    """
    given = [t.header.time_reference for t in tracks]
    known = [r for r in given if r is not None]
    origin = min(known, default=None)
    placed = tuple(
        t if origin is None or reference is None else replace(t, start=reference - origin)
        for t, reference in zip(tracks, given, strict=True)
    )
    problems = [*_apart_in_performance(placed), *_long_gap(placed)]
    if problems:
        raise TracksError(problems)
    frames = max(t.start + t.header.frames for t in placed)
    findings = [_no_start_time(t) for t in placed if origin is not None and t.header.time_reference is None]
    findings += [f for t in placed for f in _padding(t, frames, _end_of(t.performance, placed))]
    return TimeLine(placed, frames, origin, tuple(findings))


def _end_of(performance: str, tracks: Sequence[Track]) -> int:
    return max(t.start + t.header.frames for t in tracks if t.performance == performance)


def _apart_in_performance(tracks: Sequence[Track]) -> list[Problem]:
    """Mics of one performance recorded at the same time, so their files must overlap."""
    problems = []
    for track in tracks:
        mates = [t for t in tracks if t.performance == track.performance and t is not track]
        if mates and not any(_overlap(track, mate) for mate in mates):
            begin_s = samples_to_s(track.start, track.header.rate)
            problems.append(_apart(track, (
                f"by its start time it begins at {begin_s:.3f} s of the song, where no other mic of "
                f"{track.performance} is recorded"
            )))
    return problems


def _overlap(one: Track, other: Track) -> bool:
    return one.start < other.start + other.header.frames and other.start < one.start + one.header.frames


def _long_gap(tracks: Sequence[Track]) -> list[Problem]:
    """A start time long after everything before has ended belongs to another session."""
    ordered = sorted(tracks, key=lambda t: t.start)
    end = ordered[0].start + ordered[0].header.frames
    for track in ordered[1:]:
        gap_s = samples_to_s(track.start - end, track.header.rate)
        if gap_s > _LONGEST_GAP_S:
            what = f"by its start time it begins {gap_s:.0f} s after all earlier tracks have ended"
            return [_apart(track, what)]
        end = max(end, track.start + track.header.frames)
    return []


def _apart(track: Track, what: str) -> Problem:
    return Problem("starts-apart", track.name, what, remedy=SLUGS["starts-apart"])


def _no_start_time(track: Track) -> Finding:
    text = "has no start time while other tracks have one; it was put at the common start"
    return Finding("no-start-time", "warning", track.name, text, SLUGS["no-start-time"])


def _padding(track: Track, frames: int, performance_end: int) -> list[Finding]:
    """How much silence a track gets before and after it, in samples and seconds."""
    rate = track.header.rate
    findings = []
    if track.start:
        late_s = samples_to_s(track.start, rate)
        text = f"starts {track.start} samples ({late_s:.3f} s) after the common start"
        findings.append(Finding("starts-late", "info", track.name, text, SLUGS["starts-late"]))
    end = track.start + track.header.frames
    if end < frames:
        text = f"padded at the end by {frames - end} samples ({samples_to_s(frames - end, rate):.3f} s)"
        short = samples_to_s(performance_end - end, rate) > _CLEARLY_SHORT_S
        findings.append(Finding("padded", "warning" if short else "info", track.name, text, SLUGS["padded"]))
    return findings
