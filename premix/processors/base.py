"""What a processor is: typed parameters in units, and an instance that takes a signal block by block.

Rows of fixed length at fixed places of the signal: what works on them cannot depend on the block size.

Second-order sections at work in a chain.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import section_loop
from premix.model.finding import Finding
from premix.model.recipe import Section

Place = Literal["mic", "performance", "bus", "guitar_bus"]
PLACES: tuple[Place, ...] = ("mic", "performance", "bus", "guitar_bus")
HIGHEST = 0.45
"""Part of the sample rate that a frequency may reach: above, the bilinear transform bends every curve."""

KeySource = Callable[[int], FloatArray]
"""Gives the next n samples (n,) of a key, each time it is asked."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Where an instance runs.

    where: its place in the recipe, for messages. lag: samples by which the steps before it have delayed the signal.
    key: name of a mic or a performance, and a lag -> its signal at the times of the blocks, `lag` samples later.
    """

    rate: int
    channels: int
    where: str = "chain"
    lag: int = 0
    key: Callable[[str, int], KeySource] | None = None


@dataclass(frozen=True, slots=True)
class Unfit:
    """A parameter that is well formed, but cannot be used here: key, what is wrong, what is allowed."""

    key: str
    what: str
    allowed: str = ""
    slug: str = "chain-range"


class Running(ABC):
    """A processor at work. Blocks come in order; the samples must not depend on how the signal is cut.

    latency_samples: how much later the signal comes out than it should; the mix reads ahead by that much.
    """

    latency_samples: int = 0

    @abstractmethod
    def process(self, block: FloatArray) -> FloatArray:
        """The next block, (channels, n) to (channels, n); `block` may be overwritten and may be what is returned."""

    def findings(self) -> tuple[Finding, ...]:
        """What the user should know once the song is through."""
        return ()

    def close(self) -> None:  # noqa: B027 - most hold nothing
        """Let go of what the instance holds."""


class Processor(Section, ABC):
    """Base of all processors: the typed parameters of one step of a chain.

    kind: its name in the recipe. places: where it may stand. A subclass is one file; its fields (with unit, range,
    description and example) are its keys in the recipe, in the schema and in the reference.
    """

    kind: ClassVar[str]
    places: ClassVar[tuple[Place, ...]] = PLACES
    files: ClassVar[tuple[str, ...]] = ()
    """Fields that name a file the sound depends on. The recipe room makes them absolute; their hashes are told."""

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        """What cannot be used at this rate and place, or is not there; subclasses add to it."""
        highest = HIGHEST * setting.rate
        for key in type(self).model_fields:
            value = getattr(self, key)
            if key.endswith("_hz") and isinstance(value, float) and value > highest:
                yield Unfit(key, f"{value:g} Hz is too high for tracks at {setting.rate} Hz", f"at most {highest:g} Hz")
            if key in self.files and value is not None and not Path(value).exists():
                allowed = "a path from the folder of the recipe that names it"
                yield Unfit(key, f"there is no file '{value}'", allowed, "chain-no-file")

    @abstractmethod
    def make(self, setting: Setting) -> Running:
        """A fresh instance."""

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        """(F) complex gain with the latency taken out; None where the processor is not linear and constant."""
        return None


RowWork = Callable[[FloatArray], FloatArray]
"""(channels, row) -> (channels, row); the argument must be left as it is, and the result be an array of its own."""


class InRows(Running):
    """Gathers blocks of any size into rows for `work`; that delays the signal by one row.

    latency_samples: the row and what `work` itself delays.
    """

    def __init__(self, work: RowWork, channels: int, row: int, work_latency: int = 0) -> None:
        self.latency_samples = row + work_latency
        self._work = work
        self._row = row
        self._gathered = np.zeros((channels, row))
        self._made = np.zeros((channels, row))
        self._filled = 0

    def process(self, block: FloatArray) -> FloatArray:
        done, count = 0, block.shape[1]
        while done < count:
            size = min(self._row - self._filled, count - done)
            places = slice(self._filled, self._filled + size)
            piece = block[:, done : done + size]
            self._gathered[:, places] = piece
            piece[:] = self._made[:, places]
            self._filled += size
            done += size
            if self._filled == self._row:
                self._made = self._work(self._gathered)
                self._filled = 0
        return block


_TINY = 1e-30
_STRETCH = 16384


class SectionFilter(Running):
    """Filters blocks through sections (n, 6) in series, with state; rows as in scipy.signal."""

    def __init__(self, sections: FloatArray, channels: int) -> None:
        self._sections = np.ascontiguousarray(sections, np.float64)
        self._state = np.zeros((channels, len(sections), 2))
        self._position = 0

    def process(self, block: FloatArray) -> FloatArray:
        done, count = 0, block.shape[1]
        while done < count:
            stop = min(count, done + _STRETCH - self._position % _STRETCH)
            piece = np.ascontiguousarray(block[:, done:stop])
            section_loop()(self._sections, piece, self._state)
            block[:, done:stop] = piece
            self._position += stop - done
            done = stop
            if self._position % _STRETCH == 0:
                # In digital silence the state would sink into denormal numbers, which are slow; this is -600 dB.
                # It is done at fixed places, so that the block size stays without effect.
                self._state[np.abs(self._state) < _TINY] = 0.0
        return block
