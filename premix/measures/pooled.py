"""Prints of one set-up put together: those of a song's performances, or of an album's songs.

Each band is the mean of what the prints say, weighed by their errors; its error is what the errors explain, or what the
prints show among themselves where that is more. A print that is unlike the rest is left to stand alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from premix.arrays import BoolArray, FloatArray
from premix.audio.bands import third_octave_bands
from premix.model.set_up import BandFigures, MicPrint, SetUp, SetUpPrint
from premix.model.song import Song
from premix.units import samples_to_cm

BANDS = third_octave_bands(40.0, 6300.0)
"""Those of a print."""
MIDDLE = 0.5 * (10.0**0.05 + 10.0**-0.05)
"""Mean frequency of a third octave's bins against its centre."""
ROUGH_RAD, ROUGH_DB = 0.1, 0.5
"""Bands weigh by their error in the one figure of a mic, but never much more than others: else songs would differ in
what they weigh."""
SUB_BAND_HZ = (40.0, 250.0)
ODD = 8.0
"""A print this many standard errors from the middle of three or more is not pooled with them."""


def set_up_of(song: Song) -> SetUp | None:
    """The prints of a song's performances, and all together; None where there are none."""
    prints = tuple(p.set_up for p in song.performances if p.set_up is not None)
    if not prints:
        return None
    centres = tuple(round(band.centre_hz, 3) for band in BANDS)
    temperature_c = song.alignment.temperature_c
    pooled = pooled_print(prints, centres, song.rate, temperature_c)
    return SetUp(rate=song.rate, temperature_c=temperature_c, centres_hz=centres, pooled=pooled, performances=prints)


@dataclass(frozen=True, slots=True)
class Curve:
    """A mic's print as arrays: (B) omega in radians a sample, level in dB, whole phase in radians (its delay and
    polarity in it), their errors, and which bands tell something."""

    omega: FloatArray
    levels: FloatArray
    level_errors: FloatArray
    phases: FloatArray
    phase_errors: FloatArray
    used: BoolArray


def curve_of(mic: MicPrint, centres_hz: Sequence[float], rate: int) -> Curve:
    """The print of a mic that tells something."""
    omega = MIDDLE * 2.0 * np.pi * np.asarray(centres_hz, np.float64) / rate
    levels, level_errors = _array(mic.levels_db), _array(mic.level_errors_db)
    phases, phase_errors = np.radians(_array(mic.phases_deg)), np.radians(_array(mic.phase_errors_deg))
    used = np.isfinite(levels) & np.isfinite(phases) & (level_errors > 0.0) & (phase_errors > 0.0)
    whole = phases - omega * (mic.delay_samples or 0.0) + (np.pi if mic.polarity < 0 else 0.0)
    return Curve(omega, levels, level_errors, whole, phase_errors, used)


def own_bands(role: str) -> BoolArray:
    """(B) bands that the one delay and level of a mic are told by: of a sub mic those that it is there for."""
    low, high = SUB_BAND_HZ if role == "sub" else (0.0, np.inf)
    return np.array([low * 0.98 <= band.centre_hz <= high * 1.02 for band in BANDS])


def _array(values: BandFigures) -> FloatArray:
    return np.array([np.nan if value is None else value for value in values], np.float64)


def wrapped(phase: FloatArray) -> FloatArray:
    """Radians from -pi to pi."""
    return np.asarray((phase + np.pi) % (2.0 * np.pi) - np.pi)


def pooled_print(
    prints: Sequence[SetUpPrint], centres_hz: Sequence[float], rate: int, temperature_c: float
) -> SetUpPrint | None:
    """The prints of one set-up together; None where they have nothing to tell, or not the same reference.

    temperature_c: at which distances are told.
    """
    prints = [one for one in prints if one.mics]
    if not prints or len({one.reference for one in prints}) > 1:
        return None
    names = dict.fromkeys(mic.mic for one in prints for mic in one.mics)
    mics = [
        _pooled_mic([m for one in prints if (m := one.mic(name))], centres_hz, rate, temperature_c) for name in names
    ]
    found = tuple(mic for mic in mics if mic is not None)
    riff_s = round(sum(one.riff_s for one in prints), 3)
    return SetUpPrint(performance=None, reference=prints[0].reference, riff_s=riff_s, mics=found)


def _pooled_mic(
    mics: Sequence[MicPrint], centres_hz: Sequence[float], rate: int, temperature_c: float
) -> MicPrint | None:
    if not mics:
        return None
    if len(mics) == 1:
        return mics[0]
    curves = [curve_of(mic, centres_hz, rate) for mic in mics]
    middle = sorted(mics, key=lambda m: m.delay_samples or 0.0)[len(mics) // 2]
    home = curve_of(middle, centres_hz, rate)
    levels = np.array([c.levels for c in curves])
    phases = np.array([wrapped(c.phases - home.phases) for c in curves])
    level_errors, phase_errors = (
        np.array([getattr(c, name) for c in curves]) for name in ("level_errors", "phase_errors")
    )
    used = np.array([c.used for c in curves]) & home.used
    fits = _fitting(levels, level_errors, phases, phase_errors, used)
    used &= fits[:, None]
    there: BoolArray = np.asarray(used.any(axis=0))
    if there.sum() < 2:
        return middle
    level, level_error = mean_of(levels, level_errors, used)
    phase, phase_error = mean_of(phases, phase_errors, used)
    return _told(middle, home, level, level_error, phase, phase_error, there, rate, temperature_c)


def _fitting(
    levels: FloatArray, level_errors: FloatArray, phases: FloatArray, phase_errors: FloatArray, used: BoolArray
) -> BoolArray:
    """(n) which of three prints or more are like the most of them."""
    fits = np.ones(len(levels), np.bool_)
    common = used.all(axis=0)
    if len(levels) < 3 or not common.any():
        return fits
    far = [
        np.abs(values - np.median(values, axis=0)) / errors[:, common]
        for values, errors in ((levels[:, common], level_errors), (phases[:, common], phase_errors))
    ]
    fits = np.max([np.quantile(own, 0.75, axis=1) for own in far], axis=0) < ODD
    return fits if fits.sum() * 2 > len(fits) else np.ones_like(fits)


def mean_of(values: FloatArray, errors: FloatArray, used: BoolArray) -> tuple[FloatArray, FloatArray]:
    """(B) weighted means of (n, B), and their errors."""
    weight = 1.0 / np.where(used, np.maximum(errors, 1e-9), np.inf) ** 2
    total, count = np.maximum(weight.sum(axis=0), 1e-300), used.sum(axis=0)
    known = np.where(used, values, 0.0)
    mean = (weight * known).sum(axis=0) / total
    scatter = (weight * (known - mean) ** 2).sum(axis=0) / total / np.maximum(count - 1, 1)
    return mean, np.sqrt(np.maximum(1.0 / total, scatter))


def _told(
    like: MicPrint,
    home: Curve,
    level: FloatArray,
    level_error: FloatArray,
    phase: FloatArray,
    phase_error: FloatArray,
    there: BoolArray,
    rate: int,
    temperature_c: float,
) -> MicPrint:
    """Means by band as a print; phase: (B) on top of `home`, whose mic `like` is."""
    omega, mine = home.omega, own_bands(like.role)
    told = there & mine if (there & mine).sum() > 1 else there
    own = np.radians(_array(like.phases_deg)) + np.where(there, phase, 0.0)
    weight = np.where(told, 1.0 / (phase_error**2 + ROUGH_RAD**2), 0.0)
    square = float((weight * omega**2).sum())
    shift = -float((weight * omega * np.where(there, np.sin(own), 0.0)).sum()) / square
    delay = (like.delay_samples or 0.0) + shift
    # Notes move all bands of a print a little together, so that many bands are no surer than a few.
    error = max(float(np.sqrt((weight**2 * omega**2 * np.where(there, phase_error, 0.0) ** 2).sum())) / square, 1e-4)
    level_weight = np.where(told, 1.0 / (level_error**2 + ROUGH_DB**2), 0.0)
    level_weight /= level_weight.sum()
    mm = 10.0 * samples_to_cm(1.0, rate, temperature_c)
    phases = wrapped(own + shift * omega)
    return MicPrint(
        mic=like.mic,
        role=like.role,
        polarity=like.polarity,
        delay_samples=_rounded(delay),
        delay_error_samples=_rounded(error),
        delay_mm=_rounded(mm * delay),
        delay_error_mm=_rounded(mm * error),
        level_db=_rounded(float(np.where(there, level, 0.0) @ level_weight)),
        level_error_db=_rounded(float(np.sqrt((level_weight**2 * np.where(there, level_error, 0.0) ** 2).sum()))),
        coherence=like.coherence,
        levels_db=_figures(level, there),
        level_errors_db=_figures(level_error, there),
        phases_deg=_figures(np.degrees(phases), there),
        phase_errors_deg=_figures(np.degrees(phase_error), there),
    )


def _figures(values: FloatArray, there: BoolArray) -> BandFigures:
    return tuple(_rounded(value) if used else None for value, used in zip(values.tolist(), there.tolist(), strict=True))


def _rounded(value: float) -> float:
    return round(value, 4) + 0.0
