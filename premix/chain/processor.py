"""What a processor is: typed parameters in units, and an instance that takes a signal block by block."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

from premix.model.analysis import ComplexArray, FloatArray
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
