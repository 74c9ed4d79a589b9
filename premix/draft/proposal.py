"""What a draft proposes, as records: performances, mics, tracks, what was left out, and how sure it is of each."""

from dataclasses import dataclass
from typing import Literal

from premix.model.recipe import Role

Sure = Literal["sure", "likely", "guessed"]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is not in the recipe. why: what was seen; question: what the user has to answer ('' for nothing)."""

    file: str
    why: str
    question: str = ""


@dataclass(frozen=True, slots=True)
class DraftTrack:
    """A mic of a performance. mute: it is silent or hears something else; note: what was heard ('' for nothing)."""

    performance: str
    mic: str
    file: str
    mute: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class DraftMic:
    """A mic. why: where its role comes from; question: what the user has to answer ('' for nothing)."""

    name: str
    role: Role
    sure: Sure
    why: str
    optional: bool = False
    question: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DraftPerformance:
    """A performance and its side. why: where the side comes from; question as with mics."""

    name: str
    bus: str
    sure: Sure
    why: str
    question: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole draft. pattern: `tracks.name`, or None where each track names its own file."""

    folder: str
    pattern: str | None
    reference: str
    mics: tuple[DraftMic, ...]
    performances: tuple[DraftPerformance, ...]
    tracks: tuple[DraftTrack, ...]
    left_out: tuple[LeftOut, ...]
    questions: tuple[str, ...] = ()
