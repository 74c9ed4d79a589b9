"""One print against another: how far each mic has moved, how its level and its colour have changed, with errors.

The ratio of two transfer functions of one mic has a phase that falls evenly with frequency where the mic has moved, and
nothing else: the mic's own phase is in both. So the move is a fit over the bands (Huber's weights, "Robust Estimation
of a Location Parameter", Annals of Mathematical Statistics 35(1), 1964), and where the bands do not fit, the error
says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.measures.pooled import Curve, curve_of, mean_of, own_bands, wrapped
from premix.model.set_up import SetUp, SetUpPrint, Shift
from premix.units import speed_of_sound_m_s

MOST_S = 0.003
"""Moves are looked for up to a metre of path."""
NEAR_S, FAR = 90e-6, 1.3
"""Within 30 mm of path a move is believed at once; one further away must fit so much better."""
LEAST_FIT = 0.6
"""Of bands whose phases agree by less than this nobody can say where the mic has gone; 1: all agree."""
ROUGH_RAD, EVEN_RAD = 0.05, 0.2
LEAST_BANDS = 3
HUBER, ROUNDS = 2.0, 6
OF_MOVE = {"close": 0.03, "sub": 0.15, "room": 0.05}
"""Part of a move that the reflections around the mic take or add: standard error, by role; simulated rooms."""
OF_LEVEL, LEVEL_OF_MOVE = 0.02, 0.01
"""Part of a change of level, and dB a mm of a move: the same."""
TOP_HZ, BODY_HZ = 3900.0, 1500.0
"""Where the top of a mic begins, and where what it is held against ends."""
OF_NOTES = {"close": 1.0, "sub": 1.5, "room": 1.2}
"""Errors of a place are too small by this: few low bands hold few notes; between steady songs of simulated rigs."""
LEAST_ERROR_DB = 0.015
MM_OF_COLOUR = 0.1
"""Standard error of a place, in mm a dB by which the colour has changed: its phase is only guessed above 6 kHz."""
ROUGH_BAND_DB = 0.05
ODD_BAND = 6.0
"""So many standard errors must two neighbouring bands be off for the colour to be another."""


@dataclass(frozen=True, slots=True)
class Curves:
    """The mics of a print by name, and their roles. reference: whose curve is none: every other is against it."""

    reference: str
    mics: Mapping[str, Curve]
    roles: Mapping[str, str]
    paths_s: Mapping[str, float]
    rate: int

    def exchanged(self, a: str, b: str) -> "Curves":
        """As they would be if the files of two mics had each other's names."""
        if self.reference not in (a, b):
            mics = {**self.mics, a: self.mics[b], b: self.mics[a]}
            return replace(self, mics=mics, paths_s={**self.paths_s, a: self.paths_s[b], b: self.paths_s[a]})
        other = b if a == self.reference else a
        pivot = self.mics[other]
        mics = {name: _less(curve, pivot) for name, curve in self.mics.items()}
        mics[other] = replace(pivot, levels=-pivot.levels, phases=-pivot.phases)
        paths = {name: path - self.paths_s[other] for name, path in self.paths_s.items()}
        return replace(self, mics=mics, paths_s={**paths, other: -self.paths_s[other]})


def _less(curve: Curve, pivot: Curve) -> Curve:
    """The curve against what the pivot is."""
    return replace(
        curve,
        levels=curve.levels - pivot.levels,
        phases=curve.phases - pivot.phases,
        level_errors=np.hypot(curve.level_errors, pivot.level_errors),
        phase_errors=np.hypot(curve.phase_errors, pivot.phase_errors),
        used=curve.used & pivot.used,
    )


def curves_of(one: SetUpPrint, setup: SetUp) -> Curves:
    """The mics of a print that tell something."""
    told = [mic for mic in one.mics if mic.delay_samples is not None]
    return Curves(
        one.reference,
        {mic.mic: curve_of(mic, setup.centres_hz, setup.rate) for mic in told},
        {mic.mic: mic.role for mic in told},
        {mic.mic: (mic.delay_samples or 0.0) / setup.rate for mic in told},
        setup.rate,
    )


def together(several: Sequence[Curves]) -> Curves:
    """Prints of one set-up as one: every band the mean, weighed by the errors."""
    first = several[0]
    mics = {name: _mean_curve([own.mics[name] for own in several if name in own.mics]) for name in first.mics}
    return replace(first, mics=mics)


def _mean_curve(curves: Sequence[Curve]) -> Curve:
    if len(curves) == 1:
        return curves[0]
    home = next((curve for curve in curves if curve.used.all()), max(curves, key=lambda c: int(c.used.sum())))
    used = np.array([curve.used for curve in curves]) & home.used
    levels, level_errors = mean_of(
        np.array([c.levels for c in curves]), np.array([c.level_errors for c in curves]), used
    )
    off = np.array([wrapped(c.phases - home.phases) for c in curves])
    phases, phase_errors = mean_of(off, np.array([c.phase_errors for c in curves]), used)
    return replace(
        home,
        levels=levels,
        level_errors=level_errors,
        phases=home.phases + phases,
        phase_errors=phase_errors,
        used=np.asarray(used.any(axis=0)),
    )


def shifts_of(base: Curves, other: Curves, temperature_c: float) -> list[Shift]:
    """Every mic that both know and have two bands of. temperature_c: of the base."""
    found = []
    for name, curve in base.mics.items():
        if name in other.mics and (shift := _shift(base, other, name, curve, temperature_c)) is not None:
            found.append(shift)
    return found


def _shift(base: Curves, other: Curves, name: str, curve: Curve, temperature_c: float) -> Shift | None:
    there = other.mics[name]
    used = curve.used & there.used
    if used.sum() < LEAST_BANDS:
        return None
    role = base.roles[name]
    levels = (there.levels - curve.levels)[used]
    level_errors = np.hypot(curve.level_errors, there.level_errors)[used]
    phases = wrapped(there.phases - curve.phases)[used]
    phase_errors = np.hypot(curve.phase_errors, there.phase_errors)[used]
    omega = curve.omega[used] * base.rate
    centres_hz = omega / (2.0 * np.pi)
    level, level_error, top, top_error = _level(levels, level_errors, centres_hz if role != "sub" else 0.0 * centres_hz)
    left = levels - level - np.where(top, np.interp(np.log(centres_hz), np.log([BODY_HZ, TOP_HZ]), [0.0, top]), 0.0)
    mine = own_bands(role)[used]
    odd_db, odd_hz = _odd_band(left[mine], np.hypot(level_errors[mine], ROUGH_BAND_DB), centres_hz[mine])
    if top or odd_db:  # another colour turns the phase, and is no move
        phases = wrapped(phases - least_phase(levels, omega))
    late_s, late_error_s, sign = _moved(phases, phase_errors, omega)
    mm = 1000.0 * speed_of_sound_m_s(temperature_c)
    moved, coloured = mm * late_s, MM_OF_COLOUR * max(abs(top), abs(odd_db))
    return Shift(
        mic=name,
        role=role,
        path_mm=mm * base.paths_s[name],
        moved_mm=moved,
        moved_error_mm=float(np.linalg.norm([OF_NOTES[role] * mm * late_error_s, OF_MOVE[role] * moved, coloured])),
        level_db=level,
        level_error_db=float(
            np.linalg.norm([OF_NOTES[role] * level_error, LEAST_ERROR_DB, OF_LEVEL * level, LEVEL_OF_MOVE * moved])
        ),
        top_db=top if top_error < np.inf else 0.0,
        top_error_db=top_error,
        colour_db=odd_db,
        colour_hz=odd_hz,
        turned=sign < 0,
    )


def _moved(phases: FloatArray, errors: FloatArray, omega: FloatArray) -> tuple[float, float, int]:
    """How much later, in s, with its standard error, and whether the sign is the same (1) or another (-1)."""
    rough = 1.0 / (errors**2 + ROUGH_RAD**2)
    reach, turns = _turns(omega.tobytes())
    sums = (turns @ (rough * np.exp(1j * phases))).real
    # Near is likelier than far, and a polarity stays rather than not.
    likely = np.abs(sums) * np.where(np.abs(reach) > NEAR_S, 1.0 / FAR, 1.0) * np.where(sums > 0.0, 1.0, 0.95)
    best = int(np.argmax(likely))
    late, sign = float(reach[best]), 1 if sums[best] > 0.0 else -1
    weight, huber = 1.0 / errors**2, np.ones(len(errors))
    off = phases
    for _ in range(ROUNDS):
        off = wrapped(phases + late * omega + (np.pi if sign < 0 else 0.0))
        huber = _huber(off, errors)
        late -= float((weight * huber * omega * off).sum() / (weight * huber * omega**2).sum())
    off = wrapped(phases + late * omega + (np.pi if sign < 0 else 0.0))
    chi = float((weight * huber * off**2).sum()) / max(1, len(off) - 1)
    evenly = 1.0 / (errors**2 + EVEN_RAD**2)
    if min(abs(sums[best]) / rough.sum(), float((evenly * np.cos(off)).sum() / evenly.sum())) < LEAST_FIT:
        return late, np.inf, sign
    return late, float(np.sqrt(max(1.0, chi) / (weight * huber * omega**2).sum())), sign


@lru_cache(maxsize=64)
def _turns(omega_bytes: bytes) -> tuple[FloatArray, ComplexArray]:
    """Every delay that is tried, in s, (delays), and how it turns each band, (delays, bands); omega as bytes. Kept: an
    album asks for the same bands tens of thousands of times."""
    omega = np.frombuffer(omega_bytes, np.float64)
    step = 0.5 / float(omega.max())
    steps = round(MOST_S / step)
    reach = np.asarray(np.arange(-steps, steps + 1) * step, np.float64)
    return reach, np.exp(1j * np.outer(reach, omega))


def _huber(off: FloatArray, errors: FloatArray) -> FloatArray:
    z = np.abs(off) / errors
    middle = float(np.partition(z, len(z) // 2)[len(z) // 2])  # np.median looks for NaNs, at ten times the cost
    scale = max(1.0, middle / 0.6745)
    return np.asarray(np.minimum(1.0, HUBER * scale / np.maximum(z, 1e-9)))


def _mean(values: FloatArray, errors: FloatArray) -> tuple[float, float]:
    """A constant over the bands, and its standard error."""
    weight, huber = 1.0 / errors**2, np.ones(len(values))
    mean = float((weight * values).sum() / weight.sum())
    for _ in range(ROUNDS):
        huber = _huber(values - mean, errors)
        mean = float((weight * huber * values).sum() / (weight * huber).sum())
    chi = float((weight * huber * (values - mean) ** 2).sum()) / max(1, len(values) - 1)
    return mean, float(np.sqrt(max(1.0, chi) / (weight * huber).sum()))


def _level(levels: FloatArray, errors: FloatArray, centres_hz: FloatArray) -> tuple[float, float, float, float]:
    """Level and top in dB with standard errors; a top that is none is 0, and the level then that of all bands."""
    high, body = centres_hz >= TOP_HZ, centres_hz <= BODY_HZ
    if high.sum() < 2 or body.sum() < LEAST_BANDS:
        return *_mean(levels, errors), 0.0, np.inf
    below, above = _mean(levels[body], errors[body]), _mean(levels[high], errors[high])
    top, top_error = above[0] - below[0], float(np.linalg.norm([above[1], below[1], LEAST_ERROR_DB]))
    if abs(top) > 4.0 * top_error:
        return *below, top, top_error
    return *_mean(levels, errors), 0.0, top_error


def least_phase(levels: FloatArray, omega: FloatArray) -> FloatArray:
    """(n) phase in radians that filters of least phase have with levels in dB at omega: Bode's gain and phase relation
    (Bode, Network Analysis and Feedback Amplifier Design, 1945), flat beyond both ends."""
    grid = np.linspace(np.log(omega[0]) - 3.0, np.log(omega[-1]) + 3.0, 600)
    slopes = np.diff(np.interp(grid, np.log(omega), levels)) * np.log(10.0) / 20.0
    away = np.abs(0.5 * (grid[1:] + grid[:-1]) - np.log(omega)[:, None])
    return np.asarray((slopes * np.log(1.0 / np.tanh(np.maximum(away, 1e-3) / 2.0))).sum(axis=1) / np.pi)


def _odd_band(left: FloatArray, errors: FloatArray, centres_hz: FloatArray) -> tuple[float, float]:
    """(dB, Hz) of the band that is off most where a neighbour is off the same way; (0, 0) where none is."""
    z = left / errors
    pair = np.minimum(np.abs(z[1:]), np.abs(z[:-1])) * (np.sign(z[1:]) == np.sign(z[:-1]))
    if not len(pair) or pair.max() < ODD_BAND:
        return 0.0, 0.0
    first = int(np.argmax(pair))
    worst = first + int(abs(left[first + 1]) > abs(left[first]))
    return float(left[worst]), float(centres_hz[worst])


def unlike(base: Curves, other: Curves) -> float:
    """How unlike two prints are, 0 for the same: sum over the mics of what separates colours, phases and places."""
    total = 0.0
    for name, curve in base.mics.items():
        if name in other.mics:
            total += _unlike(curve, other.mics[name], base.rate, other.rate)
    return total


def _unlike(a: Curve, b: Curve, rate: int, other_rate: int) -> float:
    used: BoolArray = a.used & b.used
    if used.sum() < LEAST_BANDS:
        return 2.0
    levels = (b.levels - a.levels)[used]
    gain = float(np.median(levels))
    phases, errors = wrapped(b.phases - a.phases)[used], np.hypot(a.phase_errors, b.phase_errors)[used]
    omega = a.omega[used] * rate
    late, _, sign = _moved(phases, np.maximum(errors, 0.02), omega)
    off = np.abs(wrapped(phases + late * omega + (np.pi if sign < 0 else 0.0)))
    return float(
        np.minimum(1.0, np.abs(levels - gain) / 3.0).mean()
        + np.minimum(1.0, off / 0.5).mean()
        + 0.5 * min(1.0, abs(late) / 60e-6)
        + 0.5 * min(1.0, abs(gain) / 6.0)
        + 0.25 * (sign < 0)
    )


SWAP_SHARE, SWAP_GAIN = 0.7, 0.8
"""Two names are swapped where that makes prints this much more alike."""


def unswapped(
    base: Curves, other: Curves, known: Sequence[tuple[str, str]] = ()
) -> tuple[Curves, tuple[tuple[str, str], ...]]:
    """The other print with every file under the name of its own mic, and the pairs that had each other's.

    known: pairs that are swapped in another performance of the song; here it is enough that nothing else fits better.
    """
    pairs: list[tuple[str, str]] = []
    names = [base.reference, *(name for name in base.mics if name in other.mics)]
    now = unlike(base, other)
    while len(pairs) < len(names) // 2 and now > SWAP_GAIN:
        free = [name for name in names if not any(name in pair for pair in pairs)]
        tried = [(unlike(base, other.exchanged(a, b)), a, b) for a, b in _pairs(free)]
        best = min(tried, default=(np.inf, "", ""))
        share = 1.0 if best[1:] in known else SWAP_SHARE
        if not (best[0] < share * now and now - best[0] > SWAP_GAIN):
            break
        now, other = best[0], other.exchanged(best[1], best[2])
        pairs.append((best[1], best[2]))
    return other, tuple(pairs)


def _pairs(names: Sequence[str]) -> list[tuple[str, str]]:
    return [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
