"""What a processor is: typed parameters in units, and an instance that takes a signal block by block.

Most instances are one of two kinds: second-order sections (`Filtered`), or work on rows of samples (`InRows`), which
may be that of an effect of the library (`library_effect`).
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, get_args

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray, SingleArray
from premix.audio.filters import SectionFilter
from premix.errors import Finding
from premix.model.settings import Section

Place = Literal["mic", "performance", "bus", "guitar_bus"]
PLACES: tuple[Place, ...] = get_args(Place)
HIGHEST = 0.45
"""Part of the sample rate that a frequency may reach: above, the bilinear transform bends every curve."""


def between(low: float, high: float) -> Any:
    """The range of a parameter that is a finite number."""
    return Field(ge=low, le=high, allow_inf_nan=False)


AudioHz = Annotated[float, between(10.0, 86_400.0)]
Part = Annotated[float, between(0.0, 1.0)]
FilePath = Annotated[str, Field(min_length=1, max_length=400)]

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


def too_high(key: str, frequency_hz: float, rate: int) -> Iterator[Unfit]:
    """What there is to say of a frequency that tracks at this rate cannot hold; else nothing."""
    highest = HIGHEST * rate
    if frequency_hz > highest:
        yield Unfit(key, f"{frequency_hz:g} Hz is too high for tracks at {rate} Hz", f"at most {highest:g} Hz")


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

    kind: its name in the recipe. places: where it may stand. A subclass's fields (with unit, range, description and
    example) are its keys in the recipe, in the schema and in the reference.
    """

    kind: ClassVar[str]
    places: ClassVar[tuple[Place, ...]] = PLACES
    files: ClassVar[tuple[str, ...]] = ()
    """Fields that name a file the sound depends on. The recipe room makes them absolute; their hashes are told."""

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        """What cannot be used at this rate and place, or is not there; subclasses add to it."""
        for key in type(self).model_fields:
            value = getattr(self, key)
            if key.endswith("_hz") and isinstance(value, float):
                yield from too_high(key, value, setting.rate)
            if key in self.files and value is not None and not self.is_usable(key, Path(value)):
                allowed = "a path from the folder of the recipe that names it"
                yield Unfit(key, f"there is no file '{value}'", allowed, "chain-no-file")

    def is_usable(self, key: str, path: Path) -> bool:
        """Whether a field of `files` names something to be read: a file, no folder, pipe or device."""
        return path.is_file()

    @abstractmethod
    def make(self, setting: Setting) -> Running:
        """A fresh instance."""

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        """(F) complex gain with the latency taken out; None where the processor is not linear and constant."""
        return None


class Filtered(SectionFilter, Running):
    """Second-order sections at work in a chain."""

    def process(self, block: FloatArray) -> FloatArray:
        self.run(block)
        return block


class InRows(Running):
    """Gathers blocks of any size into rows at fixed places of the signal: what works on them cannot depend on the
    block size. That delays the signal by one row.

    channels, row: shape of a row. latency_samples: the row, and what `work` itself delays.
    """

    def __init__(self, channels: int, row: int, work_latency: int = 0) -> None:
        self.latency_samples = row + work_latency
        self._row = row
        self._gathered = np.zeros((channels, row))
        self._made = np.zeros((channels, row))
        self._filled = 0

    @abstractmethod
    def work(self, row: FloatArray) -> FloatArray:
        """(channels, row) -> (channels, row); `row` must be left as it is, and the result be an array of its own."""

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
                self._made = self.work(self._gathered)
                self._filled = 0
        return block


def library_effect(kind: str, rate: int, **settings: float) -> Callable[[FloatArray], SingleArray]:
    """One of pedalboard's effects at work in 32 bits: a function of rows (channels, n), whose state goes on."""
    import pedalboard  # slow to import

    effect: Any = getattr(pedalboard, kind)(**settings)

    def work(row: FloatArray) -> SingleArray:
        made: SingleArray = effect.process(row.astype(np.float32), rate, buffer_size=row.shape[1], reset=False)
        return made

    return work
