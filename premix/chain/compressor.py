"""compressor: pedalboard's detector and curve, fed by the linked level, turn our own 64-bit signal down."""

import math
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import Processor, Running, Setting
from premix.chain.rows import InRows
from premix.model.analysis import FloatArray
from premix.model.recipe_values import GainDb, Ratio, ThresholdDb
from premix.units import db_to_gain

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
