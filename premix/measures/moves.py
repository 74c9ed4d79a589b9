"""What changed in a set-up between two prints, in words with errors: which mic moved and by how much, whose preamp, who
lost its top, which names are swapped; the reference where all others move together, and the air where they move as
their distances.

A change is named where it exceeds its error, never by a fixed tolerance. Of several explanations the one that needs the
fewest changes is told.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.measures.pooled import pooled_print
from premix.measures.shifts import Curves, curves_of, shifts_of, together, unswapped
from premix.model.set_up import SetUp, SetUpPrint, Shift

SURE = 4.0
"""Standard errors in the error that is told; a change that is named exceeds it."""
ALONE = 2.0
"""What one performance of several says alone must exceed its error by this: it holds few notes."""
Kind = Literal["swapped", "temperature", "moved", "level", "top", "colour", "turned"]
CONVERTER_SHARE = 0.25
"""Standard error of what the air does to a mic: all of its delay may be its converter's and not the air's."""
LEAST_SPREAD_MM = 50.0
"""A mic less far than this behind the reference says nothing of the air."""
MODES_MM = 0.6
"""Standard error of a sub mic a degree; simulated rooms."""
MOST_DEGREES = 30.0
FAR_MM = 1000.0
"""A mic this far away tells the air's temperature nearly alone."""
NEAREST_MM = 15.0
"""Nearer to a speaker no mic stands: so much can a move change its level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One thing that changed. mics: whom it concerns; for `swapped` both. size, within: in `unit`, and how far that may
    be off; within 0: not measured. hz: of a colour. performances: where, if not in all. reference: whether it is the
    reference's, which shows in all others. with_level_db: of a move, what its distance did to the level. known: of the
    air, whether its temperature was told.
    """

    kind: Kind
    mics: tuple[str, ...]
    size: float = 0.0
    within: float = 0.0
    unit: str = ""
    hz: float | None = None
    performances: tuple[str, ...] = ()
    reference: bool = False
    with_level_db: float | None = None
    known: bool = False

    @property
    def subject(self) -> str:
        return ", ".join(self.mics) or "air"

    def words(self) -> str:
        """'ribbon moved 5.0 +- 0.2 mm away from the speaker'."""
        size = f"{abs(self.size):.{_digits(self.within)}f} ± {self.within:.{_digits(self.within)}f} {self.unit}"
        name = " and ".join(self.mics)
        if self.reference:
            name += " (the reference)"
        where = f" in {', '.join(self.performances)}" if self.performances else ""
        return self._what(name, size) + where

    def _what(self, name: str, size: str) -> str:
        if self.kind == "moved":
            level = "" if self.with_level_db is None else f", {self.with_level_db:+.1f} dB with it"
            return f"{name} moved {size} {'away from' if self.size > 0 else 'towards'} the speaker{level}"
        if self.kind == "level":
            return f"{name} is {size} {'louder' if self.size > 0 else 'softer'} in all bands alike: its preamp"
        if self.kind == "top":
            return f"{name} {'has gained' if self.size > 0 else 'has lost'} {size} of its top"
        if self.kind == "colour":
            return f"{name} has another colour: {self.size:+.1f} dB near {self.hz or 0.0:.0f} Hz"
        if self.kind == "swapped":
            return f"{name} have each other's names"
        if self.kind == "turned":
            return f"{name} turned over"
        how = "as told" if self.known else "by how all mics moved together"
        return f"the air is {size} {'warmer' if self.size > 0 else 'colder'}, {how}; taken out"


def _digits(within: float) -> int:
    return 1 if within >= 0.095 else 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A print against a base. shifts: of every mic, after swapped names are put right and the air is taken out.
    statements: what changed. missing, new: mics that only one of the two has."""

    shifts: tuple[Shift, ...]
    statements: tuple[Statement, ...]
    missing: tuple[str, ...] = ()
    new: tuple[str, ...] = ()


def compared(
    base: SetUpPrint, base_setup: SetUp, setup: SetUp, temperatures_c: tuple[float, float] | None = None
) -> Comparison:
    """A song's set-up against a base print (of `base_setup`). temperatures_c: of the base and the song, where known."""
    home = curves_of(base, base_setup)
    if temperatures_c is None and base_setup.temperature_c != setup.temperature_c:
        temperatures_c = base_setup.temperature_c, setup.temperature_c
    base_c = base_setup.temperature_c if temperatures_c is None else temperatures_c[0]
    told: list[Statement] = []
    alone: dict[str, Comparison] = {}
    named: list[SetUpPrint] = []
    exchanged: list[Curves] = []
    swaps: dict[tuple[str, str], list[str]] = {}
    curves = [(own, curves_of(own, setup)) for own in setup.performances]
    found = [unswapped(home, recorded) for _, recorded in curves]
    if elsewhere := tuple(pair for _, pairs in found for pair in pairs):
        found = [unswapped(home, recorded, elsewhere) for _, recorded in curves]
    for (own, _), (put_right, pairs) in zip(curves, found, strict=True):
        for pair in pairs:
            swaps.setdefault(pair, []).append(own.performance or "")
        if not pairs:
            named.append(own)
        exchanged.append(put_right)
        alone[own.performance or ""] = _alone(home, put_right, base_c, temperatures_c)
    for pair, places in swaps.items():
        everywhere = len(places) == len(setup.performances)
        told.append(Statement(kind="swapped", mics=pair, performances=() if everywhere else tuple(places)))
    pooled = _pooled(named, setup) if named else None
    if pooled is not None and pooled.reference == base.reference:
        whole = _alone(home, curves_of(pooled, setup), base_c, temperatures_c)
    else:
        whole = _alone(home, together(exchanged), base_c, temperatures_c)
    told += [s for s in _agreed(whole, alone) if _sure_of(s, tuple(swaps), base.reference)]
    names = {mic.mic for own in setup.performances for mic in own.mics}
    known = {mic.mic for mic in base.mics}
    missing, new = tuple(sorted(known - names)), tuple(sorted(names - known))
    return Comparison(shifts=whole.shifts, statements=tuple(told), missing=missing, new=new)


def pooled_shifts(
    base: SetUpPrint, base_setup: SetUp, setup: SetUp, temperatures_c: tuple[float, float] | None = None
) -> tuple[Shift, ...]:
    """Every mic of a song as a whole against a base print, the air taken out; its performances are not asked."""
    if setup.pooled is None or setup.pooled.reference != base.reference:
        return ()
    home = curves_of(base, base_setup)
    put_right, _ = unswapped(home, curves_of(setup.pooled, setup))
    base_c = base_setup.temperature_c if temperatures_c is None else temperatures_c[0]
    return _alone(home, put_right, base_c, temperatures_c).shifts


def _pooled(prints: Sequence[SetUpPrint], setup: SetUp) -> SetUpPrint | None:
    return pooled_print(prints, setup.centres_hz, setup.rate, setup.temperature_c)


def _alone(home: Curves, other: Curves, base_c: float, temperatures_c: tuple[float, float] | None) -> Comparison:
    shifts = shifts_of(home, other, base_c)
    shifts, statements = explained(shifts, home.reference, base_c, temperatures_c)
    return Comparison(shifts=tuple(shifts), statements=tuple(statements))


def _agreed(whole: Comparison, alone: dict[str, Comparison]) -> Iterator[Statement]:
    """What holds of the song, and what of some of its performances only."""
    kinds: dict[tuple[Kind, tuple[str, ...]], dict[str, Statement]] = {}
    for name, one in alone.items():
        for statement in one.statements:
            kinds.setdefault((statement.kind, statement.mics), {})[name] = statement
    of_all = {(statement.kind, statement.mics): statement for statement in whole.statements}
    for key in dict.fromkeys((*of_all, *kinds)):
        found, own = of_all.get(key), kinds.get(key, {})
        against = [name for name, one in alone.items() if name not in own and _speaks_against(found, one)]
        if found is not None and (not against or not own):
            yield found
        elif own and (len(own) < len(alone) or found is None):
            largest = max(own.values(), key=lambda s: abs(s.size))
            if len(alone) == 1 or len(own) == len(alone):
                yield largest
            elif (found is None or against) and (len(own) > 1 or abs(largest.size) >= ALONE * largest.within):
                yield replace(largest, performances=tuple(own))


def _sure_of(statement: Statement, swaps: Sequence[tuple[str, str]], reference: str) -> bool:
    """Of mics that had each other's names, and of all where the reference is one, nothing more is told: first the names
    are to be put right."""
    doubted = {mic for pair in swaps for mic in pair}
    touched = reference in doubted or bool(doubted & set(statement.mics)) or (bool(doubted) and statement.reference)
    return not touched


def _speaks_against(found: Statement | None, one: Comparison) -> bool:
    """Whether a performance that does not name a change measured well that there is none of this size."""
    if found is None:
        return True
    field, error = _FIELDS.get(found.kind, ("moved_mm", "moved_error_mm"))
    for shift in one.shifts:
        if shift.mic in found.mics:
            return bool(abs(getattr(shift, field) - found.size) > SURE * getattr(shift, error) + found.within)
    return False


_FIELDS = {
    "moved": ("moved_mm", "moved_error_mm"),
    "level": ("level_db", "level_error_db"),
    "top": ("top_db", "top_error_db"),
}


def explained(
    shifts: Sequence[Shift], reference: str, base_c: float, temperatures_c: tuple[float, float] | None = None
) -> tuple[list[Shift], list[Statement]]:
    """What the shifts of all mics say together: the shifts without the air's part, and what changed.

    base_c: temperature that their distances are told at. temperatures_c: of the base and now, where both are known.
    """
    shifts = list(shifts)
    told: list[Statement] = []
    known = temperatures_c is not None
    degrees = 0.0 if temperatures_c is None else temperatures_c[1] - temperatures_c[0]
    within = 0.0
    if temperatures_c is None:
        degrees, within = _warmer(shifts, base_c)
    if degrees:
        shifts = [_in_air(shift, base_c, degrees, within) for shift in shifts]
        told.append(Statement(kind="temperature", mics=(), size=degrees, within=within, unit="K", known=known))
    moves = _events(shifts, reference, "moved", "mm", lambda s: s.moved_mm, lambda s: s.moved_error_mm)
    moved = {mic for move in moves for mic in move.mics}
    levels = _events(shifts, reference, "level", "dB", lambda s: s.level_db, lambda s: s.level_error_db)
    told += [_with_level(move, levels) for move in moves]
    told += [level for level in levels if not _goes_with_move(level, moves)]
    if not degrees and reference not in moved:
        still = [shift for shift in shifts if shift.mic not in moved]
        tops = _events(still, reference, "top", "dB", lambda s: s.top_db, lambda s: s.top_error_db)
        told += tops
        topped = {mic for top in tops for mic in top.mics}
        odd = [s for s in still if s.colour_db and s.mic not in topped and reference not in topped]
        shared = len(odd) > 1 and len(odd) == len([s for s in still if s.role == "close"])
        if shared:
            first = max(odd, key=lambda s: abs(s.colour_db))
            told.append(_colour((reference,), -first.colour_db, first.colour_hz, reference=True))
        else:
            told += [_colour((s.mic,), s.colour_db, s.colour_hz) for s in odd]
    turned = [shift.mic for shift in shifts if shift.turned]
    if len(turned) > 1 and len(turned) == len(shifts):
        told.append(Statement(kind="turned", mics=(reference,), reference=True))
    else:
        told += [Statement(kind="turned", mics=(mic,)) for mic in turned]
    return shifts, told


def _colour(mics: tuple[str, ...], db: float, hz: float, *, reference: bool = False) -> Statement:
    return Statement(kind="colour", mics=mics, size=db, unit="dB", hz=round(hz), reference=reference)


def _events(
    shifts: Sequence[Shift],
    reference: str,
    kind: Kind,
    unit: str,
    value: Callable[[Shift], float],
    error: Callable[[Shift], float],
) -> list[Statement]:
    """The changes of one kind: of single mics, or of the reference where that takes fewer."""
    known = [shift for shift in shifts if np.isfinite(error(shift))]
    sizes, withins = np.array([value(s) for s in known]), SURE * np.array([error(s) for s in known])
    alone = np.flatnonzero(np.abs(sizes) > withins)
    common, within = _common(sizes, withins)
    rest = np.flatnonzero(np.abs(sizes - common) > np.hypot(withins, within))
    told = []
    if abs(common) > within and len(rest) + 1 < len(alone):
        told.append(Statement(kind=kind, mics=(reference,), size=-common, within=within, unit=unit, reference=True))
        sizes, alone = sizes - common, rest
    for at in alone.tolist():
        told.append(
            Statement(kind=kind, mics=(known[at].mic,), size=float(sizes[at]), within=float(withins[at]), unit=unit)
        )
    return told


def _common(sizes: FloatArray, withins: FloatArray) -> tuple[float, float]:
    """What most mics share, by a weighted median, and how sure that is."""
    if not len(sizes):
        return 0.0, np.inf
    order = np.argsort(sizes)
    weight = 1.0 / np.maximum(withins, 1e-6)
    half = np.searchsorted(np.cumsum(weight[order]), 0.5 * weight.sum())
    middle = float(sizes[order][min(half, len(sizes) - 1)])
    near = np.abs(sizes - middle) <= withins
    square = 1.0 / np.maximum(withins[near], 1e-6) ** 2
    return float((sizes[near] * square).sum() / square.sum()), float(1.0 / np.sqrt(square.sum()))


def _with_level(move: Statement, levels: Sequence[Statement]) -> Statement:
    level = next((one for one in levels if one.mics == move.mics and _goes_with_move(one, [move])), None)
    return move if level is None else replace(move, with_level_db=round(level.size, 2))


def _goes_with_move(level: Statement, moves: Sequence[Statement]) -> bool:
    """Whether a change of level is what the mic's own move does: nearer is louder, by the distance's share at most."""
    for move in moves:
        if move.mics == level.mics and move.size * level.size < 0.0:
            return abs(level.size) <= 8.7 * abs(move.size) / NEAREST_MM
    return False


def _warmer(shifts: Sequence[Shift], base_c: float) -> tuple[float, float]:
    """(degrees, within) by which the air is warmer, where three mics or more say so and it explains their moves; (0, 0)
    else."""
    far = [s for s in shifts if abs(s.path_mm) >= LEAST_SPREAD_MM and s.role != "sub" and np.isfinite(s.moved_error_mm)]
    moved = [s for s in far if abs(s.moved_mm) > SURE * s.moved_error_mm]
    lead = max(moved, key=lambda s: abs(s.path_mm), default=None)
    if lead is None or len(moved) < (2 if abs(lead.path_mm) > FAR_MM else 3):
        return 0.0, 0.0
    # What the furthest says most.
    weight = np.array([(s.path_mm / s.moved_error_mm) ** 2 for s in moved])
    share = float((weight * [s.moved_mm / s.path_mm for s in moved]).sum() / weight.sum())
    share = lead.moved_mm / lead.path_mm if abs(lead.path_mm) > FAR_MM else share
    degrees = _degrees(share, base_c)
    if not 0.0 < abs(degrees) <= MOST_DEGREES:
        return 0.0, 0.0
    within_share = SURE * lead.moved_error_mm / abs(lead.path_mm)
    left = [_in_air(s, base_c, degrees, 0.0) for s in shifts]
    still = sum(abs(s.moved_mm) > SURE * s.moved_error_mm for s in left if np.isfinite(s.moved_error_mm))
    common, within = _common(np.array([s.moved_mm for s in far]), SURE * np.array([s.moved_error_mm for s in far]))
    together = sum(abs(s.moved_mm - common) > np.hypot(SURE * s.moved_error_mm, within) for s in far)
    if still >= max(1, min(len(moved) - 1, together + 1)):
        return 0.0, 0.0
    return degrees, abs(_degrees(share + within_share, base_c) - degrees)


def _degrees(share: float, base_c: float) -> float:
    """Kelvin by which the air is warmer where all delays grow by `share` (c as the square root of T, ISO 9613-1)."""
    return (base_c + 273.15) * ((1.0 + share) ** -2 - 1.0)


def _in_air(shift: Shift, base_c: float, degrees: float, within: float) -> Shift:
    """The shift without what warmer air does to it; part of its delay may be a converter's, and stays."""
    ratio = np.sqrt((base_c + 273.15) / (base_c + degrees + 273.15)) - 1.0
    part = shift.path_mm * float(ratio)
    unsure = CONVERTER_SHARE * part
    error = float(np.hypot(shift.moved_error_mm, unsure))
    if shift.role == "sub":  # the room's modes move as well, and turn the phase of its few bands
        error = float(np.hypot(error, MODES_MM * degrees))
    return replace(shift, moved_mm=shift.moved_mm - part, moved_error_mm=error)
