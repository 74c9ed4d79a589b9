"""When a mix begins against the tracks: cross-correlation over the whole song, in the band of the guitar.

Both are thinned to 6 kHz. Cross-spectra of long blocks of each performance's loudest close mic with both sides of the
mix are averaged over the song, whitened (phase transform: Knapp & Carter, IEEE Trans. ASSP 24(4), 1976), and the powers
of all correlations are added: a performance may be on either side, and in either polarity.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.reader import TrackReader
from premix.audio.rough_mix import MixSamples
from premix.model.song import Mic, Song
from premix.units import s_to_samples

MOST_OFFSET_S = 10.0
THIN_HZ = 6000
BAND_HZ = (150.0, 2700.0)
BLOCK_S = 40.0
MOST_LISTENED = 6
"""Performances that are held against the mix: more say the same."""


def find_offset(song: Song, mix: MixSamples) -> int:
    """Samples by which the mix is later than the tracks (negative: it begins before them), within 1 sample at 6 kHz.

    It is the likeliest one; whether the mix is one of these tracks at all shows later.
    """
    listened = sorted((_loudest(mics) for mics in _close_mics(song)), key=lambda mic: -mic.levels.rms)[:MOST_LISTENED]
    block, reach = round(BLOCK_S * THIN_HZ), round(MOST_OFFSET_S * THIN_HZ)
    size = 1 << int(np.ceil(np.log2(block + 2 * reach)))
    freqs_hz = np.fft.rfftfreq(size, 1.0 / THIN_HZ)
    band = (freqs_hz > BAND_HZ[0]) & (freqs_hz < BAND_HZ[1])
    sides = [_spectra(thinned, block, reach, size, song) for thinned in _thin_mix(mix, song)]
    powers = np.zeros(2 * reach + 1)
    for mic in listened:
        track = _thin_track(mic, song)
        crosses: list[ComplexArray] = [np.zeros(len(freqs_hz), np.complex128) for _ in sides]
        for number, start in enumerate(range(0, len(track), block)):
            spectrum = np.fft.rfft(track[start : start + block], size).conj()
            for cross, side in zip(crosses, sides, strict=True):
                cross += spectrum * side(number)
        for cross in crosses:
            whitened = np.where(band, cross / np.maximum(np.abs(cross), 1e-300), 0.0)
            powers += np.fft.irfft(whitened, size)[: 2 * reach + 1] ** 2
    return round((int(np.argmax(powers)) - reach) * song.rate / THIN_HZ)


def _close_mics(song: Song) -> Iterator[Sequence[Mic]]:
    for performance in song.performances:
        if performance.close:
            yield performance.close


def _loudest(mics: Sequence[Mic]) -> Mic:
    """The one that says most: broadband ones before sub mics, then by level."""
    return max(mics, key=lambda mic: (mic.role != "sub", mic.levels.rms))


class _spectra:  # noqa: N801 - called like a function
    """Spectra of one side of the mix, block by block, each with `reach` samples before and after."""

    def __init__(self, thinned: FloatArray, block: int, reach: int, size: int, song: Song) -> None:
        self._padded = np.concatenate((np.zeros(reach), thinned, np.zeros(reach)))
        self._block, self._reach, self._size = block, reach, size

    def __call__(self, number: int) -> ComplexArray:
        start = number * self._block
        piece = self._padded[start : start + self._block + 2 * self._reach]
        found: ComplexArray = np.fft.rfft(piece, self._size)
        return found


def _thin_mix(mix: MixSamples, song: Song) -> list[FloatArray]:
    thin = [_Thin(song.rate) for _ in range(2)]
    step = song.rate * 10
    for start in range(0, mix.frames, step):
        block = mix.read(start, min(step, mix.frames - start))
        for side, samples in zip(thin, block, strict=True):
            side.feed(samples)
    return [side.whole() for side in thin]


def _thin_track(mic: Mic, song: Song) -> FloatArray:
    thin, step = _Thin(song.rate), song.rate * 10
    with TrackReader(mic.track) as reader:
        for start in range(0, song.frames, step):
            block = np.empty(min(step, song.frames - start))
            reader.read(start, block)
            thin.feed(np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0))
    return thin.whole()


class _Thin:
    """A signal at 6 kHz, block by block."""

    def __init__(self, rate: int) -> None:
        import soxr

        self._stream = soxr.ResampleStream(rate, THIN_HZ, 1, dtype="float32", quality="LQ")
        self._pieces: list[FloatArray] = []

    def feed(self, samples: FloatArray) -> None:
        self._pieces.append(self._stream.resample_chunk(samples.astype(np.float32)))

    def whole(self) -> FloatArray:
        pieces = [*self._pieces, self._stream.resample_chunk(np.zeros(0, np.float32), last=True)]
        whole: FloatArray = np.concatenate(pieces).astype(np.float64)
        return whole


def offset_s(samples: int, rate: int) -> float:
    """The same in seconds."""
    return samples / s_to_samples(1.0, rate)
