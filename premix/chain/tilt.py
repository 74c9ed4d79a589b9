"""tilt: leans the whole spectrum about one frequency."""

import math
from typing import ClassVar

import numpy as np
from pydantic import Field

from premix.chain.cookbook import EqGainDb, EqHz
from premix.chain.equaliser import Equaliser
from premix.model.analysis import FloatArray
from premix.units import db_to_gain


class Tilt(Equaliser):
    """Leans the spectrum about a frequency: brighter above and thinner below, or the other way round."""

    kind: ClassVar[str] = "tilt"

    pivot_hz: EqHz = Field(800.0, description="Where the level stays what it is.", examples=[800])
    gain_db: EqGainDb = Field(
        description="Gain far above the pivot; far below it is as much the other way.", examples=[1.5]
    )

    def sections(self, rate: int) -> FloatArray:
        """H(s) = (g s + 1) / (s + g) at s = jw / pivot: 1/g at DC, g at the top, magnitude 1 at the pivot."""
        g, k = db_to_gain(self.gain_db), math.tan(math.pi * self.pivot_hz / rate)
        return np.array([[g + k, k - g, 0.0, 1.0 + g * k, g * k - 1.0, 0.0]]) / (1.0 + g * k)
