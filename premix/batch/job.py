"""One song of a batch, as a worker gets it and as it comes back: plain data both ways, paths and no samples."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from premix import __version__
from premix.batch.facts import SongFacts
from premix.errors import Problem

Status = Literal["rendered", "unchanged", "problems", "lost", "bug", "stopped"]


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """How every song is rendered. settings, recover, report: as a render takes them. force: also what is unchanged."""

    settings: tuple[str, ...] = ()
    force: bool = False
    recover: bool = False
    report: bool = False


@dataclass(frozen=True, slots=True)
class SongJob:
    """What a worker has to know.

    go: the batch's go-ahead file. sheet: alignment sheet of this song. extra_trim_db: on top of the ceiling's trim;
    None: none, and a song that is there may have any. version: of the premix that asks.
    """

    name: str
    recipe: Path
    folder: Path
    out: Path
    go: Path
    sheet: Path | None = None
    options: RenderOptions = RenderOptions()
    extra_trim_db: float | None = 0.0
    version: str = __version__


@dataclass(frozen=True, slots=True)
class SongResult:
    """What became of a song. facts: of a song that is there. log: traceback of a bug."""

    name: str
    status: Status
    facts: SongFacts | None = None
    problems: tuple[Problem, ...] = ()
    seconds: float = 0.0
    log: str = ""
