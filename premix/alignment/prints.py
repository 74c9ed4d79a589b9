"""The set-up's print of a performance: delay, level and colour of each mic against the reference, with their errors.

What a mic does against another one does not depend on the notes (relative transfer function: Cohen, "Relative transfer
function identification using speech signals", IEEE Trans. Speech and Audio Processing 12(5), 2004), so the spectra of
all windows of riff are added up, the noise of the stops is taken out, and one is divided by the other, bin by bin: a
bin weighs by its coherence alone and not by how loud its note was. The errors are jackknife errors over stretches of
windows (Thomson & Chave, "Jackknifed error estimates for spectra, coherences, and transfer functions", 1991), as other
stretches hold other notes.
"""

import statistics
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.kernel import MIN_QUIET_FRAMES
from premix.alignment.level_steps import LevelStep, level_steps, step_findings
from premix.alignment.steadiness import CHANGES
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.bands import band_slices
from premix.measures.pooled import BANDS, MIDDLE, ROUGH_DB, ROUGH_RAD, own_bands, wrapped
from premix.model.set_up import BandFigures, MicPrint, SetUpPrint
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import Windows
from premix.units import samples_to_cm

STRETCHES = 12
"""Parts of the riff that are left out one at a time."""
LEAST_STRETCHES = 3
NOTES = 1.5
"""The jackknife's errors are too small by this, measured between songs of one set-up: a song repeats its riff."""
LEAST_ERROR_DB, LEAST_ERROR_RAD = 0.01, 0.001
MIN_COHERENCE = 0.3
MOST_MS = 21.0
"""How far apart the reference and a mic are looked for, where the alignment does not say it."""
CHUNK_BYTES = 8_000_000


def with_set_up(song: Song) -> Song:
    """The song with the print of every performance that holds enough riff to tell something, and preamps that were
    touched in it told."""
    heard: dict[str, list[float]] = {}
    for mic in song.judged:
        if mic.decision.refusal is None and mic.decision.arrival_samples is not None:
            heard.setdefault(mic.name, []).append(mic.decision.arrival_samples)
    usual = {name: statistics.median(delays) for name, delays in heard.items()}
    found = [_print_of(song, performance, usual) for performance in song.performances]
    prints = tuple(replace(p, set_up=own) for p, (own, _) in zip(song.performances, found, strict=True))
    known = frozenset(finding.subject for finding in song.findings if finding.slug in CHANGES)
    steps = (
        step_findings(p.name, p.reference, own, len(p.judged) - 1, known)
        for p, (_, own) in zip(song.performances, found, strict=True)
    )
    return replace(song, performances=prints).tell(*(finding for own in steps for finding in own))


@dataclass(frozen=True, slots=True)
class Stretches:
    """Sums over J stretches of riff: cross (J, M, F) of each mic with the reference, power (J, M, F) of each mic; noise
    taken out. reference: its place among the M."""

    cross: ComplexArray
    power: FloatArray
    reference: int
    freqs_hz: FloatArray

    def all_and_without(self, m: int) -> tuple[ComplexArray, FloatArray, FloatArray]:
        """(1 + J, F) sums of mic m with the reference, of its own power and of the reference's: of all stretches, and
        with each left out."""
        each = self.cross[:, m], self.power[:, m], self.power[:, self.reference]
        whole = [values.sum(axis=0, keepdims=True) for values in each]
        both = [np.concatenate((total, total - own)) for total, own in zip(whole, each, strict=True)]
        return both[0], both[1].real, both[2].real


_Printed = tuple[SetUpPrint | None, list[LevelStep]]


def _print_of(song: Song, performance: Performance, usual: Mapping[str, float]) -> _Printed:
    windows, mics = performance.windows, performance.judged
    if windows is None or len(mics) < 2 or performance.reference not in windows.mics:
        return None, []
    reference = windows.mics.index(performance.reference)
    if reference not in performance.spectra.partners:
        return None, []
    played = _played(windows)
    if len(played) < LEAST_STRETCHES:
        return None, []
    stretches = _stretches(performance, windows, reference, played)
    per = windows.window_frames
    riff = windows.levels_db >= windows.riff_db
    others = {m: mic for m, mic in enumerate(mics) if m != reference}
    found = [_mic_print(song, mic, m, stretches, usual) for m, mic in others.items()]
    own = SetUpPrint(
        performance=performance.name,
        reference=performance.reference,
        riff_s=round(windows.frame_s * int(sum(riff[w * per : (w + 1) * per].sum() for w in played)), 3),
        mics=tuple(mic for mic, _ in found),
    )
    parts = np.array_split(np.array(played), len(stretches.cross))
    starts_s = windows.start_s + windows.window_s * np.array([part[0] for part in parts])
    levels = {mic.mic: series for mic, series in found if mic.coherence is not None}
    return own, level_steps(levels, {mic.name: mic.role for mic in mics}, starts_s)


def _played(windows: Windows) -> list[int]:
    """The windows that hold riff all through, or nearly; of a riff full of stops those that hold any."""
    per, riff = windows.window_frames, windows.levels_db >= windows.riff_db
    shares = [float(riff[w * per : (w + 1) * per].mean()) if len(riff) > w * per else 0.0 for w in range(windows.count)]
    return [w for w, share in enumerate(shares) if share > 0.0]


def _stretches(performance: Performance, windows: Windows, reference: int, played: list[int]) -> Stretches:
    """The sums of the played windows, in up to STRETCHES stretches in a row."""
    place = {pair: row for row, pair in enumerate(windows.pairs)}
    count = len(windows.mics)
    rows = [place[min(m, reference), max(m, reference)] for m in range(count)]
    turned = np.array([m < reference for m in range(count)])
    own = [place[m, m] for m in range(count)]
    parts = np.array_split(np.array(played), min(STRETCHES, len(played)))
    shape = (len(parts), count, len(windows.freqs_hz))
    cross, power, frames = np.zeros(shape, np.complex128), np.zeros(shape), np.zeros(len(parts))
    most = max(1, CHUNK_BYTES // (8 * len(windows.pairs) * len(windows.freqs_hz)))
    per = windows.window_frames
    for j, part in enumerate(parts):
        frames[j] = sum(len(windows.levels_db[w * per : (w + 1) * per]) for w in part)
        for first in range(int(part[0]), int(part[-1]) + 1, most):
            taken = part[(part >= first) & (part < first + most)]
            if len(taken):
                read = windows.read(int(taken[0]), int(taken[-1]) + 1)[taken - taken[0]]
                # X_m conj(X_n) is kept for m <= n.
                cross[j] += read[:, rows].sum(axis=0, dtype=np.complex128)
                power[j] += read[:, own].real.sum(axis=0, dtype=np.float64)
    cross[:, ~turned] = cross[:, ~turned].conj()
    spectra = performance.spectra
    if spectra.n_quiet >= MIN_QUIET_FRAMES:
        of = frames[:, None, None] / spectra.n_quiet
        column = spectra.partners.index(reference)
        cross -= of * _merged(spectra.kept_quiet[:, column], windows)
        power -= of * _merged(spectra.quiet_powers, windows).real
    ahead = np.subtract(spectra.offsets, spectra.offsets[reference])
    # What was read ahead by whole samples is put back in its place.
    omega = _omega(windows, performance)
    cross *= np.exp(-1j * omega * ahead[:, None])
    return Stretches(cross, power, reference, windows.freqs_hz)


def _omega(windows: Windows, performance: Performance) -> FloatArray:
    """(F) radians a sample."""
    rate = performance.spectra.hop / windows.frame_s
    return np.asarray(2.0 * np.pi * windows.freqs_hz / rate)


def _merged(sums: ComplexArray | FloatArray, windows: Windows) -> ComplexArray:
    """(M, F) sums of the frames' bins in the windows' bins."""
    wide = len(windows.freqs_hz) * windows.merged
    return np.asarray(sums[..., :wide].reshape(len(sums), -1, windows.merged).sum(axis=-1), np.complex128)


@dataclass(frozen=True, slots=True)
class _Response:
    """One mic against the reference by band, (B) or (K, B): log response (its real part in nepers), and coherence."""

    log: ComplexArray
    coherence: FloatArray


def _mic_print(
    song: Song, mic: Mic, m: int, stretches: Stretches, usual: Mapping[str, float]
) -> tuple[MicPrint, FloatArray]:
    """The print, and (J) the mic's level in each stretch in dB. usual: where the alignment has heard each mic in any
    performance."""
    omega = 2.0 * np.pi * stretches.freqs_hz / song.rate
    known = _known(mic, m, stretches, omega, usual.get(mic.name))
    heard = _heard_at(song, m, stretches, omega) if known is None else known
    turn, freqs_hz = omega * heard, stretches.freqs_hz
    left_out = _response(*stretches.all_and_without(m), freqs_hz, turn)
    whole, parts = _Response(left_out.log[0], left_out.coherence[0]), left_out.log[1:]
    with np.errstate(invalid="ignore"):
        off = parts - whole.log
        off = off.real + 1j * wrapped(off.imag)
        off -= off.mean(axis=0)
    used = (whole.coherence >= MIN_COHERENCE) & np.isfinite(off).all(axis=0)
    if used.sum() < 2:
        return _unknown(mic), np.zeros(len(parts))
    power = stretches.power
    each = _response(stretches.cross[:, m], power[:, m], power[:, stretches.reference], freqs_hz, turn)
    levels = _DB * np.median((each.log - whole.log).real[:, used], axis=1)
    # What stretches left out say of the error: (J - 1) / J of the sum of squares.
    scale = NOTES * np.sqrt((len(parts) - 1) / len(parts))
    off = scale * np.where(used, off, 0.0)
    return _told(song, mic, (heard, known is not None), whole, off, used), levels


def _told(
    song: Song, mic: Mic, heard: tuple[float, bool], whole: _Response, off: ComplexArray, used: BoolArray
) -> MicPrint:
    """off: (J, B) what each stretch adds to the error. heard: the delay that is put right in `whole` already, and
    whether the alignment has found it."""
    errors_db = np.hypot(np.sqrt((off.real**2).sum(axis=0)), LEAST_ERROR_DB / _DB)
    errors_rad = np.hypot(np.sqrt((off.imag**2).sum(axis=0)), LEAST_ERROR_RAD)
    told = used & own_bands(mic.role) if (used & own_bands(mic.role)).sum() > 1 else used
    weight = np.where(told, 1.0 / (errors_rad**2 + ROUGH_RAD**2), 0.0)
    middle = MIDDLE * 2.0 * np.pi * np.array([band.centre_hz for band in BANDS]) / song.rate
    start, found = heard
    phases = np.where(used, whole.log.imag, 0.0)
    shift, sign = _peak(phases, weight, middle, 0.0 if found else NEAR)
    own_shift = (weight * middle * off.imag).sum(axis=1) / (weight * middle**2).sum()
    phases = wrapped(phases + shift * middle + (np.pi if sign < 0 else 0.0))
    level_weight = np.where(told, 1.0 / (errors_db**2 + (ROUGH_DB / _DB) ** 2), 0.0)
    level_weight /= level_weight.sum()
    delay, delay_error = start + shift, float(np.hypot(np.sqrt((own_shift**2).sum()), 1e-4))
    level_error = float(np.hypot(_DB * np.sqrt(((off.real @ level_weight) ** 2).sum()), LEAST_ERROR_DB))
    mm = 10.0 * samples_to_cm(1.0, song.rate, song.alignment.temperature_c)
    return MicPrint(
        mic=mic.name,
        role=mic.role,
        polarity=sign,
        delay_samples=_rounded(delay),
        delay_error_samples=_rounded(delay_error),
        delay_mm=_rounded(mm * delay),
        delay_error_mm=_rounded(mm * delay_error),
        level_db=_rounded(_DB * float(np.where(used, whole.log.real, 0.0) @ level_weight)),
        level_error_db=_rounded(level_error),
        coherence=_rounded(float(whole.coherence[used].mean())),
        levels_db=_figures(_DB * whole.log.real, used),
        level_errors_db=_figures(_DB * errors_db, used),
        phases_deg=_figures(np.degrees(phases), used),
        phase_errors_deg=_figures(np.degrees(errors_rad), used),
    )


_DB = float(20.0 / np.log(10.0))
"""Decibels of a neper."""


def _known(mic: Mic, m: int, stretches: Stretches, omega: FloatArray, usual: float | None) -> float | None:
    """When the alignment has heard the mic: here, or usually where that fits these bands as well; None: nowhere."""
    own = mic.decision.arrival_samples
    if mic.decision.refusal is not None:
        return None
    if own is None or usual is None or abs(own - usual) < NEAR:
        return usual if own is None else own
    cross, parts = stretches.cross.sum(axis=0)[m], band_slices(stretches.freqs_hz, BANDS)
    unit = cross / np.maximum(np.abs(cross), 1e-300)
    fits = [sum(abs((unit * np.exp(1j * omega * at))[part].sum()) for part in parts) for at in (own, usual)]
    return own if fits[0] > CLEARLY * fits[1] else usual


CLEARLY = 1.1
"""A place that no other performance knows must fit so much better."""


def _heard_at(song: Song, m: int, stretches: Stretches, omega: FloatArray) -> float:
    """When the mic hears what the reference hears, in samples, where the alignment has not found it: the highest peak
    of all bins, each by its coherence. Bands are wide: delays must be put right in them before they are added up.
    """
    cross, power = stretches.cross.sum(axis=0), stretches.power.sum(axis=0)
    size = np.abs(cross[m])
    both = np.maximum(power[m] * power[stretches.reference], 1e-300)
    unit = cross[m] / np.maximum(size, 1e-300) * (np.minimum(size**2, both) / both)
    step = 2.0 * np.pi / max(float(omega[1] - omega[0]), 1e-12)
    count = 1 << int(np.ceil(np.log2(4.0 * omega[-1] / (omega[1] - omega[0]))))
    first = round(float(omega[0] / (omega[1] - omega[0])))
    spectrum = np.zeros(count, np.complex128)
    spectrum[first : first + len(unit)] = unit
    lags = np.arange(count, dtype=np.float64)
    lags = np.where(lags < count // 2, lags, lags - count) * step / count
    curve = np.abs(np.real(np.fft.ifft(spectrum) * np.exp(1j * (omega[0] - first * (omega[1] - omega[0])) * lags)))
    curve[np.abs(lags) > MOST_MS * song.rate / 1000.0] = 0.0
    return float(lags[int(np.argmax(curve))])


def _response(
    cross: ComplexArray, power: FloatArray, reference: FloatArray, freqs_hz: FloatArray, turn: FloatArray
) -> _Response:
    """(K, B) of K sums of a mic with the reference, of its power and of the reference's, (K, F) each: mean of each
    third octave's bins, weighed by their coherence squared, with the phase `turn` (F) put on."""
    reference = np.maximum(reference, 1e-150)
    both = np.maximum(power, 1e-150) * reference
    coherence = np.minimum(np.abs(cross) ** 2, both) / both
    weight = coherence**2
    weighed = cross * np.exp(1j * turn) / reference * weight
    logs, means = np.full((len(cross), len(BANDS)), np.nan, np.complex128), np.zeros((len(cross), len(BANDS)))
    for b, part in enumerate(band_slices(freqs_hz, BANDS)):
        total = weight[:, part].sum(axis=1)
        held = total > 0.0
        if not held.any():
            continue
        logs[held, b] = np.log(weighed[held, part].sum(axis=1) / total[held])
        means[held, b] = coherence[held, part].mean(axis=1)
    return _Response(logs, means)


def _peak(phases: FloatArray, weight: FloatArray, omega: FloatArray, near: float) -> tuple[float, int]:
    """Shift in samples on top of the start at which the bands' phases (B) agree best, and with which sign.

    near: how far from the start the best place is looked for; from there it is climbed to the top.
    """
    reach = np.arange(-near, near + 0.25, 0.25)
    sums = (weight * np.exp(1j * (phases + np.outer(reach, omega)))).sum(axis=1).real
    best = int(np.argmax(np.abs(sums)))
    shift, sign = float(reach[best]), 1 if sums[best] > 0.0 else -1
    for _ in range(8):
        off = wrapped(phases + shift * omega + (np.pi if sign < 0 else 0.0))
        shift -= float((weight * omega * np.sin(off)).sum() / (weight * omega**2).sum())
    return shift, sign


NEAR = 24.0
"""Samples around the start in which the print's own delay is found."""


def _figures(values: FloatArray, used: BoolArray) -> BandFigures:
    return tuple(_rounded(float(value)) if there else None for value, there in zip(values, used, strict=True))


def _rounded(value: float) -> float:
    """To a ten-thousandth: finer than any error, and the same on every machine."""
    return round(float(value), 4) + 0.0


def _unknown(mic: Mic) -> MicPrint:
    nothing: BandFigures = (None,) * len(BANDS)
    return MicPrint(
        mic=mic.name,
        role=mic.role,
        polarity=1,
        delay_samples=None,
        delay_error_samples=None,
        delay_mm=None,
        delay_error_mm=None,
        level_db=None,
        level_error_db=None,
        coherence=None,
        levels_db=nothing,
        level_errors_db=nothing,
        phases_deg=nothing,
        phase_errors_deg=nothing,
    )
