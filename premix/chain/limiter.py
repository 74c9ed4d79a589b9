"""limiter: pedalboard's brickwall limiter; below the ceiling the 64-bit signal passes untouched."""

from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import Processor, Running, Setting
from premix.chain.rows import InRows
from premix.dsp.delay_line import DelayLine
from premix.model.analysis import FloatArray

_ROW = 2048


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
        return InRows(wall.work, setting.channels, _ROW, wall.lookahead)


class _Wall:
    """What the library changes is added to the 64-bit signal, so that where it changes nothing, nothing changes."""

    def __init__(self, settings: Limiter, rate: int, channels: int) -> None:
        import pedalboard  # slow to import

        self._rate = rate
        self._limiter: Any = pedalboard.BrickwallLimiter(
            ceiling_db=settings.ceiling_db, release_ms=settings.release_ms, lookahead_ms=settings.lookahead_ms
        )
        trial = self._limiter.process(np.zeros((channels, _ROW), np.float32), rate, buffer_size=_ROW, reset=False)
        self.lookahead = _ROW - trial.shape[1]  # the library keeps back what it looks ahead
        self._limiter.reset()
        self._late = np.zeros((channels, self.lookahead))
        self._line = DelayLine(channels, self.lookahead)

    def work(self, row: FloatArray) -> FloatArray:
        came = self._limiter.process(row.astype(np.float32), self._rate, buffer_size=_ROW, reset=False)
        limited = np.concatenate([self._late, came], axis=1)  # starts with zeros: the first call keeps some back
        self._late = limited[:, _ROW:]
        signal = self._line.process(row)
        made: FloatArray = signal + (limited[:, :_ROW] - signal.astype(np.float32))
        return made
