"""What a mix and all tracks of its song share, gathered in one pass: matrices by third octave, in parts of the song.

The K tracks of all performances stand in one matrix, as recorded and as the recipe mixes them. Of the tracks among each
other only sums over third octaves are kept, of each track with the mix every bin: that is what an offset of a few
samples is found in. Memory is 25 K^2 numbers and K spectra a part, however long the song.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import Band, band_slices, third_octave_bands
from premix.audio.filters import mic_sections, sections_response
from premix.audio.reader import TrackReader
from premix.audio.rough_mix import MixSamples
from premix.model.song import Mic, Song
from premix.processors.base import Setting
from premix.processors.chains import linear_response

FRAME_S = 0.34
LOW_HZ, HIGH_HZ = 50.0, 10_000.0
PARTS = 6
"""The song is gathered in so many parts, one after the other: what they disagree about is not sure."""
LEAST_PART_S = 4.0
OVERLAP_S = 70.0
"""Up to this length frames overlap by half, as in the reading pass."""


@dataclass(frozen=True, slots=True)
class Side:
    """The tracks in one state, as recorded or aligned. among: (P, B, K, K) real sums of each part; turn: (K, F) what
    each track's spectrum is multiplied by."""

    among: FloatArray
    turn: ComplexArray


@dataclass(frozen=True, slots=True)
class Gathered:
    """mics: the K tracks. bands: B of them, with the bins of each. shared: (P, 2, K, F) sums of Y_c conj(X_k) of the
    tracks as they were recorded; mix: (P, 2, B) powers of the mix. frames: in each part."""

    rate: int
    mics: tuple[Mic, ...]
    freqs_hz: FloatArray
    bands: tuple[Band, ...]
    slices: tuple[slice, ...]
    shared: ComplexArray
    mix: FloatArray
    frames: tuple[int, ...]
    recorded: Side
    aligned: Side

    @property
    def omega(self) -> FloatArray:
        """(F) radians a sample."""
        return 2.0 * np.pi * self.freqs_hz / self.rate


def tracks_of(song: Song) -> tuple[Mic, ...]:
    """The mics that a mix can be made of: all but DIs, and but silent ones."""
    return tuple(mic for mic in song.mics if not mic.is_di and mic.levels.rms > 0.0)


def gather(
    song: Song, mix: MixSamples, offset: int, progress: Callable[[int], None] = lambda samples: None
) -> Gathered:
    """One pass over every track, the mix read `offset` samples later; progress: told of samples of tracks."""
    frame = int(2 ** round(np.log2(FRAME_S * song.rate)))
    freqs_hz: FloatArray = np.asarray(np.fft.rfftfreq(frame, 1.0 / song.rate), np.float64)
    bands = tuple(b for b in third_octave_bands(LOW_HZ, HIGH_HZ) if b.upper_hz < 0.48 * song.rate)
    bins = slice(*np.searchsorted(freqs_hz, (bands[0].lower_hz, bands[-1].upper_hz)).tolist())
    freqs_hz = freqs_hz[bins]
    slices, mics = band_slices(freqs_hz, bands), tracks_of(song)
    turn = np.stack([_turn(mic, freqs_hz, song.rate) for mic in mics])
    seconds = song.frames / song.rate
    parts = max(2, min(PARTS, int(seconds / LEAST_PART_S)))
    among = np.zeros((2, parts, len(bands), len(mics), len(mics)))
    shared = np.zeros((parts, 2, len(mics), len(freqs_hz)), np.complex128)
    power, counts = np.zeros((parts, 2, len(bands))), [0] * parts
    hop = frame // 2 if seconds <= OVERLAP_S else frame
    starts = range(0, max(1, song.frames - frame), hop)
    window = np.hanning(frame + 1)[:-1]
    for number, samples in enumerate(_frames(mics, starts, frame)):
        progress(hop * len(mics))
        mixed = mix.read(starts[number] + offset, frame)
        if not mixed.any():
            continue
        part = min(parts - 1, number * parts // len(starts))
        counts[part] += 1
        spectra = np.fft.rfft(samples * window, axis=1)[:, bins]
        sides = np.fft.rfft(mixed * window, axis=1)[:, bins]
        shared[part] += sides[:, None] * spectra.conj()
        turned = spectra * turn
        for b, own in enumerate(slices):
            power[part, :, b] += (np.abs(sides[:, own]) ** 2).sum(axis=1)
            for state, found in enumerate((spectra[:, own], turned[:, own])):
                flat = np.concatenate((found.real, found.imag), axis=1)
                among[state, part, b] += flat @ flat.T
    ones = np.ones_like(turn)
    return Gathered(
        song.rate,
        mics,
        freqs_hz,
        bands,
        slices,
        shared,
        power,
        tuple(counts),
        Side(among[0], ones),
        Side(among[1], turn),
    )


def _turn(mic: Mic, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) what the recipe's polarity, delay, filters and linear processors do to a track; its gain left out."""
    sections = mic_sections(rate, mic.high_pass_hz, mic.low_pass_hz, mic.decision.rotation)
    delay = np.exp(2j * np.pi * freqs_hz / rate * mic.decision.delay_samples)
    linear = linear_response(mic.chain, freqs_hz, Setting(rate, 1))
    turned: ComplexArray = mic.decision.polarity * delay * sections_response(sections, freqs_hz, rate) * linear
    return turned


def _frames(mics: Sequence[Mic], starts: Sequence[int], frame: int) -> Iterator[FloatArray]:
    """(K, frame) samples of all tracks from each of the starts on."""
    with ExitStack() as stack:
        readers = [stack.enter_context(TrackReader(mic.track)) for mic in mics]
        samples = np.zeros((len(mics), frame))
        before = None
        for start in starts:
            new = frame if before is None else start - before
            samples[:, : frame - new] = samples[:, new:]
            for reader, row in zip(readers, samples, strict=True):
                reader.read(start + frame - new, row[frame - new :])
            samples[~np.isfinite(samples)] = 0.0
            before = start
            yield samples
