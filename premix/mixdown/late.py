"""Parts on their way out: held back until the chains after them have caught up, and trimmed."""

from premix.dsp.delay_line import DelayLine
from premix.model.analysis import FloatArray


class Late:
    """Holds each part back by `samples` and multiplies it by `trim`; does nothing for 0 and 1."""

    def __init__(self, samples: int, trim: float) -> None:
        self._samples, self._trim = samples, trim
        self._lines: dict[str, DelayLine] = {}

    def of(self, part: str, block: FloatArray) -> FloatArray:
        """The next block (channels, n) of a part."""
        if self._samples:
            line = self._lines.setdefault(part, DelayLine(len(block), self._samples))
            block = line.process(block)
        return block if self._trim == 1.0 else block * self._trim
