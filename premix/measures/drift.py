"""Set-ups of several songs in their order: who moved when, and where every mic stands against the first song.

Each song is held against those since the last change, put together: so a change is named once, in the song in which it
happened, and the longer nothing changes the smaller a change is seen.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.measures.moves import SURE, Comparison, Statement, compared, pooled_shifts
from premix.measures.pooled import pooled_print
from premix.model.set_up import SetUp, SetUpPrint, Shift

MOST_POOLED = 12
"""So many songs since the last change are put together; more would know little more."""
Songs = Sequence[tuple[str, SetUp | None]]
"""Each song's name and set-up; None: it tells nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftPoint:
    """One mic in one song against the first song. within: how far the figure may be off. None: nothing to tell."""

    song: str
    moved_mm: float | None
    moved_within_mm: float | None
    level_db: float | None
    level_within_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MicDrift:
    """One mic through all songs, in their order."""

    mic: str
    role: str
    points: tuple[DriftPoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something that changed in a song against the songs before. mics: whom it concerns. kind, size, within, unit, hz,
    performances, reference, with_level_db, known: as it was measured. words: in a sentence."""

    song: str
    kind: str
    mics: tuple[str, ...]
    size: float
    within: float
    unit: str
    words: str
    hz: float | None = None
    performances: tuple[str, ...] = ()
    reference: bool = False
    with_level_db: float | None = None
    known: bool = False

    @property
    def subject(self) -> str:
        return ", ".join(self.mics) or "air"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Songs of one set-up. songs: those that were compared, in their order; left_out: those that tell nothing, or have
    another reference. mics: each against the first song. changes: by song, what changed then."""

    reference: str
    songs: tuple[str, ...]
    left_out: tuple[str, ...]
    mics: tuple[MicDrift, ...]
    changes: tuple[Change, ...]


def drift_of(songs: Songs, temperatures_c: Mapping[str, float] | None = None) -> Drift | None:
    """The songs in their order against each other; None where there are not two to compare.

    temperatures_c: of the air by song, where somebody read a thermometer.
    """
    told = [(name, setup) for name, setup in songs if setup is not None and setup.pooled is not None]
    reference = told[0][1].pooled.reference if told and told[0][1].pooled is not None else ""
    same = [(name, setup) for name, setup in told if setup.pooled is not None and setup.pooled.reference == reference]
    if len(same) < 2:
        return None
    known = temperatures_c or {}
    stretch, changes = [same[0]], list[Change]()
    against_first: list[tuple[Shift, ...]] = [()]
    for name, setup in same[1:]:
        since = stretch[-1][0]
        now = compared(
            _together([s for _, s in stretch[-MOST_POOLED:]]), stretch[0][1], setup, _temperatures(known, since, name)
        )
        told_of = [_change(name, statement) for statement in now.statements]
        changes += [*told_of, *_come_and_gone(name, now)]
        lasting = [s for s in now.statements if not s.performances and s.kind != "swapped"]
        fits = setup.rate == stretch[0][1].rate and setup.temperature_c == stretch[0][1].temperature_c
        stretch = (
            [*stretch, (name, setup)] if not now.statements and fits else stretch if not lasting else [(name, setup)]
        )
        first = same[0]
        thermometer = _temperatures(known, first[0], name)
        against_first.append(pooled_shifts(_together([first[1]]), first[1], setup, thermometer))
    compared_names = {name for name, _ in same}
    return Drift(
        reference=reference,
        songs=tuple(name for name, _ in same),
        left_out=tuple(name for name, _ in songs if name not in compared_names),
        mics=_mics(same, against_first),
        changes=tuple(changes),
    )


def _together(setups: Sequence[SetUp]) -> SetUpPrint:
    """The prints of songs between which nothing changed, as one."""
    prints = [setup.pooled for setup in setups if setup.pooled is not None]
    first = setups[0]
    found = pooled_print(prints, first.centres_hz, first.rate, first.temperature_c)
    return found if found is not None else prints[0]


def _temperatures(known: Mapping[str, float], base: str, song: str) -> tuple[float, float] | None:
    return (known[base], known[song]) if base in known and song in known else None


def _change(song: str, statement: Statement) -> Change:
    return Change(
        song=song,
        kind=statement.kind,
        mics=statement.mics,
        size=round(statement.size, 3),
        within=round(statement.within, 3),
        unit=statement.unit,
        words=statement.words(),
        hz=statement.hz,
        performances=statement.performances,
        reference=statement.reference,
        with_level_db=statement.with_level_db,
        known=statement.known,
    )


def _come_and_gone(song: str, now: Comparison) -> list[Change]:
    gone = [("gone", mic, f"{mic} is not there") for mic in now.missing]
    new = [("new", mic, f"{mic} is new") for mic in now.new]
    return [
        Change(song=song, kind=kind, mics=(mic,), size=0.0, within=0.0, unit="", words=words)
        for kind, mic, words in (*gone, *new)
    ]


def _mics(same: Sequence[tuple[str, SetUp]], against_first: Sequence[tuple[Shift, ...]]) -> tuple[MicDrift, ...]:
    first = same[0][1].pooled
    assert first is not None, "the first song tells something"
    found = []
    for mic in first.mics:
        points = [DriftPoint(song=same[0][0], moved_mm=0.0, moved_within_mm=0.0, level_db=0.0, level_within_db=0.0)]
        for (name, _), now in zip(same[1:], against_first[1:], strict=True):
            shift = next((shift for shift in now if shift.mic == mic.mic), None)
            figures: tuple[float | None, ...] = (None,) * 4
            if shift is not None:
                figures = tuple(
                    round(float(value), 3) if np.isfinite(value) else None
                    for value in (
                        shift.moved_mm,
                        SURE * shift.moved_error_mm,
                        shift.level_db,
                        SURE * shift.level_error_db,
                    )
                )
            moved, moved_within, level, level_within = figures
            points.append(
                DriftPoint(
                    song=name,
                    moved_mm=moved,
                    moved_within_mm=moved_within,
                    level_db=level,
                    level_within_db=level_within,
                )
            )
        found.append(MicDrift(mic=mic.mic, role=mic.role, points=tuple(points)))
    return tuple(found)
