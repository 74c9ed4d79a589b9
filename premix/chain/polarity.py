"""polarity: turns the signal over."""

from typing import ClassVar

import numpy as np

from premix.chain.gain import Times
from premix.chain.processor import Processor, Running, Setting
from premix.model.analysis import ComplexArray, FloatArray


class Polarity(Processor):
    """Turns the signal over. On a mic, `polarity: inverted` says the same."""

    kind: ClassVar[str] = "polarity"

    def make(self, setting: Setting) -> Running:
        return Times(-1.0)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return np.full(len(freqs_hz), -1.0, np.complex128)
