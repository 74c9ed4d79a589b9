"""A first look at every track: levels, loudness and noise floor in one quick pass, without the filters of the meters.

Loudness is that of ITU-R BS.1770 with its K-weighting applied to the spectrum of each 400 ms block, blocks side by
side instead of overlapping: within 0.2 LU of the meter on music, and quick.
"""

from collections.abc import Callable

import numpy as np

from premix.analysis.damage import SoftestBlocks
from premix.analysis.levels import LevelMeter
from premix.analysis.scan import clip_level
from premix.arrays import FloatArray
from premix.audio.filters import sections_response
from premix.audio.reader import TrackReader
from premix.model.analysis import TrackLevels
from premix.model.tracks import Track, TrackLook, TrackSet

# ITU-R BS.1770-5, annex 1, tables 1 and 2: the two sections of the K-weighting at 48 kHz.
_K_RATE = 48000
_K_SECTIONS = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)
_BLOCK_S = 0.4
_FLOOR_S = 0.025
"""Blocks of the noise floor: they fit into the shortest stops."""
_ABSOLUTE_LUFS, _RELATIVE_LU = -70.0, -10.0
_OFFSET = -0.691


def look(tracks: TrackSet, progress: Callable[[int], None] = lambda samples: None) -> tuple[TrackLook, ...]:
    """Read every track once. progress: told how many samples were read since the last call."""
    return tuple(_look(track, tracks.rate, progress) for track in tracks.tracks)


def _look(track: Track, rate: int, progress: Callable[[int], None]) -> TrackLook:
    meter = LevelMeter(rate, clip_level(track))
    size = round(_BLOCK_S * rate)
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    weight = np.abs(sections_response(_K_SECTIONS, np.minimum(freqs, 0.49 * _K_RATE), _K_RATE)) ** 2
    weight *= 2.0 / size**2
    powers: list[float] = []
    plain: list[FloatArray] = []
    soft = SoftestBlocks(size, rate)
    pieces = round(_BLOCK_S / _FLOOR_S)
    block = np.empty(size)
    with TrackReader(track, hash_samples=True) as reader:
        for start in range(track.start, track.start + track.header.frames, size):
            count = min(size, track.start + track.header.frames - start)
            block[count:] = 0.0
            reader.read(start, block[:count])
            meter.feed(block[:count])
            if np.isfinite(block).all() and count == size:
                spectrum = np.fft.rfft(block)
                soft.feed(spectrum, float(np.dot(block, block)) / size)
                powers.append(float(np.dot(weight, spectrum.real**2 + spectrum.imag**2)))
                plain.append((block[: pieces * (size // pieces)].reshape(pieces, -1) ** 2).mean(axis=1))
            progress(count)
        sha256 = reader.sha256()
    levels = TrackLevels(
        track.performance,
        track.mic,
        track.header.frames,
        meter.peak,
        meter.rms,
        meter.dc,
        meter.nonfinite,
        meter.clipped_runs(),
        meter.dropouts(),
        sha256,
        soft.hum(),
    )
    return TrackLook(levels, _gated_loudness(np.array(powers)), _floor(np.concatenate(plain) if plain else np.zeros(0)))


def _gated_loudness(powers: FloatArray) -> float | None:
    """BS.1770's two gates over the blocks' weighted powers."""
    loud = powers[powers > 10.0 ** ((_ABSOLUTE_LUFS - _OFFSET) / 10.0)]
    if not len(loud):
        return None
    loud = loud[loud > loud.mean() * 10.0 ** (_RELATIVE_LU / 10.0)]
    return float(_OFFSET + 10.0 * np.log10(loud.mean()))


def _floor(powers: FloatArray) -> float | None:
    """Level of the quietest tenth of the short blocks, digital silence left out."""
    heard = powers[powers > 1e-14]
    return float(10.0 * np.log10(np.percentile(heard, 10))) if len(heard) else None
