"""gain: a level inside a chain."""

from typing import ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import Processor, Running, Setting
from premix.model.analysis import ComplexArray, FloatArray
from premix.model.recipe_values import GainDb
from premix.units import db_to_gain


class Gain(Processor):
    """A level inside a chain: how hard the next processor is driven."""

    kind: ClassVar[str] = "gain"

    gain_db: GainDb = Field(description="Gain.", examples=[-6])

    def make(self, setting: Setting) -> Running:
        return Times(db_to_gain(self.gain_db))

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return np.full(len(freqs_hz), db_to_gain(self.gain_db), np.complex128)


class Times(Running):
    """Multiplies every sample by one factor."""

    def __init__(self, factor: float) -> None:
        self._factor = factor

    def process(self, block: FloatArray) -> FloatArray:
        block *= self._factor
        return block
