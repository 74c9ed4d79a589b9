"""The page of an album: every song in a table to sort, what was found across the songs, and each song's guitar bus to
hear at the album's loudness.
"""

from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import numpy as np

from premix.arrays import FloatArray
from premix.measures.drift import Drift
from premix.model.findings import FindingEntry
from premix.model.gate import Span
from premix.report.compare_page import FileExcerpt
from premix.report.drift_page import drift_pictures
from premix.report.html_page import MOST_BYTES, Page
from premix.report.listening import Listening, Player, Source, Stream, Version, Voice, make_listening
from premix.report.pictures import drawn
from premix.report.window import SECONDS, Window, busiest_stretch
from premix.units import db_to_gain, samples_to_s

_LEAST_S = 1.0
_SAME_DB = 0.05
"""Two levels that near are one."""


@dataclass(frozen=True, slots=True)
class Bus:
    """A song's guitar bus on disk. played: when any performance plays, (on_s, off_s). match_db: gain to the album's
    loudness."""

    path: Path
    rate: int
    frames: int
    played: tuple[Span, ...]
    match_db: float


@dataclass(frozen=True, slots=True)
class AlbumSong:
    """One song. cells: as text, a column each, '-' where nothing is known. in_order: whether nothing needs the user.
    link: of its page or manifest, below the album's folder. told: what needs the user; findings: a line a kind."""

    name: str
    cells: tuple[str, ...]
    in_order: bool
    link: str | None
    told: tuple[str, ...]
    findings: tuple[str, ...]
    bus: Bus | None = None

    @property
    def address(self) -> str | None:
        return None if self.link is None else quote(self.link)


@dataclass(frozen=True, slots=True)
class Album:
    """All that the page says. head: (title, whether it holds figures) of each column. differences: head and rows."""

    title: str
    head: tuple[tuple[str, bool], ...]
    songs: tuple[AlbumSong, ...]
    findings: tuple[FindingEntry, ...]
    differences: tuple[tuple[str, ...], ...]
    matched: str = ""
    drifts: tuple[Drift, ...] = ()


def album_page(album: Album, folder: Path, *, most_bytes: int = MOST_BYTES) -> str:
    """The page as text. Needs the extra `report`. folder: where clips are made, to be gone when it returns.

    Raises DeliveryError where nothing can be written there.
    """
    heard = [song for song in album.songs if song.bus is not None and _seconds(song.bus) >= _LEAST_S]
    rate = Counter(song.bus.rate for song in heard if song.bus).most_common(1)[0][0] if heard else 48_000
    drifts = [(drift, drawn(drift_pictures(drift))) for drift in album.drifts]
    names = {song.name: f"song_{number}" for number, song in enumerate(album.songs)}  # whatever a song is called
    facts = {"album": album, "players": names, "drifts": drifts}
    page = Page("album.html", {"songs": album.songs}, rate, facts)
    listening = Listening((), (), 0.0, 0.0)
    if heard:
        seconds = min(SECONDS, *(_seconds(song.bus) for song in heard if song.bus))
        players = [_player(names[song.name], song) for song in heard]
        sources = [_source(names[song.name], song, seconds, rate) for song in heard]
        window = Window(0, int(seconds * rate))
        listening = make_listening(sources, players, window, rate, most_bytes - page.size(), folder)
    return page.text(listening)


def _seconds(bus: Bus) -> float:
    return samples_to_s(bus.frames, bus.rate)


def _player(name: str, song: AlbumSong) -> Player:
    """The bus at the album's loudness, and as it was delivered where that is another."""
    match_db = song.bus.match_db if song.bus else 0.0
    gains = {"at album loudness": match_db, "as delivered": 0.0}
    if abs(match_db) < _SAME_DB:
        gains = {"as delivered, at album loudness": 0.0}
    versions = (
        Version(word, (Voice(f"{name}_l", gain, 0.0), Voice(f"{name}_r", 0.0, gain)))
        for word, gain in ((word, db_to_gain(db)) for word, db in gains.items())
    )
    return Player(name, song.name, tuple(versions))


def _source(name: str, song: AlbumSong, seconds: float, rate: int) -> Source:
    bus = song.bus
    if bus is None:
        raise ValueError(song.name)
    return Source((f"{name}_l", f"{name}_r"), lambda start: _opened(bus, seconds, rate, start))


def _opened(bus: Bus, seconds: float, rate: int, start: int) -> Stream:
    """The busiest stretch of a guitar bus, at the page's rate, from a sample of it on."""
    stretch = busiest_stretch(bus.played, bus.frames, bus.rate, seconds)
    if bus.rate == rate:
        return FileExcerpt(bus.path, stretch.start + start)
    import soxr

    with closing(FileExcerpt(bus.path, stretch.start)) as stream:
        samples = stream.next(stretch.frames)
    return _Excerpt(np.asarray(soxr.resample(samples.T, bus.rate, rate, quality="HQ").T, np.float64), start)


class _Excerpt:
    """Samples at hand as a stream; silence behind their end."""

    def __init__(self, samples: FloatArray, start: int) -> None:
        self._samples, self._at = samples, start

    def next(self, count: int) -> FloatArray:
        found = self._samples[:, self._at : self._at + count]
        self._at += count
        return np.pad(found, ((0, 0), (0, count - found.shape[1])))

    def close(self) -> None:
        self._samples = self._samples[:, :0]
