"""The passes over a song's tracks that one run makes: the first, and those that read some of them in another way.

Each has scratch files of its own, and may be taken over from the run before.
"""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Protocol

from premix.analysis.kept import Kept
from premix.analysis.scan import scan, scan_steadied
from premix.model.song import Song


class Told(Protocol):
    """Who is told of a long step: that it begins, with so many samples of work, and that some are done."""

    def begin(self, step: str, samples: int) -> None: ...

    def advance(self, samples: int) -> None: ...


class Passes:
    """The passes of one run. kept: what the run before left of them. room: tells of a full scratch folder."""

    def __init__(
        self, scratch: Path, threads: int, progress: Told, kept: Kept, room: Callable[[], AbstractContextManager[None]]
    ) -> None:
        self._scratch, self._threads, self._progress = scratch, threads, progress
        self._kept, self._room = kept, room

    def scan(self, song: Song) -> Song:
        """Every track once."""
        self._progress.begin("reading", song.frames * len(song.mics))
        return self._read(song, self._scratch, {}, scan)

    def in_step(self, song: Song, offsets: Mapping[str, int]) -> Song:
        """The song with files that start elsewhere, by whole samples, read once more in step for their spectra."""
        self._progress.begin("reading in step", song.frames * len(song.mics))
        read = self._read(song, self._folder("in_step"), offsets, partial(scan, offsets=offsets))
        pairs = zip(song.performances, read.performances, strict=True)
        performances = (replace(p, spectra=other.spectra, windows=other.windows) for p, other in pairs)
        return replace(song, performances=tuple(performances))

    def steadied(self, song: Song) -> Song:
        """Performances with a mic that changes read once more, that mic through its steps."""
        self._progress.begin("reading steadied", song.frames * sum(len(p.mics) for p in song.performances if p.steps))
        mics = (pair for p in song.performances for pair in zip(p.judged, p.spectra.offsets, strict=True))
        offsets = {mic.label: offset for mic, offset in mics}
        return self._read(song, self._folder("steadied"), offsets, scan_steadied)

    def _read(self, song: Song, scratch: Path, offsets: Mapping[str, int], one: Callable[..., Song]) -> Song:
        """A pass of this run, or the same one of the run before."""
        ways = {"threads": self._threads, "progress": self._progress.advance}
        with self._room():
            return self._kept.read(song, scratch, offsets, lambda: one(song, scratch, **ways))

    def _folder(self, name: str) -> Path:
        own = self._scratch / f"{name}_{len(list(self._scratch.iterdir()))}"
        own.mkdir()
        return own
