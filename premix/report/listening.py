"""What can be heard on a page: mono clips as 16-bit FLAC, and players that mix them and compare the mixes at equal
loudness.
"""

import hashlib
import tempfile
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import ExitStack
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
    second is left out, player by player from the last. folder: where they are made, to be gone with it after a kill;
    None: where the system keeps temporary files.
    """
    players = list(players)
    left_out: list[str] = []
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        held = _Held(sources, window, rate, Path(scratch))
        while players:
            clips = held.encode(clips_of(players), window.frames)
            size = sum(len(clip.flac) for clip in clips) * _BASE64
            if size <= most_bytes:
                loudness = held.loudness(players, window.frames)
                matched = tuple(_matched(player, loudness) for player in players)
                return Listening(matched, clips, *window.seconds(rate), tuple(left_out))
            frames = int(0.95 * window.frames * most_bytes / size)
            if frames >= _LEAST_SECONDS * rate:
                window = Window(window.start, frames)
            else:  # as many at once as a second of each would need: an album has hundreds
                fits = int(len(players) * most_bytes * window.frames / (size * _LEAST_SECONDS * rate))
                keep = min(len(players) - 1, max(1, fits))
                left_out += [f"player: {player.title}" for player in reversed(players[keep:])]
                del players[keep:]
    return Listening((), (), *window.seconds(rate), tuple(left_out))


class _Held:
    """The clips of a stretch as 32-bit floats in a scratch file, read from their sources once: only then are their
    peaks known, and they may have to be encoded more than once to fit."""

    def __init__(self, sources: Sequence[Source], window: Window, rate: int, folder: Path) -> None:
        self._rate, self._folder, self._path = rate, folder, folder / "clips"
        self._names = tuple(name for source in sources for name in source.clips)
        self._piece = rate // 4
        peaks = np.zeros(len(self._names))
        with ExitStack() as stack:
            streams = [source.open(window.start) for source in sources]
            for stream in streams:
                stack.callback(stream.close)
            for done in range(0, window.frames, self._piece):
                count = min(self._piece, window.frames - done)
                block = np.concatenate([stream.next(count) for stream in streams])
                peaks = np.maximum(peaks, np.abs(block).max(axis=1))
                self._append(block)
        self._scales = np.divide(_TOP, peaks, out=np.ones_like(peaks), where=peaks > 0.0)

    def encode(self, used: Set[str], frames: int) -> tuple[Clip, ...]:
        """The clips of these names, `frames` long."""
        rows = [row for row, name in enumerate(self._names) if name in used]
        with tempfile.TemporaryDirectory(dir=self._folder) as folder, ExitStack() as stack:
            writers = [stack.enter_context(self._writer(Path(folder), self._names[row], frames)) for row in rows]
            thinned = [_Thinned(self._rate, frames) for _ in rows]
            for block in self._blocks(frames):
                for writer, row, thin in zip(writers, rows, thinned, strict=True):
                    writer.write(thin.feed(block[row] * self._scales[row])[None])
            for writer in writers:
                writer.close()
            return tuple(
                Clip(self._names[row], writer.path.read_bytes(), float(self._scales[row]))
                for row, writer in zip(rows, writers, strict=True)
            )

    def loudness(self, players: Sequence[Player], frames: int) -> dict[tuple[str, str], float | None]:
        """Integrated loudness in LUFS of every (player, version), as the browser mixes it."""
        mixes = {f"{p.name}/{v.name}": (p.name, v.name, v) for p in players for v in p.versions}
        gram = LoudnessGram(self._rate, len(self._names), {key: self._gains(v) for key, (*_, v) in mixes.items()})
        for block in self._blocks(frames):
            gram.feed(block)
        return {mixes[key][:2]: output.values()["loudness_lufs"] for key, output in gram.outputs.items()}

    def _gains(self, version: Version) -> FloatArray:
        gains = np.zeros((2, len(self._names)))
        for voice in version.voices:
            gains[:, self._names.index(voice.clip)] += (voice.left, voice.right)
        return gains

    def _append(self, block: FloatArray) -> None:
        try:
            with self._path.open("ab") as file:
                file.write(np.ascontiguousarray(block.T, np.float32).data)
        except OSError as error:
            raise storage_error(self._path, error) from None

    def _blocks(self, frames: int) -> Iterator[FloatArray]:
        """The first `frames` samples of all clips, (clips, n) at a time."""
        width = len(self._names)
        for done in range(0, frames, self._piece):
            count = min(self._piece, frames - done) * width
            samples = np.fromfile(self._path, np.float32, count, offset=4 * done * width)
            yield samples.reshape(-1, width).T.astype(np.float64)

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
