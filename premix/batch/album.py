"""What a batch keeps of a song's manifest: the figures of its summary, and its set-up as found.

What differs between songs that share a set-up: a mic that was moved, a polarity, a level.

The usual value of a mic is the one that most songs hold within the tolerance, of equals the earlier song's; so one
song that differs never bends it, and of two songs the second is held against the first. Tolerances are ours:
1 cm of a close mic's distance is 29 microseconds, over which 6 kHz turns by 63 degrees; room mics are estimated
more coarsely. Levels differ between songs by what is played, so only drifts beyond that are told.

Guitar buses of an album that sit together: every song's trimmed down to the softest one's loudness.

One gain a song, for all its files, on top of the trim that keeps it under the ceiling: the balance inside a song
stays, nothing is turned up, no ceiling is passed. Loudness is the integrated one of the guitar bus (ITU-R BS.1770).
"""

import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from premix.model.finding import Finding
from premix.units import samples_to_cm

_CLEAR_DB = 2.0
"""A room mic's polarity counts as found where the other one is this much worse."""


@dataclass(frozen=True, slots=True)
class MicFacts:
    """One mic of a song, the median of its performances; None: not found, or set by hand.

    arrival_ms: when it hears the guitar after the reference. polarity: 1 or -1 against the reference.
    level_db: its level as recorded against the reference mic's.
    """

    mic: str
    role: str
    arrival_ms: float | None
    polarity: int | None
    level_db: float | None


@dataclass(frozen=True, slots=True)
class SongFacts:
    """One rendered song.

    efficiency: of the performance that is worst aligned. loudness_lufs, true_peak_dbtp: of the guitar bus. refused:
    mics that could not be aligned. broken: messages of the limits that are broken. warnings: findings beside them.
    playing_db: level of the close mics while the guitar plays, median of the performances. report: its page's
    path in the song's output folder.
    """

    efficiency_before_db: float | None
    efficiency_after_db: float | None
    mono_fold_db: float | None
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    trim_db: float
    extra_trim_db: float
    refused: tuple[str, ...]
    broken: tuple[str, ...]
    warnings: int
    report: str | None
    reference: str
    mics: tuple[MicFacts, ...]
    playing_db: float | None

    @property
    def setup(self) -> tuple[str, tuple[tuple[str, str], ...]]:
        """What songs must have in common to be compared: the reference, and the mics with their roles."""
        return self.reference, tuple((mic.mic, mic.role) for mic in self.mics)


def facts_of(manifest: Mapping[str, Any]) -> SongFacts:
    """The facts of a song by its manifest (format 1)."""
    decisions: list[dict[str, Any]] = manifest["alignment"]
    worst = min(manifest["sum_efficiency_db"], key=lambda e: e["after"], default={"before": None, "after": None})
    guitars: dict[str, Any] = next((f for f in manifest["files"] if f["part"] == "guitars"), {})
    limits = [f for f in manifest["findings"] if f["slug"].startswith("limit-") and f["severity"] == "error"]
    others = [f for f in manifest["findings"] if f not in limits and f["severity"] != "info"]
    return SongFacts(
        efficiency_before_db=worst["before"],
        efficiency_after_db=worst["after"],
        mono_fold_db=(manifest["mono"] or {}).get("fold_db"),
        loudness_lufs=guitars.get("loudness_lufs"),
        true_peak_dbtp=guitars.get("true_peak_dbtp"),
        trim_db=manifest["trim_db"],
        extra_trim_db=manifest["extra_trim_db"],
        refused=tuple(f"{d['performance']}/{d['mic']}" for d in decisions if d["refusal"] is not None),
        broken=tuple(f"{f['subject']}: {f['message']}" for f in limits),
        warnings=len(others),
        report=next((path for path in manifest["written"] if path.endswith("_report.html")), None),
        reference=decisions[0]["reference"] if decisions else "",
        mics=_mics(manifest),
        playing_db=_median(gate["loud_db"] for gate in manifest["gate"]),
    )


def _mics(manifest: Mapping[str, Any]) -> tuple[MicFacts, ...]:
    decisions: list[dict[str, Any]] = manifest["alignment"]
    levels = {(i["performance"], i["mic"]): i["rms_dbfs"] for i in manifest["inputs"]}
    ms = 1000.0 / manifest["rate"]
    found = []
    for name in dict.fromkeys(d["mic"] for d in decisions):
        own = [d for d in decisions if d["mic"] == name]
        sure = [d for d in own if d["origin"] == "auto" and d["refusal"] is None]
        arrival = _median(d["arrival_samples"] for d in sure)
        found.append(
            MicFacts(
                mic=name,
                role=own[0]["role"],
                arrival_ms=None if arrival is None else arrival * ms,
                polarity=_polarity(sure),
                level_db=_median(
                    _difference(levels.get((d["performance"], name)), levels.get((d["performance"], d["reference"])))
                    for d in own
                ),
            )
        )
    return tuple(found)


def _polarity(decisions: Iterable[Mapping[str, Any]]) -> int | None:
    """The polarity that all performances agree on; None where they do not, or where nobody can tell."""
    clear = {d["polarity"] for d in decisions if d["role"] != "room" or (d["margin_db"] or 0.0) >= _CLEAR_DB}
    return clear.pop() if len(clear) == 1 else None


def _difference(level_db: float | None, reference_db: float | None) -> float | None:
    return None if level_db is None or reference_db is None else level_db - reference_db


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None


CLOSE_MS, ROOM_MS = 0.03, 0.3
LEVEL_DB, PLAYING_DB = 2.0, 3.0


@dataclass(frozen=True, slots=True)
class Difference:
    """One song's value beside the usual one of its set-up, in words with units."""

    song: str
    subject: str
    what: str
    usual: str
    here: str
    slug: str

    def finding(self) -> Finding:
        message = f"{self.what}: {self.here}, in the other songs {self.usual}"
        return Finding(self.slug, "warning", f"{self.song}/{self.subject}", message)


def differences(songs: Sequence[tuple[str, SongFacts]]) -> tuple[Difference, ...]:
    """All differences between the songs (name, facts) of each set-up, by set-up, mic and song."""
    setups: dict[object, list[tuple[str, SongFacts]]] = {}
    for song in songs:
        setups.setdefault(song[1].setup, []).append(song)
    return tuple(found for group in setups.values() if len(group) > 1 for found in _in_setup(group))


def _in_setup(songs: Sequence[tuple[str, SongFacts]]) -> Iterable[Difference]:
    playing = [(name, facts.playing_db) for name, facts in songs]
    for name, usual, here in _odd(playing, PLAYING_DB):
        yield Difference(
            name,
            "close mics",
            "level while the guitar plays",
            f"{usual:.1f} dB",
            f"{here:.1f} dB",
            "batch-level-drifted",
        )
    for place in range(len(songs[0][1].mics)):
        yield from _of_mic([(name, facts.mics[place]) for name, facts in songs])


def _of_mic(songs: Sequence[tuple[str, MicFacts]]) -> Iterable[Difference]:
    first = songs[0][1]

    def values(of: Callable[[MicFacts], float | None]) -> list[tuple[str, float | None]]:
        return [(name, of(mic)) for name, mic in songs]

    for name, usual, here in _odd(values(lambda m: m.arrival_ms), ROOM_MS if first.role == "room" else CLOSE_MS):
        cm = samples_to_cm(here - usual, 1000)  # at 1000 Hz a sample is a millisecond
        yield Difference(
            name,
            first.mic,
            "arrival after the reference",
            f"{usual:+.3f} ms",
            f"{here:+.3f} ms ({cm:+.1f} cm)",
            "batch-mic-moved",
        )
    for name, usual, here in _odd(values(lambda m: m.polarity), 0.5):
        yield Difference(
            name,
            first.mic,
            "polarity against the reference",
            _spoken_polarity(usual),
            _spoken_polarity(here),
            "batch-polarity-changed",
        )
    for name, usual, here in _odd(values(lambda m: m.level_db), LEVEL_DB):
        yield Difference(
            name, first.mic, "level against the reference", f"{usual:+.1f} dB", f"{here:+.1f} dB", "batch-level-drifted"
        )


def _odd(values: Sequence[tuple[str, float | None]], tolerance: float) -> list[tuple[str, float, float]]:
    """(song, usual value, its own value) of every song that is beyond the tolerance."""
    known = [(name, value) for name, value in values if value is not None]
    if not known:
        return []
    ordered = sorted(value for _, value in known)

    def agreeing(value: float) -> int:
        return bisect_right(ordered, value + tolerance) - bisect_left(ordered, value - tolerance)

    usual = max((value for _, value in known), key=agreeing)
    return [(name, usual, value) for name, value in known if abs(value - usual) > tolerance]


def _spoken_polarity(value: float) -> str:
    return "inverted" if value < 0 else "normal"


STEP_DB = 0.01
"""Trims are whole steps, so that a song is not rendered again over nothing."""


@dataclass(frozen=True, slots=True)
class Matching:
    """target_lufs: loudness of the softest song before any matching; trims_db: the extra trim each song gets (<= 0)."""

    target_lufs: float | None
    trims_db: Mapping[str, float]
    findings: tuple[Finding, ...]

    def told(self) -> str:
        """What was matched to what, as one line; '' where nothing could be."""
        if self.target_lufs is None:
            return ""
        return f"guitar buses matched to {self.target_lufs:.2f} LUFS, the softest song's"


def match_loudness(songs: Sequence[tuple[str, SongFacts]]) -> Matching:
    """The extra trims of songs (name, facts as last rendered), and a finding for each that cannot be matched."""
    loudness = {
        name: facts.loudness_lufs - facts.extra_trim_db for name, facts in songs if facts.loudness_lufs is not None
    }
    findings = tuple(
        Finding("batch-not-matched", "warning", name, "the loudness of its guitar bus is not known")
        for name, facts in songs
        if facts.loudness_lufs is None
    )
    target = min(loudness.values(), default=None)
    trims = {} if target is None else {name: _whole_steps(target - lufs) for name, lufs in loudness.items()}
    return Matching(target, trims, findings)


def _whole_steps(trim_db: float) -> float:
    return round(round(trim_db / STEP_DB) * STEP_DB, 6) + 0.0
