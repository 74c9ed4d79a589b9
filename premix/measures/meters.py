"""Every measure of an output, one line a measure, and every measure of a render.

To add one of an output: a file in this room, a line in `PART_MEASURES`, a field in the record. All take blocks of any
size; another blocking changes results by rounding only (1e-12 relative).
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy as np

from premix.arrays import FloatArray
from premix.measures.doubling import TakeCorrelation
from premix.measures.loudness import LoudnessGram, LoudnessMeter, Sums
from premix.measures.peaks import LevelMeter, TruePeakMeter
from premix.measures.stereo import StereoMeter
from premix.model.mix import Part, PartMeasures, StereoMeasures, TakePair


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


GUITARS = "guitars"
WITHOUT_CENTRE = "guitars_without_centre"


class RenderMeters:
    """Every measure of a render, kept apart from the files so that a second pass with a trim need not measure again.

    stems: performances whose stems are compared with each other. sums: parts whose loudness follows from others.
    channels: channels of the outputs that are measured whether they are files or not. levelled: the parts that the
    ceiling holds.
    """

    def __init__(self, parts: Sequence[Part], rate: int, stems: Sequence[str], sums: Sums | None = None) -> None:
        self.levelled = [part.part for part in parts if part.is_levelled]
        self._summed = sums.signals if sums is not None else ()
        self._gram = LoudnessGram(rate, len(sums.signals), sums.gains) if sums is not None else None
        loudness = self._gram.outputs if self._gram is not None else {}
        self.parts = {p.part: PartMeter(p.part, rate, p.channels, loudness.get(p.part)) for p in parts}
        self._stereo = {GUITARS: StereoMeter(rate), WITHOUT_CENTRE: StereoMeter(rate)}
        self._stems = [f"stem_{name}" for name in stems]
        self.channels = {**dict.fromkeys(self._stereo, 2), **dict.fromkeys(self._stems, 1)}
        self._takes = TakeCorrelation(stems, rate) if len(stems) > 1 else None

    def feed_part(self, part: str, block: FloatArray) -> None:
        """Measure one block (channels, n) of one part."""
        for meters in (self.parts, self._stereo):
            if part in meters:
                meters[part].feed(block)

    def feed_together(self, blocks: Mapping[str, FloatArray]) -> None:
        """Measure what needs several parts at once: loudness of sums, stems against each other.

        It shares nothing with `feed_part`: both may run side by side.
        """
        if self._gram is not None:
            self._gram.feed(np.concatenate([blocks[signal] for signal in self._summed]))
        if self._takes is not None and all(stem in blocks for stem in self._stems):
            self._takes.feed(np.concatenate([blocks[stem] for stem in self._stems]))

    def measures(self, part: str, gain: float) -> PartMeasures:
        """The figures of one part, as if `gain` (the common trim) had been applied to it, unless it is a DI."""
        return self.parts[part].result(gain if part in self.levelled else 1.0)

    def take_pairs(self) -> tuple[TakePair, ...]:
        return self._takes.pairs() if self._takes is not None else ()

    def stem_powers(self) -> tuple[FloatArray, FloatArray] | None:
        """(F) Hz and (S, F) powers of the performances' stems; None of fewer than two."""
        return self._takes.powers() if self._takes is not None else None

    def stereo_measures(self) -> tuple[StereoMeasures, StereoMeasures]:
        """The guitar bus's stereo picture with and without the centre."""
        return self._stereo[GUITARS].result(), self._stereo[WITHOUT_CENTRE].result()
