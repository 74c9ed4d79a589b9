"""Damage, as the pass over every sample shows it: NaN stops the run; clipping, dropouts, DC, silence and hum are told.

Mains hum is looked for where nobody plays: lines at multiples of 50 or 60 Hz that stand out of their surroundings.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.errors import Finding, Problem, TracksError
from premix.model.song import Mic, Song
from premix.model.tracks import Hum, Spectra
from premix.units import gain_to_db, power_to_db, samples_to_s

DC_LIMIT = 10.0 ** (-50.0 / 20.0)
"""A mean above -50 dBFS is a fault of a converter or preamplifier; common practice, no source."""
HUM_LIMIT = 10.0 ** (-45.0 / 20.0)
"""Of the track's rms: hum nearer than 45 dB is heard in the stops of a mix; common practice, no source."""
SILENCE = 10.0 ** (-80.0 / 20.0)
_MOST_TIMES = 5


def check_intact(song: Song) -> Song:
    """The song with the hum in its stops (but not in DIs) and all findings.

    Raises TracksError for NaN or infinite samples.
    """
    hums = {performance.name: hums_in_stops(performance.spectra) for performance in song.performances}
    song = song.with_mics(lambda mic: replace(mic, levels=replace(mic.levels, hum=hums[mic.performance].get(mic.name))))
    song, problems = damage(song)
    if problems:
        raise TracksError(problems)
    return song


def damage(song: Song) -> tuple[Song, tuple[Problem, ...]]:
    """The song with what its mics' levels tell as findings, and the problems that stop a render."""
    problems = tuple(
        Problem(
            "track-not-finite",
            mic.label,
            f"{mic.track.header.path.name}: {mic.levels.nonfinite} samples are no number, infinite or beyond +120 dBFS",
        )
        for mic in song.mics
        if mic.levels.nonfinite
    )
    return song.tell(*(finding for mic in song.mics for finding in _findings(mic, song.rate))), problems


def _findings(mic: Mic, rate: int) -> Iterator[Finding]:
    levels = mic.levels

    def tell(slug: str, message: str, runs: Sequence[tuple[int, int]] = (), size: float = 0.0) -> Finding:
        at_s = samples_to_s(runs[0][0], rate) if runs else None
        return Finding(slug, "warning", mic.label, message, at_s=at_s, size=len(runs) or size)

    if levels.sample_peak < SILENCE:
        yield tell("track-silent", f"peak {_level(levels.sample_peak)}")
        return
    if levels.clipped:
        yield tell("track-clipped", _runs("at full scale", levels.clipped, rate), levels.clipped)
    if levels.flat_tops:
        at = f"cut off at {_level(levels.sample_peak)}, before this file was made"
        yield tell("track-clipped", _runs(at, levels.flat_tops, rate, "top"), levels.flat_tops)
    if levels.sample_peak > 1.0:
        kind = "float" if mic.track.converted_to is None else "converted"
        peak_db = gain_to_db(levels.sample_peak)
        yield tell("track-over-full-scale", f"{kind} samples up to {peak_db:+.1f} dBFS", size=peak_db)
    if levels.zero_runs:
        yield tell("track-dropouts", _runs("of exact zeros inside sound", levels.zero_runs, rate), levels.zero_runs)
    if abs(levels.dc) > DC_LIMIT:
        yield tell("track-dc", f"mean {_level(abs(levels.dc))}", size=abs(levels.dc))
    if levels.hum is not None and levels.hum.rms > HUM_LIMIT * levels.rms:
        below_db = gain_to_db(levels.rms / levels.hum.rms)
        mains, rms = f"{levels.hum.mains_hz:.0f} Hz", _level(levels.hum.rms)
        hum = tell(
            "track-hum",
            f"hum of {mains} and its harmonics where nobody plays: {rms} rms, {below_db:.0f} dB below the track's own "
            "level",
            size=-below_db,
        )
        yield replace(hum, brief=f"{mains} at {rms}, {below_db:.0f} dB under the track")


def _level(gain: float) -> str:
    return f"{gain_to_db(gain):.1f} dBFS" if gain > 0.0 else "digital zero"


def _runs(what: str, runs: Sequence[tuple[int, int]], rate: int, one: str = "run") -> str:
    """'2 runs at full scale: 1.500 s, 2.000 s'"""
    times = ", ".join(f"{samples_to_s(start, rate):.3f} s" for start, _ in runs[:_MOST_TIMES])
    more = " ..." if len(runs) > _MOST_TIMES else ""
    return f"{len(runs)} {one}{'s' if len(runs) > 1 else ''} {what}: {times}{more}"


HANN_POWER = 0.375
"""Mean square of a Hann window: what a windowed frame's power is divided by."""
HIGHEST_HZ = 400.0
_HARMONICS = 6
_LEAST_LINES = 3
"""Of the first six: a dying low note may sit on one or two of them, but its harmonics soon lie beside the others."""
_LOBE, _NEAR, _FAR = 2, 4, 8
"""Bins: half width of a line under a Hann window, and where its surroundings begin and end."""
_OFF = 0.75
"""Bins by which the highest bin may lie beside the line: half a bin for the grid, the rest for the mains' drift."""
_PILE_DB = 3.0
_STANDS_OUT = 10.0
"""Power of a line against its surroundings (10 dB): noise alone hardly ever reaches it."""


def find_hum(freqs_hz: FloatArray, powers: FloatArray) -> Hum | None:
    """The louder of the hums at 50 and 60 Hz; None where fewer than three of the first six lines stand out.

    freqs_hz: (F) evenly spaced bins of Hann-windowed frames. powers: (F) mean square in each bin.
    """
    found = [Hum(mains, float(np.sqrt(_lines(freqs_hz, powers, mains)))) for mains in (50.0, 60.0)]
    loudest = max(found, key=lambda hum: hum.rms)
    return loudest if loudest.rms > 0.0 else None


def hums_in_stops(spectra: Spectra) -> dict[str, Hum | None]:
    """Mic -> hum in the quiet frames of one performance; else, as hum may fill the stops, in its softest tenth."""
    found = {}
    for m, mic in enumerate(spectra.mics):
        piles = [(spectra.quiet_powers[m], spectra.n_quiet)]
        if spectra.softest is not None:
            piles.append((spectra.softest[m], spectra.n_softest))
        scales = [(powers, 2.0 / (count * spectra.frame**2 * HANN_POWER)) for powers, count in piles if count]
        hums = (find_hum(spectra.freqs_hz, scale * powers) for powers, scale in scales)
        found[mic] = next((hum for hum in hums if hum is not None), None)
    return found


class SoftestBlocks:
    """Hum in the softest blocks of one track that is read by itself; in piles of level, so that memory stays small."""

    def __init__(self, size: int, rate: int) -> None:
        self.freqs_hz: FloatArray = np.arange(1.0, HIGHEST_HZ * size / rate) * rate / size
        self._scale = 2.0 / (size**2 * HANN_POWER)
        self._piles: dict[int, tuple[FloatArray, int]] = {}

    def feed(self, spectrum: ComplexArray, power: float) -> None:
        """Take the spectrum (all bins, no window) and the mean square of the next block; silence is passed over."""
        if power <= 0.0:
            return
        near = spectrum[: len(self.freqs_hz) + 2]
        windowed = 0.5 * near[1:-1] - 0.25 * (near[:-2] + near[2:])  # a Hann window, in the frequency domain
        sums, count = self._piles.get(level := round(power_to_db(power) / _PILE_DB), (0.0, 0))
        self._piles[level] = sums + self._scale * np.abs(windowed) ** 2, count + 1

    def hum(self) -> Hum | None:
        """That of the softest tenth of all blocks, at least two."""
        wanted = max(2.0, 0.1 * sum(count for _, count in self._piles.values()))
        powers, taken = np.zeros(len(self.freqs_hz)), 0
        for level in sorted(self._piles):
            sums, count = self._piles[level]
            powers, taken = powers + sums, taken + count
            if taken >= wanted:
                return find_hum(self.freqs_hz, powers / taken)
        return None


def _lines(freqs_hz: FloatArray, powers: FloatArray, mains_hz: float) -> float:
    """Mean square of all lines that stand out at multiples of the mains; 0 for too few."""
    width, total, count = freqs_hz[1] - freqs_hz[0], 0.0, 0
    for line_hz in mains_hz * np.arange(1, _HARMONICS + 1):
        place = (freqs_hz - line_hz) / width
        line, around = powers[np.abs(place) <= _LOBE], (np.abs(place) >= _NEAR) & (np.abs(place) <= _FAR)
        near = np.abs(place) <= _NEAR
        if not around.any() or abs(place[near][np.argmax(powers[near])]) > _OFF:
            continue
        noise = float(np.median(powers[around]))
        if line.sum() > _STANDS_OUT * noise * len(line):
            total += float(line.sum()) - noise * len(line)
            count += 1
    return total if count >= _LEAST_LINES else 0.0
