"""When the guitar plays, and the gain curve of each room mic."""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

Span = tuple[float, float]


class Curve(Protocol):
    """Gain of one room mic over the song: breakpoints, linear in dB between them, constant outside.

    positions: (n) sample positions on the common time line, strictly increasing, int64.
    gains_db: (n) gain in dB at each position, <= 0.
    """

    @property
    def positions(self) -> npt.NDArray[np.int64]: ...

    @property
    def gains_db(self) -> npt.NDArray[np.float64]: ...

    def between(self, start: int, stop: int) -> "GateCurve":
        """A curve with the same breakpoints in and next to samples `start` to `stop`, and so the same gains there."""
        ...


@dataclass(frozen=True, slots=True)
class GateCurve:
    """A curve whose breakpoints are all at hand."""

    positions: npt.NDArray[np.int64]
    gains_db: npt.NDArray[np.float64]

    def between(self, start: int, stop: int) -> "GateCurve":
        return self


OPEN = GateCurve(np.zeros(1, np.int64), np.zeros(1))
"""A gate that never shuts."""


@dataclass(frozen=True, slots=True)
class KeyLevels:
    """What a key is measured by through the song: (n) values at n times in s, in dB re full scale, linear between them.

    floor_db: of the rests around; loud_db: of the playing around; opens_db, shuts_db: what the gate goes by.
    """

    at_s: tuple[float, ...]
    floor_db: tuple[float, ...]
    loud_db: tuple[float, ...]
    opens_db: tuple[float, ...]
    shuts_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Riff:
    """When the guitar plays in one performance, as detected in its key.

    spans: (on_s, off_s) of every played passage. loud_db: the key's loud level (dB re full scale).
    threshold_db: opening threshold relative to the loud level; auto: it was found, not given.
    shut_db: level, relative to the loud level, down to which a dying note belongs to its passage.
    stops: number of gaps between passages. key: whether any close mic is in the sum, and holds sound. split_db: the
    level, against the loud one, that tells playing from not playing; falls, sudden: falls of the key through it, and
    how many of them were as sudden as a damped stop. heard: (on_s, off_s) of all that the local measure takes for
    guitar, whatever the gate goes by. by_hand: the spans were given. levels: None where the key holds nothing.
    """

    performance: str
    spans: tuple[Span, ...]
    loud_db: float
    threshold_db: float
    auto: bool
    key: Literal["heard", "silent", "none"] = "heard"
    shut_db: float | None = None
    split_db: float = 0.0
    falls: int = 0
    sudden: int = 0
    heard: tuple[Span, ...] = ()
    by_hand: bool = False
    levels: KeyLevels | None = None

    @property
    def stops(self) -> int:
        return max(0, len(self.spans) - 1)


@dataclass(frozen=True, slots=True)
class RoomGate:
    """The gate of one room mic of one performance. open: (on_s, off_s) when it is not fully closed.

    lost: (on_s, off_s), in the close mics' time, of what is heard as guitar while the gate is shut. levels: of its key.
    """

    performance: str
    mic: str
    mode: str
    threshold_db: float
    open: tuple[Span, ...]
    curve: Curve
    lost: tuple[Span, ...] = ()
    levels: KeyLevels | None = None

    @property
    def lost_s(self) -> float:
        return sum(off - on for on, off in self.lost)
