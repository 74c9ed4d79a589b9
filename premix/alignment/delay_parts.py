"""What the delay of a sub mic is made of: the way of the sound to it, the recipe's filters, and its own band-pass.

A delay is what makes the sum fit best, and a sub mic's band-pass delays what it lets through by more than its distance:
in centimetres, the whole of it says nothing of where the mic stands. So the transfer function from the reference, in
its own band, is fitted by a band-pass of second order, a low-pass of second order and a pure delay (least squares in
log magnitude and phase, weighted by coherence, every octave alike); the pure delay is the distance. A fit whose phase
is off by more than `MOST_RMS_RAD` tells nothing, and nothing is told.

How good that is: held against simulated cabinets with known places in tests/alignment/test_delay_parts.py.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from premix.alignment.case import chain_response
from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import mic_sections, sections_response
from premix.model.alignment import DelayParts
from premix.model.song import Mic, Performance, Song
from premix.units import samples_to_cm, samples_to_ms

BAND_HZ = (35.0, 800.0)
MOST_RMS_RAD = 0.085
WITHIN_CM = 5.0
"""Nine in ten of the distances that are told are at most so wrong."""
_LEAST_COHERENCE = 0.3
_LEAST_BINS = 40
_STARTS_HZ = (55.0, 90.0)
_BOUNDS = (
    np.array([-20.0, np.log(25.0), np.log(0.15), np.log(150.0), -8e-3]),
    np.array([20.0, np.log(200.0), np.log(3.0), np.log(4000.0), 8e-3]),
)
"""Of log gain, log centre in Hz, log q, log corner in Hz, delay in s."""
_STEPS = np.diag([1e-6, 1e-6, 1e-6, 1e-6, 1e-9])
_OUTLIER, _MOST_STEPS = 0.1, 100


def with_delay_parts(song: Song) -> Song:
    """The song with the parts of the delay beside every sub mic that was aligned and whose distance can be told."""
    for name in dict.fromkeys(mic.name for mic in song.mics if mic.role == "sub"):
        held = [p for p in song.performances if _fits(p, p.mic(name))]
        late_s = _late_s(held, name, song.rate) if held else None
        if late_s is not None:
            known = {(performance.name, name): late_s for performance in held}
            song = replace(song, performances=tuple(_told(song, p, known) for p in song.performances))
    return song


def _told(song: Song, performance: Performance, late_s: Mapping[tuple[str, str], float]) -> Performance:
    """The performance with the parts of the delays that are known, by performance and mic."""
    mics = (
        _with_parts(song, mic, late_s[mic.performance, mic.name]) if (mic.performance, mic.name) in late_s else mic
        for mic in performance.mics
    )
    return replace(performance, mics=tuple(mics))


def _fits(performance: Performance, mic: Mic | None) -> bool:
    """Whether this mic was aligned here with all others of its name, and its spectra can be read."""
    if mic is None or mic.decision.origin not in ("auto", "sheet") or mic.decision.moved_samples is not None:
        return False
    spectra = performance.spectra
    partners = {spectra.mics[place] for place in spectra.partners}
    return mic.decision.summed and mic.name in spectra.mics and mic.decision.reference in partners


def _with_parts(song: Song, mic: Mic, late_s: float) -> Mic:
    """The mic with its delay taken apart; late_s: what the pure delay of the fit is."""
    freqs_hz = song.performance(mic.performance).spectra.freqs_hz
    response = sections_response(mic_sections(song.rate, mic.high_pass_hz, mic.low_pass_hz), freqs_hz, song.rate)
    filters = _group_delay_samples(response * chain_response(mic, freqs_hz, song.rate), freqs_hz, song.rate)
    late = late_s * song.rate
    own = mic.decision.delay_samples - late - filters
    distance_cm = samples_to_cm(late, song.rate, song.alignment.temperature_c)
    distance_ms, filters_ms, own_ms = (samples_to_ms(part, song.rate) for part in (late, filters, own))
    return replace(mic, delay_parts=DelayParts(distance_ms, filters_ms, own_ms, distance_cm, WITHIN_CM))


def _group_delay_samples(response: ComplexArray, freqs_hz: FloatArray, rate: int) -> float:
    """Of a response (F), over the sub mic's band, every octave alike."""
    inside = (freqs_hz[1:] >= 40.0) & (freqs_hz[1:] <= 180.0)
    turn = np.angle(response[1:] * response[:-1].conj())
    weight = np.where(inside, np.abs(response[1:]) ** 2 / freqs_hz[1:], 0.0)
    step = 2.0 * np.pi * (freqs_hz[1] - freqs_hz[0]) / rate
    return -float(np.dot(turn, weight) / max(weight.sum() * step, 1e-300))


def _late_s(performances: Sequence[Performance], name: str, rate: int) -> float | None:
    """By how much the mic hears the guitar after the reference, its band-pass apart; None where the fit is poor."""
    freqs_hz, transfer, coherence = _transfer(performances, name, rate)
    used = (freqs_hz >= BAND_HZ[0]) & (freqs_hz <= BAND_HZ[1]) & (coherence > _LEAST_COHERENCE)
    if used.sum() < _LEAST_BINS:
        return None
    freqs_hz, transfer, coherence = freqs_hz[used], transfer[used], coherence[used]
    weight = np.sqrt(np.minimum(coherence / (1.0001 - coherence), 100.0) / freqs_hz)
    weight /= np.sqrt(np.mean(weight**2))
    _, sign, late_s, rms_rad = min(_fit(freqs_hz, transfer, weight, sign, hz) for sign in (1, -1) for hz in _STARTS_HZ)
    polarities = {mic.decision.polarity for p in performances if (mic := p.mic(name)) is not None}
    return late_s if rms_rad <= MOST_RMS_RAD and polarities == {sign} else None


def _transfer(performances: Sequence[Performance], name: str, rate: int) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """(F) frequencies, transfer function from the reference to the mic, and their coherence, over all performances.

    What was read ahead by whole samples is put back in its place.
    """
    freqs_hz = performances[0].spectra.freqs_hz
    cross = np.zeros(len(freqs_hz), np.complex128)
    powers = np.zeros((2, len(freqs_hz)))
    for performance in performances:
        spectra, mic = performance.spectra, performance.mic(name)
        assert mic is not None
        m, r = spectra.mics.index(name), spectra.mics.index(mic.decision.reference)
        of = max(1, sum(spectra.n_active))
        found = spectra.active[:, m, spectra.partners.index(r)].sum(axis=0) / of
        own = spectra.active_powers[:, [m, r]].sum(axis=0) / of
        if spectra.n_quiet:
            found = found - spectra.quiet[m, spectra.partners.index(r)] / spectra.n_quiet
            own = own - spectra.quiet_powers[[m, r]] / spectra.n_quiet
        ahead = (spectra.offsets[m] - spectra.offsets[r]) / rate
        cross += found * np.exp(-2j * np.pi * freqs_hz * ahead)
        powers += np.maximum(own, 1e-150)
    coherence = np.minimum(np.abs(cross) ** 2 / (powers[0] * powers[1]), 1.0)
    return freqs_hz, cross / powers[1], coherence


def _fit(
    freqs_hz: FloatArray, transfer: ComplexArray, weight: FloatArray, sign: int, start_hz: float
) -> tuple[float, int, float, float]:
    """(cost, sign, delay in s, weighted rms of the phase's error) of the best model of this sign from this start."""

    def errors(x: FloatArray) -> FloatArray:
        rest = transfer / (sign * _model(x, freqs_hz))
        return np.concatenate([weight * np.log(np.abs(rest)), weight * np.angle(rest)])

    level = float(np.clip(np.log(np.abs(transfer).max()), -19.0, 19.0))
    cost, x = _least(errors, np.array([level, np.log(start_hz), np.log(0.6), np.log(700.0), 0.3e-3]))
    phase = errors(x)[len(freqs_hz) :]
    return cost, sign, float(x[4]), float(np.sqrt(np.mean(phase**2)))


def _least(errors: Callable[[FloatArray], FloatArray], x: FloatArray) -> tuple[float, FloatArray]:
    """(cost, parameters) of least robust squares from a start: Marquardt's steps (SIAM J. 11, 1963) with weights that
    let outliers count by their size, not its square. (Importing scipy.optimize costs more than all of these fits.)
    """

    def cost_of(own: FloatArray) -> float:
        return float(np.sum(np.sqrt(1.0 + (own / _OUTLIER) ** 2) - 1.0))

    own, damping = errors(x), 1e-2
    cost = cost_of(own)
    for _ in range(_MOST_STEPS):
        slopes = np.stack([(errors(x + step) - own) / size for step, size in zip(_STEPS, np.diag(_STEPS), strict=True)])
        weighted = slopes / np.sqrt(1.0 + (own / _OUTLIER) ** 2)
        normal, against = weighted @ slopes.T, weighted @ own
        while damping < 1e8:
            to = np.clip(x - np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), against), *_BOUNDS)
            tried = errors(to)
            if (lower := cost_of(tried)) < cost:
                break
            damping *= 4.0
        else:
            return cost, x
        gain, x, own, cost, damping = cost - lower, to, tried, lower, damping / 4.0
        if gain < 1e-9 * cost:
            break
    return cost, x


def _model(x: FloatArray, freqs_hz: FloatArray) -> ComplexArray:
    """(F) a band-pass of second order, a low-pass of second order and a delay."""
    level, centre, q, corner, late_s = x
    turn = 1j * freqs_hz / np.exp(centre)
    band = (turn / np.exp(q)) / (1.0 + turn / np.exp(q) + turn * turn)
    low = 1.0 / (1.0 + 1j * freqs_hz / np.exp(corner)) ** 2
    return np.asarray(np.exp(level) * band * low * np.exp(-2j * np.pi * freqs_hz * late_s), np.complex128)
