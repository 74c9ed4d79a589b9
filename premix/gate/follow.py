"""The gain curve of a room mic in follow mode: below the threshold its level sinks with the key's."""

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from premix.gate.curve import clip_curve, flat_curve
from premix.gate.key import Key, running_max
from premix.model.analysis import FloatArray
from premix.model.gate import GateCurve
from premix.model.recipe import Gate
from premix.units import ms_to_samples

ERROR_DB = 0.1
LONGEST = 512
"""Control frames between breakpoints, at most, while the gain is moving; a power of two that divides the
chunk."""

IndexArray = npt.NDArray[np.int64]
KeyedAt = tuple[Key, float]
"""A key and the threshold that goes with it, in dB re full scale."""


def follow_curve(
    keys: Sequence[KeyedAt], gate: Gate, *, rate: int, frames: int, arrival_samples: float
) -> GateCurve:
    """Downward expander: (ratio - 1) dB of attenuation for every dB of the key below its threshold, to the
    range.

    keys: the louder one counts, each against its own threshold. The gain rises by at most the range in
    `attack_ms` and sinks by at most the range in `release_ms`, after `hold_ms`; these slopes are limits, not
    exponentials, so above the threshold the gain is exactly 0 dB (Giannoulis, Massberg & Reiss, JAES 60(6),
    2012, place the smoothing behind the gain computer, in dB, as here). Lookahead and arrival as in the gate.
    Breakpoints stand where straight lines between them stay within 0.1 dB of the gain.
    """
    if not keys or gate.range_db == 0.0 or frames == 0:
        return flat_curve(0.0)
    kept_at, kept_db = [], []
    for start, gain in _gains(keys, gate):
        index = _corners(gain)
        kept_at.append(start + index)
        kept_db.append(gain[index])
    # A control frame stands for its middle.
    shift = 0.5 * keys[0][0].hop + arrival_samples - ms_to_samples(gate.lookahead_ms, rate)
    positions = np.concatenate(kept_at) * keys[0][0].hop + round(shift)
    gains = np.concatenate(kept_db)
    if gate.invert:
        gains = -gate.range_db - gains
    moving = np.ones(len(gains), bool)
    moving[1:-1] = (gains[1:-1] != gains[:-2]) | (gains[1:-1] != gains[2:])
    return clip_curve(GateCurve(positions[moving], gains[moving]), frames)


def _gains(keys: Sequence[KeyedAt], gate: Gate) -> Iterator[tuple[int, FloatArray]]:
    """(first frame, gain in dB) of the song in chunks that overlap by one frame, padded to whole blocks of
    LONGEST."""
    key = keys[0][0]
    held = key.span(gate.hold_ms + gate.lookahead_ms)
    rise, fall = (gate.range_db / max(1.0, key.exact_span(ms)) for ms in (gate.attack_ms, gate.release_ms))
    ahead = key.span(gate.attack_ms) + 1
    last = -gate.range_db
    for chunk in zip(*(k.chunks(before=held, after=ahead) for k, _ in keys), strict=True):
        wanted = np.max([(gate.ratio - 1.0) * (level - open_db) for (_, level), (_, open_db) in
                         zip(chunk, keys, strict=True)], axis=0)
        gain = _follow(np.clip(wanted, -gate.range_db, 0.0), held, rise)[: -ahead + 1]
        gain = np.round(_sink(gain, last, fall), 6)
        last = float(gain[-2])
        yield chunk[0][0], np.pad(gain, (0, -(gain.size - 1) % LONGEST), mode="edge")


def _follow(gain_db: FloatArray, held: int, rise_db: float) -> FloatArray:
    """The gain with its hold (the highest of the last `held` frames and this one) and its rise limited, by
    rising early.

    Gives the frames from `held` on."""
    highest = running_max(gain_db, held + 1)
    slope = rise_db * np.arange(highest.size)
    early: FloatArray = np.maximum.accumulate((highest - slope)[::-1])[::-1] + slope
    # Not below what is wanted, by no rounding either: 0 dB stays 0 dB.
    limited: FloatArray = np.minimum(np.maximum(early, highest), 0.0)
    return limited


def _sink(gain_db: FloatArray, last_db: float, fall_db: float) -> FloatArray:
    """The gain, sinking by at most `fall_db` a frame; last_db: the gain of the frame before."""
    slope = fall_db * np.arange(1, gain_db.size + 1)
    falling = np.maximum(np.maximum.accumulate(gain_db + slope), last_db) - slope
    limited: FloatArray = np.maximum(gain_db, falling)
    return limited


def _corners(gain_db: FloatArray) -> IndexArray:
    """Frames to keep, all but the last: every block of LONGEST is halved until a straight line is good
    enough."""
    starts, size = np.arange(0, gain_db.size - 1, LONGEST), LONGEST
    kept = [starts]
    while size > 1:
        share = np.arange(size + 1) / size
        blocks = gain_db[starts[:, None] + np.arange(size + 1)]
        error = np.abs(blocks - (blocks[:, :1] * (1.0 - share) + blocks[:, -1:] * share)).max(axis=1)
        size //= 2
        starts = starts[error > ERROR_DB]
        kept.append(starts + size)
        starts = np.concatenate([starts, starts + size])
    return np.sort(np.concatenate(kept))
