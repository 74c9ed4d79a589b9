"""Gain that follows the level: compressor, expander, limiter.

Compressor and limiter are pedalboard's, in 32 bits, but what they decide is done to the 64-bit signal.
"""

import math
from functools import partial
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import FloatArray
from premix.audio.filters import DelayLine
from premix.model.settings import GainDb, LookaheadMs, Name, RangeDb, Ratio, ThresholdDb, TimeMs
from premix.processors.base import InRows, KeySource, Processor, Running, Setting, between, library_effect
from premix.units import db_to_gain, gain_to_db, ms_to_samples

_ROW = 1024
_FLOOR = 1e-6
"""Added to the level (-120 dB), so that the gain can be read off where the signal is silent."""
_TIME = 2.0 * math.pi
"""pedalboard means 2 pi time constants by its times; ours are those of 63 %."""
BallisticsMs = Annotated[float, between(0.0, 5000.0)]


class Compressor(Processor):
    """Turns down what is loud. The channels are linked: the louder one decides, the picture does not move."""

    kind: ClassVar[str] = "compressor"

    threshold_db: ThresholdDb = Field(description="Peak level above which it turns down.", examples=[-18])
    ratio: Ratio = Field(2.0, description="dB of input for one dB of output above the threshold.", examples=[2])
    attack_ms: BallisticsMs = Field(10.0, description="Time of the detector to rise by 63 %.", examples=[30])
    release_ms: BallisticsMs = Field(100.0, description="Time of the detector to fall by 63 %.", examples=[150])
    gain_db: GainDb = Field(0.0, description="Gain after it; nothing is made up by itself.", examples=[2])

    def make(self, setting: Setting) -> Running:
        return _Linked(self, setting)


class _Linked(InRows):
    """pedalboard's detector and curve, fed by the larger of the channels' levels: one gain for all."""

    def __init__(self, settings: Compressor, setting: Setting) -> None:
        super().__init__(setting.channels, _ROW)
        self._gain = db_to_gain(settings.gain_db)
        self._detect = library_effect(
            "Compressor",
            setting.rate,
            threshold_db=settings.threshold_db,
            ratio=settings.ratio,
            attack_ms=settings.attack_ms * _TIME,
            release_ms=settings.release_ms * _TIME,
        )

    def work(self, row: FloatArray) -> FloatArray:
        level = (np.abs(row).max(axis=0, keepdims=True) + _FLOOR).astype(np.float32).astype(np.float64)
        made: FloatArray = row * (self._detect(level) / level * self._gain)
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
        return _Expansion(self, setting)


class _Expansion(InRows):
    """Gain computer, hold, and smoothing in dB with separate times, looked at every _STEP samples.

    Gain computer and branching smoothing: Giannoulis, Massberg & Reiss, Digital Dynamic Range Compressor Design,
    JAES 60(6), 2012, for an expander.
    """

    def __init__(self, settings: Expander, setting: Setting) -> None:
        rate, lookahead = setting.rate, round(ms_to_samples(settings.lookahead_ms, setting.rate))
        super().__init__(setting.channels, _ROW, lookahead)
        self._settings = settings
        self._source: KeySource | None = None
        if settings.key is not None and setting.key is not None:
            self._source = setting.key(settings.key, setting.lag)
        self._line = DelayLine(setting.channels, lookahead)
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

    ceiling_db: Annotated[float, between(-60.0, 0.0)] = Field(
        -1.0, description="Highest sample, in dBFS, before the gains that follow.", examples=[-3]
    )
    release_ms: Annotated[float, between(1.0, 5000.0)] = Field(100.0, description="Time to let go.", examples=[100])
    lookahead_ms: Annotated[float, between(0.1, 20.0)] = Field(
        5.0, description="How early it sees a peak; compensated.", examples=[5]
    )

    def make(self, setting: Setting) -> Running:
        return _Wall(self, setting)


class _Wall(InRows):
    """pedalboard's brickwall limiter. What it changes is added to the 64-bit signal, so that below the ceiling
    nothing changes."""

    def __init__(self, settings: Limiter, setting: Setting) -> None:
        limiter = partial(library_effect, "BrickwallLimiter", setting.rate, **settings.model_dump())
        trial = limiter()(np.zeros((setting.channels, _LIMITER_ROW)))
        lookahead = _LIMITER_ROW - trial.shape[1]  # the library keeps back what it looks ahead
        super().__init__(setting.channels, _LIMITER_ROW, lookahead)
        self._limit = limiter()
        self._late = np.zeros((setting.channels, lookahead))
        self._line = DelayLine(setting.channels, lookahead)

    def work(self, row: FloatArray) -> FloatArray:
        limited = np.concatenate([self._late, self._limit(row)], axis=1)  # the first call keeps some back: zeros
        self._late = limited[:, _LIMITER_ROW:]
        signal = self._line.process(row)
        made: FloatArray = signal + (limited[:, :_LIMITER_ROW] - signal.astype(np.float32))
        return made
