"""Whether a DI plays when its amp plays: by how their levels change, as no waveform survives a distorting amp.

Linear coherence between a guitar and its distorted sound is near 0.1, so nothing that aligns mics can judge a DI. What
an amp keeps is when the level rises and falls: the changes of both levels in dB, smoothed over SMOOTH_MS, are
correlated over lags up to LAGS_MS. The DI of a take shows 0.7 to 0.9; another take of the same riff up to 0.35, as its
onsets lie a few ms elsewhere.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import DiMatch, KeyEnvelopes
from premix.units import samples_to_ms

SMOOTH_MS = 15.0
LAGS_MS = 2000.0
RANGE_DB = 40.0
"""Below the loud level lies noise, whose changes say nothing."""
PLAYS = 0.45
"""Another take of the same riff stays below 0.35; a DI whose amp's mic has drums 8 dB below it reaches 0.5."""
LATE_MS = 10.0
"""A close mic hears the amp within 3 ms, and the lag is found to about 3 ms."""
_CHUNK = 1 << 15
_LOUD_SHARE = 0.05
_SILENT_DB = -110.0


def check_dis(song: Song) -> Song:
    """The song with how each DI fits its performance, and findings on those that do not, or play at another time."""
    matches: dict[str, DiMatch] = {}
    findings: list[Finding] = []
    for performance in song.performances:
        for di in performance.dis:
            found = match(performance, di.name, performance)
            matches[di.label] = found
            findings += _findings(song, performance, di, found)
    return song.with_mics(lambda mic: replace(mic, match=matches[mic.label]) if mic.is_di else mic).tell(*findings)


def match(owner: Performance, di: str, performance: Performance) -> DiMatch:
    """How a DI of `owner` fits the close mics of `performance`: that of the mic it fits best."""
    ours = Changes(owner.di_envelopes, owner.di_envelopes.mics.index(di))
    theirs = [Changes(performance.envelopes, m) for m in range(len(performance.envelopes.mics))]
    lags = round(LAGS_MS)
    best = DiMatch(0.0, 0.0)
    for mic in theirs:
        likeness = correlate(ours, mic, lags)
        at = int(np.argmax(likeness))
        if likeness[at] > best.likeness:
            hop, rate = owner.di_envelopes.hop, owner.di_envelopes.rate
            best = DiMatch(float(likeness[at]), samples_to_ms((at - lags) * hop, rate))
    return best


def _findings(song: Song, performance: Performance, di: Mic, found: DiMatch) -> Iterator[Finding]:
    if di.levels.sample_peak == 0.0:
        return  # its silence is told
    if found.likeness >= PLAYS:
        if abs(found.late_ms) > LATE_MS:
            side = "after" if found.late_ms > 0.0 else "before"
            what = f"plays {abs(found.late_ms):.0f} ms {side} its amp; it is delivered where it was recorded"
            yield Finding("di-offset", "warning", di.label, what)
        return
    others = [(match(performance, di.name, other).likeness, other.name) for other in song.performances]
    likeness, name = max(others, default=(0.0, ""))
    whose = f"; it plays as {name} plays ({likeness:.2f})" if likeness >= PLAYS and name != performance.name else ""
    what = f"does not play when its amp plays: likeness of their levels {found.likeness:.2f}, at least {PLAYS:g} wanted"
    yield Finding("di-other-take", "warning", di.label, what + whose)


class Changes:
    """Changes of one track's level, read from the envelopes on disk: never more than a chunk at a time."""

    def __init__(self, envelopes: KeyEnvelopes, mic: int) -> None:
        self._envelopes, self._mic = envelopes, mic
        self.frames = envelopes.frames
        window = np.hanning(round(SMOOTH_MS) + 2)[1:-1]
        self._window = window / window.sum()
        self._floor_db = max(_SILENT_DB, self._loud_db() - RANGE_DB)

    def read(self, start: int, count: int) -> FloatArray:
        """Changes in dB from one frame to the next, (count,); 0 outside of the song."""
        half = len(self._window) // 2
        begin, end = start - half, start + count + 1 + half
        inside = self._envelopes.read(begin, end)[self._mic]
        if not inside.size:
            return np.zeros(count)
        early = max(0, -begin)  # the first and last level go on, so that the song's ends are no changes
        power = np.pad(inside, (early, end - begin - early - len(inside)), mode="edge")
        smooth = np.convolve(power, self._window, "valid")
        level_db = 10.0 * np.log10(np.maximum(smooth, 1e-20))
        changes = np.diff(np.maximum(level_db, self._floor_db))[:count]
        changes[: max(0, -start)] = 0.0
        changes[max(0, self.frames - start) :] = 0.0
        return changes

    def _loud_db(self) -> float:
        """Level that one frame in twenty passes."""
        counts = np.zeros(400, np.int64)
        for start in range(0, self.frames, _CHUNK):
            power = self._envelopes.read(start, start + _CHUNK)[self._mic]
            level = 10.0 * np.log10(np.maximum(power, 1e-20))
            counts += np.bincount(np.clip(level + 200.0, 0, 399).astype(np.int64), minlength=400)
        above = np.cumsum(counts[::-1]) > _LOUD_SHARE * max(1, self.frames)
        return float(199 - int(np.argmax(above)))


def correlate(di: Changes, mic: Changes, lags: int) -> FloatArray:
    """Correlation of the changes of two tracks, (2 lags + 1,): entry `lags` + k has the DI k frames later."""
    total, energy_a, energy_b = np.zeros(2 * lags + 1), 0.0, 0.0
    size = 1 << (_CHUNK + 2 * lags - 1).bit_length()
    for start in range(0, mic.frames, _CHUNK):
        b = mic.read(start, _CHUNK)
        a = di.read(start - lags, _CHUNK + 2 * lags)
        spectrum = np.fft.rfft(a, size) * np.fft.rfft(b, size).conj()
        total += np.fft.irfft(spectrum, size)[: 2 * lags + 1]
        own = a[lags : lags + _CHUNK]
        energy_a, energy_b = energy_a + float(np.dot(own, own)), energy_b + float(np.dot(b, b))
    scale = np.sqrt(energy_a * energy_b)
    return total / scale if scale > 0.0 else np.zeros_like(total)
