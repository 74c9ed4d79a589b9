"""What a draft proposes for one song, as records: mics, performances, tracks, files that stay out, questions."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from premix.model.settings import Channel, Role

Sure = Literal["sure", "likely", "guessed"]
Key = tuple[str, ...]
"""What tells a performance or a mic from others, in words that do not depend on the language: ('left', '2')."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is not in the recipe. why: what was seen; question: what the user has to answer ('' for nothing)."""

    file: str
    why: str
    question: str = ""


@dataclass(frozen=True, slots=True)
class DraftTrack:
    """A mic of a performance. mute: it is silent or hears something else; note: what was heard ('' for nothing).

    channel: what is used of the file, where this differs from the mic's.
    """

    performance: str
    mic: str
    file: str
    mute: bool = False
    note: str = ""
    channel: Channel | None = None


@dataclass(frozen=True, slots=True)
class DraftMic:
    """A mic. why: where its role comes from; question: what the user has to answer ('' for nothing).

    by_name: the name tells the role. aliases: spellings in file names, but for the name itself. channel: of a file that
    has several. bus: of a room mic that does not share its performance's.
    """

    name: str
    key: Key
    role: Role
    sure: Sure
    why: str
    question: str = ""
    by_name: bool = False
    aliases: tuple[str, ...] = ()
    channel: Channel | None = None
    bus: str = ""


@dataclass(frozen=True, slots=True)
class DraftGroup:
    """The mics of one of several amps, which make a stem of their own. why, question: as with mics."""

    name: str
    mics: tuple[str, ...]
    why: str
    question: str = ""


@dataclass(frozen=True, slots=True)
class DraftPerformance:
    """A performance and its side. why: where the side comes from; the rest as with mics."""

    name: str
    key: Key
    bus: str
    sure: Sure
    why: str
    question: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole draft of one song.

    pattern: `tracks.name`, or None where each track names its own file. left_out: files that stay out, with why.
    has_song_file: a song.yaml of the user's lies beside the tracks.
    """

    folder: Path
    pattern: str | None
    reference: str
    mics: tuple[DraftMic, ...]
    performances: tuple[DraftPerformance, ...]
    tracks: tuple[DraftTrack, ...]
    left_out: tuple[LeftOut, ...]
    questions: tuple[str, ...] = ()
    has_song_file: bool = False
    files: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """(performance, mic) -> file, of all tracks."""
    groups: tuple[DraftGroup, ...] = ()

    @property
    def song(self) -> str:
        """The song's name as long as no recipe gives another: the folder's."""
        return self.folder.resolve().name
