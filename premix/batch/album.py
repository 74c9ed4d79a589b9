"""What differs across the songs of an album, and the trims that make their guitar buses equally loud.

Differences are told between songs that share a set-up: a mic that was moved, a polarity, a level. They come from the
prints of their set-ups (`premix.measures.drift`) and are told where they exceed their errors. A song without a print,
as it holds too little riff, is held against the others by fixed tolerances. A song's value is then the
median of its performances. The usual value is the one that most songs hold within the tolerance, of equals the earlier
song's; so one song that differs never bends it, and of two songs the second is held against the first. Tolerances are
ours: 1 cm of a close mic's distance is 29 microseconds, over which 6 kHz turns by 63 degrees; room mics are estimated
more coarsely. Levels differ between songs by what is played, so only drifts beyond that are told.

Matching takes every song's guitar bus down to the softest one's loudness: one gain a song, for all its files, on top of
the trim that keeps it under the ceiling. The balance inside a song stays, nothing is turned up, no ceiling is passed.
Loudness is the integrated one of the guitar bus (ITU-R BS.1770).
"""

import contextlib
import json
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from premix.audio.writer import storage_error
from premix.delivery.documents import json_text
from premix.delivery.whole import write_text_file
from premix.errors import DeliveryError, Finding, Problem, Severity
from premix.measures.drift import Change, Drift, DriftPoint, drift_of
from premix.measures.meters import GUITARS
from premix.model.manifest import DecisionEntry, FileEntry, Manifest
from premix.model.settings import Limits
from premix.units import samples_to_cm

CLOSE_MS, ROOM_MS = 0.03, 0.3
LEVEL_DB, PLAYING_DB = 2.0, 3.0
STEP_DB = 0.01
"""Trims are whole steps, so that a song is not rendered again over nothing."""

Songs = Sequence[tuple[str, Manifest]]
"""Each song's name and manifest."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One song's value beside the usual one of its set-up, in words with units."""

    song: str
    subject: str
    what: str
    usual: str
    here: str
    slug: str
    measured: bool = False

    def finding(self) -> Finding:
        """measured: `here` says it with its error, in a sentence."""
        message = f"{self.what}: {self.here}, in the other songs {self.usual}"
        severity: Severity = "info" if self.slug == "batch-air-changed" else "warning"
        return Finding(self.slug, severity, f"{self.song}/{self.subject}", self.here if self.measured else message)


def drifts_of(songs: Songs) -> tuple[Drift, ...]:
    """The set-up over the songs in their order, of each set-up that two songs or more have."""
    found = (drift_of([(name, manifest.setup) for name, manifest in group]) for group in _groups(songs))
    return tuple(drift for drift in found if drift is not None)


def differences(songs: Songs, drifts: Sequence[Drift] = ()) -> tuple[Difference, ...]:
    """All differences between the songs of each set-up: those of the drifts, then by set-up, mic and song."""
    of_prints = [_difference(change) for drift in drifts for change in drift.changes if change.kind in _SLUGS]
    held = {song for drift in drifts for song in drift.songs}
    of_figures = (found for group in _groups(songs) for found in _in_setup(group))
    return (*of_prints, *(d for d in of_figures if d.subject == _ALL or d.song not in held))


def _groups(songs: Songs) -> list[list[tuple[str, Manifest]]]:
    """Songs that share a set-up, two or more."""
    setups: dict[object, list[tuple[str, Manifest]]] = {}
    for song in songs:
        setups.setdefault(_setup(song[1]), []).append(song)
    return [group for group in setups.values() if len(group) > 1]


_ALL = "close mics"
_SLUGS = {
    "moved": "batch-mic-moved",
    "level": "batch-level-drifted",
    "turned": "batch-polarity-changed",
    "top": "batch-colour-changed",
    "colour": "batch-colour-changed",
    "swapped": "batch-names-swapped",
    "temperature": "batch-air-changed",
}
"""Kind of a change -> the message for it."""


def _difference(change: Change) -> Difference:
    what = {"level": "level", "top": "colour", "turned": "polarity", "swapped": "names", "temperature": "temperature"}
    return Difference(
        song=change.song,
        subject=change.subject,
        what=what.get(change.kind, "place" if change.kind == "moved" else change.kind),
        usual="as in the songs before",
        here=change.words,
        slug=_SLUGS[change.kind],
        measured=True,
    )


def beyond_limits(drifts: Sequence[Drift], limits: Limits) -> dict[str, list[Finding]]:
    """Broken limits of the set-up by song: a mic that stands, or is loud, otherwise than in the first song by more than
    the limit, and by more than its error."""
    broken: dict[str, list[Finding]] = {}
    for drift in drifts:
        for mic in drift.mics:
            for point in mic.points:
                for finding in _broken(mic.mic, point, drift.songs[0], limits):
                    broken.setdefault(point.song, []).append(finding)
    return broken


def _broken(mic: str, point: DriftPoint, first: str, limits: Limits) -> Iterator[Finding]:
    moved, level = _beyond(point.moved_mm, point.moved_within_mm), _beyond(point.level_db, point.level_within_db)
    if limits.setup_moved_mm is not None and abs(moved) > limits.setup_moved_mm:
        what = f"moved by {moved:+.1f} mm against {first}, allowed is at most {limits.setup_moved_mm:g} mm"
        yield Finding("limit-setup-moved", "error", mic, what)
    if limits.setup_level_db is not None and abs(level) > limits.setup_level_db:
        what = f"level is {level:+.2f} dB against {first}, allowed is at most {limits.setup_level_db:g} dB"
        yield Finding("limit-setup-level", "error", mic, what)


def _beyond(value: float | None, within: float | None) -> float:
    """The value where it exceeds its error, else 0."""
    return value if value is not None and within is not None and abs(value) > within else 0.0


def _setup(manifest: Manifest) -> tuple[str, tuple[tuple[str, str], ...]]:
    """What songs must have in common to be compared: the reference, and the mics with their roles."""
    roles: dict[str, str] = {}
    for decision in manifest.alignment:
        roles.setdefault(decision.mic, decision.role)
    return next((d.reference for d in manifest.alignment), ""), tuple(roles.items())


_Held = tuple[str, str, str, float, Callable[[Manifest], float | None], Callable[[float], str]]
"""What songs are held against each other by: subject, what, slug, tolerance, a song's value, and how it is said."""


def _in_setup(songs: Songs) -> Iterator[Difference]:
    moved, inverted, drifted = "batch-mic-moved", "batch-polarity-changed", "batch-level-drifted"
    held: list[_Held] = [(_ALL, "level while the guitar plays", drifted, PLAYING_DB, _playing_db, "{:.1f} dB".format)]
    for mic, role in _setup(songs[0][1])[1]:
        arrival, polarity, level = (partial(value, mic=mic) for value in (_arrival_ms, _polarity, _level_db))
        near_ms = ROOM_MS if role == "room" else CLOSE_MS
        held += [
            (mic, "arrival after the reference", moved, near_ms, arrival, "{:+.3f} ms".format),
            (
                mic,
                "polarity against the reference",
                inverted,
                0.5,
                polarity,
                lambda it: "inverted" if it < 0 else "normal",
            ),
            (mic, "level against the reference", drifted, LEVEL_DB, level, "{:+.1f} dB".format),
        ]
    for subject, what, slug, tolerance, value, spoken in held:
        for song, usual, here in _odd([(name, value(manifest)) for name, manifest in songs], tolerance):
            apart = f" ({samples_to_cm(here - usual, 1000):+.1f} cm)" if slug == moved else ""  # a ms is one at 1000 Hz
            yield Difference(song, subject, what, spoken(usual), spoken(here) + apart, slug)


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


def _playing_db(manifest: Manifest) -> float | None:
    """Level of the close mics while the guitar plays."""
    return _median(gate.loud_db for gate in manifest.gate)


def _arrival_ms(manifest: Manifest, mic: str) -> float | None:
    """When the mic hears the guitar after the reference."""
    arrival = _median(d.arrival_samples for d in _sure(manifest, mic))
    return None if arrival is None else arrival * (1000.0 / manifest.rate)


def _polarity(manifest: Manifest, mic: str) -> int | None:
    """The polarity against the reference that all performances agree on; None where they do not, or nobody can tell."""
    sure = _sure(manifest, mic)
    clear = {d.polarity for d in sure if d.role != "room" or d.polarity_clear}
    return clear.pop() if len(clear) == 1 else None


def _level_db(manifest: Manifest, mic: str) -> float | None:
    """The mic's level as recorded against the reference mic's."""
    levels = {(i.performance, i.mic): i.rms_dbfs for i in manifest.inputs}
    own = [d for d in manifest.alignment if d.mic == mic]
    pairs = ((levels.get((d.performance, mic)), levels.get((d.performance, d.reference))) for d in own)
    return _median(None if level is None or other is None else level - other for level, other in pairs)


def _sure(manifest: Manifest, mic: str) -> list[DecisionEntry]:
    """The mic's decisions that were found, neither refused nor set by hand."""
    return [d for d in manifest.alignment if d.mic == mic and d.origin == "auto" and d.refusal is None]


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None


@dataclass(frozen=True, slots=True)
class Matching:
    """target_lufs: loudness of the softest song before any matching; trims_db: the extra trim each song gets (<= 0).
    kept: whether the target is that of an earlier batch."""

    target_lufs: float | None
    trims_db: Mapping[str, float]
    findings: tuple[Finding, ...]
    kept: bool = False

    def told(self) -> str:
        """What was matched to what, as one line; '' where nothing could be."""
        if self.target_lufs is None:
            return ""
        whose = f"as {LEVELS} keeps it (--match none clears it)" if self.kept else "the softest song's"
        return f"guitar buses matched to {self.target_lufs:.2f} LUFS, {whose}"


def guitar_bus(manifest: Manifest) -> FileEntry | None:
    """The file of the whole guitar bus, None where it is not delivered."""
    return next((file for file in manifest.files if file.part == GUITARS), None)


def match_loudness(songs: Songs, kept_lufs: float | None = None) -> Matching:
    """The extra trims of songs by their manifests as last rendered, and a finding for each that cannot be matched.

    kept_lufs: the target of an earlier batch; a song that is softer stays as it is, and is told.
    """
    loudness, findings = {}, []
    for name, manifest in songs:
        guitars = guitar_bus(manifest)
        if guitars is None or guitars.loudness_lufs is None:
            what = "the loudness of its guitar bus is not known"
            findings.append(Finding("batch-not-matched", "warning", name, what))
        else:
            loudness[name] = guitars.loudness_lufs - manifest.extra_trim_db
    target = min(loudness.values(), default=0.0) if kept_lufs is None else kept_lufs
    trims = {name: round(round((target - lufs) / STEP_DB) * STEP_DB, 6) + 0.0 for name, lufs in loudness.items()}
    for name, trim_db in trims.items():
        if trim_db > 0.0:
            what = f"its guitar bus is {trim_db:.2f} dB softer than the {target:.2f} LUFS that the album keeps"
            findings.append(Finding("batch-below-album", "warning", name, what))
    trims = {name: min(trim_db, 0.0) for name, trim_db in trims.items()}
    return Matching(target if loudness else None, trims, tuple(findings), kept_lufs is not None)


LEVELS = "album_levels.json"
"""Name of the file in a batch's OUT that keeps the loudness its songs were matched to."""


def kept_levels(out: Path) -> float | None:
    """The loudness in LUFS that an earlier batch matched OUT's songs to; None where none did.

    Raises DeliveryError where the file is there and cannot be read.
    """
    path = out / LEVELS
    try:
        found = json.loads(path.read_text("utf-8"))["target_lufs"]
        if isinstance(found, (int, float)) and not isinstance(found, bool) and -100.0 <= found <= 20.0:
            return float(found)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        pass
    raise DeliveryError(Problem("batch-levels", str(path), "the album's loudness cannot be read from it"))


def keep_levels(out: Path, matching: Matching) -> None:
    """Keep what the songs were matched to for the next batch; songs of earlier batches with the same target stay."""
    trims = dict(matching.trims_db)
    if matching.kept:
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            trims = {**json.loads((out / LEVELS).read_text("utf-8"))["trims_db"], **trims}
    document = {"format": 1, "target_lufs": matching.target_lufs, "trims_db": dict(sorted(trims.items()))}
    write_text_file(out / LEVELS, json_text(document) + "\n")


def clear_levels(out: Path) -> None:
    """Forget it. Raises DeliveryError where the file cannot be removed."""
    try:
        (out / LEVELS).unlink(missing_ok=True)
    except OSError as error:
        raise storage_error(out / LEVELS, error) from None
