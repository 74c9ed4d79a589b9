"""compressor: pedalboard's detector and curve, fed by the linked level, turn our own 64-bit signal down.

expander: lowers what is soft, heard in the signal itself or in another mic or performance.

limiter: pedalboard's brickwall limiter; below the ceiling the 64-bit signal passes untouched.
"""

import math
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import FloatArray
from premix.audio.delays import DelayLine
from premix.model.settings import GainDb, LookaheadMs, Name, RangeDb, Ratio, ThresholdDb, TimeMs
from premix.processors.base import InRows, KeySource, Processor, Running, Setting
from premix.units import db_to_gain, gain_to_db, ms_to_samples

_ROW = 1024
_FLOOR = 1e-6
"""Added to the level (-120 dB), so that the gain can be read off where the signal is silent."""
_TIME = 2.0 * math.pi
"""pedalboard means 2 pi time constants by its times; ours are those of 63 %."""
BallisticsMs = Annotated[float, Field(ge=0.0, le=5000.0, allow_inf_nan=False)]


class Compressor(Processor):
    """Turns down what is loud. The channels are linked: the louder one decides, the picture does not move."""

    kind: ClassVar[str] = "compressor"

    threshold_db: ThresholdDb = Field(description="Peak level above which it turns down.", examples=[-18])
    ratio: Ratio = Field(2.0, description="dB of input for one dB of output above the threshold.", examples=[2])
    attack_ms: BallisticsMs = Field(10.0, description="Time of the detector to rise by 63 %.", examples=[30])
    release_ms: BallisticsMs = Field(100.0, description="Time of the detector to fall by 63 %.", examples=[150])
    gain_db: GainDb = Field(0.0, description="Gain after it; nothing is made up by itself.", examples=[2])

    def make(self, setting: Setting) -> Running:
        return InRows(_Linked(self, setting.rate).work, setting.channels, _ROW)


class _Linked:
    """One gain for all channels, from the larger of their levels."""

    def __init__(self, settings: Compressor, rate: int) -> None:
        import pedalboard  # slow to import

        self._rate = rate
        self._gain = db_to_gain(settings.gain_db)
        self._detector: Any = pedalboard.Compressor(
            threshold_db=settings.threshold_db,
            ratio=settings.ratio,
            attack_ms=settings.attack_ms * _TIME,
            release_ms=settings.release_ms * _TIME,
        )

    def work(self, row: FloatArray) -> FloatArray:
        level = (np.abs(row).max(axis=0, keepdims=True) + _FLOOR).astype(np.float32)
        turned_down = self._detector.process(level, self._rate, buffer_size=_ROW, reset=False)
        made: FloatArray = row * (turned_down.astype(np.float64) / level * self._gain)
        return made


_STEP = 32
"""Samples between two looks at the level."""


class Expander(Processor):
    """Lowers what is soft: bleed and noise between the notes. The key decides, the signal is turned down."""

    kind: ClassVar[str] = "expander"

    threshold_db: ThresholdDb = Field(
        description="Peak level of the key, in dBFS, below which the signal is lowered.", examples=[-45]
    )
    ratio: Ratio = Field(
        3.0, description="dB that the output falls for each dB of the key below the threshold.", examples=[3]
    )
    range_db: RangeDb = Field(20.0, description="Most that the signal is lowered.", examples=[20])
    attack_ms: TimeMs = Field(1.0, description="Time to open by 63 %.", examples=[1])
    hold_ms: TimeMs = Field(20.0, description="How long it stays open once the key has fallen.", examples=[20])
    release_ms: TimeMs = Field(100.0, description="Time to close by 63 %.", examples=[100])
    lookahead_ms: LookaheadMs = Field(
        2.0, description="How much earlier than the key it opens; compensated.", examples=[2]
    )
    key: Name | None = Field(
        None,
        description="The mic (of the same performance) or the performance whose level decides, before their "
        "chains; on a bus, a performance. Default: the signal itself.",
        examples=["dynamic"],
    )

    def make(self, setting: Setting) -> Running:
        source = None
        if self.key is not None and setting.key is not None:
            source = setting.key(self.key, setting.lag)
        expansion = _Expansion(self, setting.rate, setting.channels, source)
        return InRows(expansion.work, setting.channels, _ROW, expansion.lookahead)


class _Expansion:
    """Gain computer, hold, and smoothing in dB with separate times, looked at every _STEP samples.

    Gain computer and branching smoothing: Giannoulis, Massberg & Reiss, Digital Dynamic Range Compressor Design,
    JAES 60(6), 2012, for an expander.
    """

    def __init__(self, settings: Expander, rate: int, channels: int, source: KeySource | None) -> None:
        self._settings, self._source = settings, source
        self.lookahead = round(ms_to_samples(settings.lookahead_ms, rate))
        self._line = DelayLine(channels, self.lookahead)
        self._attack = _smoothing(settings.attack_ms, rate)
        self._release = _smoothing(settings.release_ms, rate)
        # What opens early must not close early, too.
        self._hold = math.ceil(ms_to_samples(settings.hold_ms + settings.lookahead_ms, rate) / _STEP)
        self._left = 0
        self._held_db = self._lowered_db = settings.range_db

    def work(self, row: FloatArray) -> FloatArray:
        key = row if self._source is None else self._source(_ROW)[None]
        peaks = np.abs(key).max(axis=0).reshape(-1, _STEP).max(axis=1)
        curve = [self._lowered_db, *(self._next(peak) for peak in peaks.tolist())]
        lowered_db = np.interp(np.arange(1, _ROW + 1) / _STEP, np.arange(len(curve)), curve)
        made: FloatArray = self._line.process(row) * 10.0 ** (lowered_db / -20.0)
        return made

    def _next(self, peak: float) -> float:
        """dB by which the signal is lowered after one more step, given the key's peak in it."""
        under = max(0.0, self._settings.threshold_db - gain_to_db(peak))
        target = min(under * (self._settings.ratio - 1.0), self._settings.range_db)
        if target <= self._held_db:
            self._held_db, self._left = target, self._hold
        elif self._left > 0:
            self._left -= 1
        else:
            self._held_db = target
        keep = self._attack if self._held_db < self._lowered_db else self._release
        self._lowered_db = self._held_db + keep * (self._lowered_db - self._held_db)
        return self._lowered_db


def _smoothing(time_ms: float, rate: int) -> float:
    """What is left of a difference after one step."""
    return math.exp(-_STEP / ms_to_samples(time_ms, rate)) if time_ms > 0.0 else 0.0


_LIMITER_ROW = 2048


class Limiter(Processor):
    """Holds peaks under a ceiling, channels linked. No sample passes it; true peaks may, by fractions of a dB."""

    kind: ClassVar[str] = "limiter"

    ceiling_db: Annotated[float, Field(ge=-60.0, le=0.0, allow_inf_nan=False)] = Field(
        -1.0, description="Highest sample, in dBFS, before the gains that follow.", examples=[-3]
    )
    release_ms: Annotated[float, Field(ge=1.0, le=5000.0, allow_inf_nan=False)] = Field(
        100.0, description="Time to let go.", examples=[100]
    )
    lookahead_ms: Annotated[float, Field(ge=0.1, le=20.0, allow_inf_nan=False)] = Field(
        5.0, description="How early it sees a peak; compensated.", examples=[5]
    )

    def make(self, setting: Setting) -> Running:
        wall = _Wall(self, setting.rate, setting.channels)
        return InRows(wall.work, setting.channels, _LIMITER_ROW, wall.lookahead)


class _Wall:
    """What the library changes is added to the 64-bit signal, so that where it changes nothing, nothing changes."""

    def __init__(self, settings: Limiter, rate: int, channels: int) -> None:
        import pedalboard  # slow to import

        self._rate = rate
        self._limiter: Any = pedalboard.BrickwallLimiter(
            ceiling_db=settings.ceiling_db, release_ms=settings.release_ms, lookahead_ms=settings.lookahead_ms
        )
        silence = np.zeros((channels, _LIMITER_ROW), np.float32)
        trial = self._limiter.process(silence, rate, buffer_size=_LIMITER_ROW, reset=False)
        self.lookahead = _LIMITER_ROW - trial.shape[1]  # the library keeps back what it looks ahead
        self._limiter.reset()
        self._late = np.zeros((channels, self.lookahead))
        self._line = DelayLine(channels, self.lookahead)

    def work(self, row: FloatArray) -> FloatArray:
        came = self._limiter.process(row.astype(np.float32), self._rate, buffer_size=_LIMITER_ROW, reset=False)
        limited = np.concatenate([self._late, came], axis=1)  # starts with zeros: the first call keeps some back
        self._late = limited[:, _LIMITER_ROW:]
        signal = self._line.process(row)
        made: FloatArray = signal + (limited[:, :_LIMITER_ROW] - signal.astype(np.float32))
        return made
