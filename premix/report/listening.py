"""What can be heard on a page: mono clips as 16-bit FLAC, and players that mix them and compare the mixes at equal
loudness.
"""

import hashlib
import tempfile
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from premix.arrays import FloatArray
from premix.audio.writer import PartWriter, storage_error
from premix.measures.loudness import LoudnessGram
from premix.report.window import Window

_LEAST_SECONDS = 1.0
_HIGHEST_RATE = 192_000
"""Beyond it browsers play nothing, and FLAC ends at 655,350 Hz (RFC 9639)."""
_TOP = 0.9
_BASE64 = 4.0 / 3.0
_MARGIN = 0.95
"""What is cut to fit is cut by so much more: a shorter clip may hold the denser half."""
_PROBES = 8
"""So many players, from all over the page, tell what the others take."""


class Stream(Protocol):
    """Samples of some clips from a place on, piece by piece."""

    def next(self, count: int) -> FloatArray:
        """The next `count` samples, (clips, count)."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Source:
    """Mono clips that come out of one reading. open: all of them from a place (sample) on."""

    clips: tuple[str, ...]
    open: Callable[[int], Stream]


@dataclass(frozen=True, slots=True)
class Voice:
    """A clip in a mix: its linear gain to the left and to the right ear."""

    clip: str
    left: float
    right: float


@dataclass(frozen=True, slots=True)
class Version:
    """One of the mixes that a player compares. match_db: gain that makes it as loud as the softest one."""

    name: str
    voices: tuple[Voice, ...]
    loudness_lufs: float | None = None
    match_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Player:
    """Versions of the same thing, heard in step."""

    name: str
    title: str
    versions: tuple[Version, ...]


@dataclass(frozen=True, slots=True)
class Clip:
    """A finished clip: 16-bit FLAC, scaled by `scale` against its source."""

    name: str
    flac: bytes
    scale: float


@dataclass(frozen=True, slots=True)
class Listening:
    """Everything to hear on one page. start_s, end_s: the stretch of the song; left_out: what is not there."""

    players: tuple[Player, ...]
    clips: tuple[Clip, ...]
    start_s: float
    end_s: float
    left_out: tuple[str, ...] = ()


def clips_of(players: Sequence[Player]) -> set[str]:
    """Names of all clips that players use."""
    return {voice.clip for player in players for version in player.versions for voice in version.voices}


def make_listening(
    sources: Sequence[Source],
    players: Sequence[Player],
    window: Window,
    rate: int,
    most_bytes: int,
    folder: Path | None = None,
) -> Listening:
    """Encode the clips that `players` use and match their versions' loudness.

    The window is shortened until everything fits into `most_bytes` as base64. What cannot be fitted even into a
    second is left out, player by player from the last. Of many players, some tell how many will fit, so that the others
    are never read. folder: where they are made, to be gone with it after a kill; None: where the system keeps temporary
    files.
    """
    heard = list(players)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        held = _Held(sources, window, rate, Path(scratch))
        if len(heard) > 2 * _PROBES:
            some = clips_of(heard[:: len(heard) // _PROBES])
            size = held.size(some, window.frames) * len(clips_of(heard)) / len(some)
            heard, window = _fitted(heard, window, rate, most_bytes / max(size, 1.0))
        while heard:
            clips = held.encode(clips_of(heard), window.frames)
            size = _bytes_of(clips)
            if size <= most_bytes:
                loudness = held.loudness(heard, window.frames)
                matched = tuple(_matched(player, loudness) for player in heard)
                return Listening(matched, clips, *window.seconds(rate), _left_out(players, heard))
            heard, window = _fitted(heard, window, rate, most_bytes / size)
    return Listening((), (), *window.seconds(rate), _left_out(players, heard))


def _fitted(players: list[Player], window: Window, rate: int, share: float) -> tuple[list[Player], Window]:
    """What takes this share of the bytes, and a little less: a shorter window, or the first players and a second."""
    if share >= 1.0:
        return players, window
    frames, least = int(_MARGIN * share * window.frames), min(window.frames, round(_LEAST_SECONDS * rate))
    if frames >= least:
        return players, Window(window.start, frames)
    keep = min(len(players) - 1, max(1, len(players) * frames // least))
    longest = frames * len(players) // max(keep, 1)
    return players[:keep], Window(window.start, min(window.frames, max(least, longest)))


def _left_out(players: Sequence[Player], heard: Sequence[Player]) -> tuple[str, ...]:
    return tuple(f"player: {player.title}" for player in reversed(players[len(heard) :]))


def _bytes_of(clips: Sequence[Clip]) -> float:
    return sum(len(clip.flac) for clip in clips) * _BASE64


class _Held:
    """The clips of a stretch as 32-bit floats in scratch files, one a source, written when a source is first asked for:
    only then are peaks known, and clips may have to be encoded more than once to fit.

    One source is open at a time, and no more of it is read than is asked for: an album has hundreds. What is asked for
    later is never longer.
    """

    def __init__(self, sources: Sequence[Source], window: Window, rate: int, folder: Path) -> None:
        self._sources, self._start, self._rate, self._folder = sources, window.start, rate, folder
        self._home = {name: number for number, source in enumerate(sources) for name in source.clips}
        self._piece = rate // 4
        self._scales: dict[int, FloatArray] = {}

    def size(self, used: Set[str], frames: int) -> float:
        """Bytes that the clips of these names take on the page, `frames` long."""
        return _bytes_of(self.encode(used, frames))

    def encode(self, used: Set[str], frames: int) -> tuple[Clip, ...]:
        """The clips of these names, `frames` long."""
        wanted = sorted({self._home[name] for name in used})
        return tuple(clip for number in wanted for clip in self._encoded(number, used, frames))

    def _encoded(self, number: int, used: Set[str], frames: int) -> Iterator[Clip]:
        """Those of one source."""
        rows = [(row, name) for row, name in enumerate(self._sources[number].clips) if name in used]
        with tempfile.TemporaryDirectory(dir=self._folder) as folder, ExitStack() as stack:
            writers = [stack.enter_context(self._writer(Path(folder), name, frames)) for _, name in rows]
            thinned = [_Thinned(self._rate, frames) for _ in rows]
            for block in self._blocks(number, frames):
                for writer, (row, _), thin in zip(writers, rows, thinned, strict=True):
                    writer.write(thin.feed(block[row] * self._scales[number][row])[None])
            for writer, (row, name) in zip(writers, rows, strict=True):
                writer.close()
                yield Clip(name, writer.path.read_bytes(), float(self._scales[number][row]))

    def loudness(self, players: Sequence[Player], frames: int) -> dict[tuple[str, str], float | None]:
        """Integrated loudness in LUFS of every (player, version), as the browser mixes it."""
        found: dict[tuple[str, str], float | None] = {}
        for numbers, group in self._apart(players):
            names = [name for number in numbers for name in self._sources[number].clips]
            mixes = {f"{p.name}/{v.name}": (p.name, v.name, v) for p in group for v in p.versions}
            gains = {key: _gains(v, names) for key, (*_, v) in mixes.items()}
            gram = LoudnessGram(self._rate, len(names), gains)
            for blocks in zip(*(self._blocks(number, frames) for number in numbers), strict=True):
                gram.feed(np.concatenate(blocks))
            found |= {mixes[key][:2]: output.values()["loudness_lufs"] for key, output in gram.outputs.items()}
        return found

    def _apart(self, players: Sequence[Player]) -> list[tuple[list[int], list[Player]]]:
        """Players in groups that share no source, each with its sources: the work grows with the square of a group."""
        groups: list[tuple[set[int], list[Player]]] = []
        for player in players:
            own, members = {self._home[name] for name in clips_of([player])}, [player]
            for numbers, others in [group for group in groups if group[0] & own]:
                groups.remove((numbers, others))
                own, members = own | numbers, [*others, *members]
            groups.append((own, members))
        return [(sorted(numbers), members) for numbers, members in groups]

    def _blocks(self, number: int, frames: int) -> Iterator[FloatArray]:
        """The first `frames` samples of a source's clips, (clips, n) at a time."""
        if number not in self._scales:
            self._scales[number] = self._hold(number, frames)
        width = len(self._sources[number].clips)
        for done in range(0, frames, self._piece):
            count = min(self._piece, frames - done) * width
            samples = np.fromfile(self._place(number), np.float32, count, offset=4 * done * width)
            yield samples.reshape(-1, width).T.astype(np.float64)

    def _hold(self, number: int, frames: int) -> FloatArray:
        """Read a source into its file; the scale of each of its clips."""
        source = self._sources[number]
        peaks = np.zeros(len(source.clips))
        with closing(source.open(self._start)) as stream:
            for done in range(0, frames, self._piece):
                block = stream.next(min(self._piece, frames - done))
                peaks = np.maximum(peaks, np.abs(block).max(axis=1))
                self._append(self._place(number), block)
        return np.divide(_TOP, peaks, out=np.ones_like(peaks), where=peaks > 0.0)

    def _append(self, path: Path, block: FloatArray) -> None:
        try:
            with path.open("ab") as file:
                file.write(np.ascontiguousarray(block.T, np.float32).data)
        except OSError as error:
            raise storage_error(path, error) from None

    def _place(self, number: int) -> Path:
        return self._folder / f"clips_{number}"

    def _writer(self, folder: Path, name: str, frames: int) -> PartWriter:
        return PartWriter(
            folder / f"{name}.flac",
            rate=clip_rate(self._rate),
            channels=1,
            frames=frames * clip_rate(self._rate) // self._rate,
            container="flac",
            bits=16,
            dither=True,
            seed=int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "little"),
        )


def _gains(version: Version, names: Sequence[str]) -> FloatArray:
    """(2, clips) what each clip counts left and right."""
    gains = np.zeros((2, len(names)))
    for voice in version.voices:
        gains[:, names.index(voice.clip)] += (voice.left, voice.right)
    return gains


def clip_rate(rate: int) -> int:
    """The rate of the clips: the song's own, or a whole part of it that browsers play."""
    return rate // -(-rate // _HIGHEST_RATE)


class _Thinned:
    """A clip at `clip_rate`, block by block; as it comes where that is the song's own rate."""

    def __init__(self, rate: int, frames: int) -> None:
        self._left, self._wanted, self._stream = frames, frames * clip_rate(rate) // rate, None
        if clip_rate(rate) != rate:
            import soxr

            self._stream = soxr.ResampleStream(rate, clip_rate(rate), 1, dtype="float64", quality="HQ")

    def feed(self, block: FloatArray) -> FloatArray:
        """The next block, (n) to (m); after the last all frames have come."""
        if self._stream is None:
            return block
        self._left -= len(block)
        made: FloatArray = self._stream.resample_chunk(block, last=self._left <= 0)[: self._wanted]
        self._wanted -= len(made)
        return np.pad(made, (0, self._wanted)) if self._left <= 0 else made


def _matched(player: Player, loudness: dict[tuple[str, str], float | None]) -> Player:
    """The player with every version's gain down to its softest version; silent versions stay as they are."""
    found = {version.name: loudness[player.name, version.name] for version in player.versions}
    softest = min((lufs for lufs in found.values() if lufs is not None), default=0.0)

    def matched(version: Version) -> Version:
        lufs = found[version.name]
        return replace(version, loudness_lufs=lufs, match_db=softest - lufs if lufs is not None else 0.0)

    return replace(player, versions=tuple(matched(version) for version in player.versions))
