"""Every measure of one render, fed with the blocks of its parts."""

from collections.abc import Mapping, Sequence

import numpy as np

from premix.measures.loudness_gram import LoudnessGram, Sums
from premix.measures.same_take import TakeCorrelation
from premix.measures.table import PartMeter, StereoMeter
from premix.model.analysis import FloatArray
from premix.model.doubling import TakePair
from premix.model.render import Part, PartMeasures, StereoMeasures

GUITARS = "guitars"
WITHOUT_CENTRE = "guitars_without_centre"


class RenderMeters:
    """Every measure of a render, kept apart from the files so that a second pass with a trim need not measure again.

    stems: performances whose stems are compared with each other. sums: parts whose loudness follows from others.
    channels: channels of the outputs that are measured whether they are files or not.
    """

    def __init__(self, parts: Sequence[Part], rate: int, stems: Sequence[str], sums: Sums | None = None) -> None:
        self._summed = sums.signals if sums is not None else ()
        self._gram = LoudnessGram(rate, len(sums.signals), sums.gains) if sums is not None else None
        loudness = self._gram.outputs if self._gram is not None else {}
        self.parts = {p.part: PartMeter(p.part, rate, p.channels, loudness.get(p.part)) for p in parts}
        self.stereo = StereoMeter(rate)
        self.without_centre = StereoMeter(rate)
        self._stems = [f"stem_{name}" for name in stems]
        self.channels = {GUITARS: 2, WITHOUT_CENTRE: 2, **dict.fromkeys(self._stems, 1)}
        self._takes = TakeCorrelation(stems, rate) if len(stems) > 1 else None

    def feed_part(self, part: str, block: FloatArray) -> None:
        """Measure one block (channels, n) of one part."""
        if part in self.parts:
            self.parts[part].feed(block)
        if part == GUITARS:
            self.stereo.feed(block)
        elif part == WITHOUT_CENTRE:
            self.without_centre.feed(block)

    def feed_together(self, blocks: Mapping[str, FloatArray]) -> None:
        """Measure what needs several parts at once: loudness of sums, stems against each other.

        It shares nothing with `feed_part`: both may run side by side.
        """
        if self._gram is not None:
            self._gram.feed(np.concatenate([blocks[signal] for signal in self._summed]))
        if self._takes is not None and all(stem in blocks for stem in self._stems):
            self._takes.feed(np.concatenate([blocks[stem] for stem in self._stems]))

    def true_peak_dbtp(self) -> float | None:
        """Highest true peak of all files so far."""
        peaks = [m.result().true_peak_dbtp for m in self.parts.values()]
        return max((p for p in peaks if p is not None), default=None)

    def measures(self, part: str, gain: float) -> PartMeasures:
        """The figures of one part, as if `gain` (the common trim) had been applied to it."""
        return self.parts[part].result(gain)

    def take_pairs(self) -> tuple[TakePair, ...]:
        return self._takes.pairs() if self._takes is not None else ()

    def stereo_measures(self) -> tuple[StereoMeasures, StereoMeasures]:
        """The guitar bus's stereo picture with and without the centre."""
        return self.stereo.result(), self.without_centre.result()
