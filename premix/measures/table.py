"""The measures of every output, one line a measure.

To add one: a file in this room, a line in `PART_MEASURES`, a field in the record. `PartMeter` measures any
output file, `StereoMeter` the guitar bus as a stereo picture. Both take blocks of any size; another blocking
changes results by rounding only (1e-12 relative).
"""

from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from premix.measures.correlation import CorrelationMeter
from premix.measures.fold_bands import FoldBandsMeter
from premix.measures.levels import LevelMeter
from premix.measures.loudness import LoudnessMeter
from premix.measures.true_peak import TruePeakMeter
from premix.model.render import PartMeasures, StereoMeasures

FloatArray = npt.NDArray[np.float64]


class Measured(Protocol):
    """Something that was measured: figures by the field names of `PartMeasures`."""

    def values(self, gain: float = 1.0) -> dict[str, float | None]: ...


class Meter(Measured, Protocol):
    """A measure that takes the blocks of a stream, shape (channels, frames)."""

    def feed(self, block: FloatArray) -> None: ...


PART_MEASURES: dict[str, Callable[[int, int], Meter]] = {
    "levels": LevelMeter,
    "true_peak": TruePeakMeter,
    "loudness": LoudnessMeter,
}
"""name -> maker of the meter from (rate, channels)."""


class PartMeter:
    """All measures of one output.

    loudness: where the output's loudness is measured elsewhere (an output of `LoudnessGram`); None: here.
    """

    def __init__(self, part: str, rate: int, channels: int, loudness: Measured | None = None) -> None:
        self._part = part
        self._fed = {
            name: make(rate, channels) for name, make in PART_MEASURES.items() if not (name == "loudness" and loudness)
        }
        self._measured: list[Measured] = [*self._fed.values(), *([loudness] if loudness else [])]

    def feed(self, block: FloatArray) -> None:
        """Measure the next block, shape (channels, frames)."""
        for meter in self._fed.values():
            meter.feed(block)

    def result(self, gain: float = 1.0) -> PartMeasures:
        """The figures so far, as if a linear gain (the common trim) had been applied to the whole output."""
        values: dict[str, Any] = {}
        for measured in self._measured:
            values.update(measured.values(gain))
        return PartMeasures(part=self._part, **values)


class StereoMeter:
    """The stereo picture of one output of two channels. No gain changes it."""

    def __init__(self, rate: int) -> None:
        self._correlation = CorrelationMeter(rate)
        self._fold_bands = FoldBandsMeter(rate)

    def feed(self, block: FloatArray) -> None:
        """Measure the next block, shape (2, frames)."""
        self._correlation.feed(block)
        self._fold_bands.feed(block)

    def result(self) -> StereoMeasures:
        """The figures so far."""
        whole = self._correlation.whole()
        return StereoMeasures(
            correlation=whole.correlation(),
            correlation_min=self._correlation.minimum(),
            fold_db=whole.fold_db(),
            side_mid_db=whole.side_mid_db(),
            bands=self._fold_bands.bands(),
            windows=self._correlation.windows(),
        )
