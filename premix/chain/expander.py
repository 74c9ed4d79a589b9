"""expander: lowers what is soft, heard in the signal itself or in another mic or performance."""

import math
from typing import ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import KeySource, Processor, Running, Setting
from premix.chain.rows import InRows
from premix.dsp.delay_line import DelayLine
from premix.model.analysis import FloatArray
from premix.model.recipe_values import LookaheadMs, Name, RangeDb, Ratio, ThresholdDb, TimeMs
from premix.units import gain_to_db, ms_to_samples

_ROW = 1024
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
