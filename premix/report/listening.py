"""What can be heard on a page: clips, and players that mix and compare them at equal loudness.

Making the clips of a page: excerpts of mono sources as 16-bit FLAC, and the loudness of every mix of them.
"""

import hashlib
import tempfile
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from premix.audio.writer import PartWriter
from premix.measures.loudness import LoudnessGram
from premix.report.excerpt import Stream
from premix.report.window import Window


@dataclass(frozen=True, slots=True)
class Source:
    """One mono clip to be made. open: its samples from a place (sample) on; peak: no sample is above it."""

    name: str
    open: Callable[[int], Stream]
    peak: float


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


_LEAST_SECONDS = 1.0
_TOP = 0.9
_BASE64 = 4.0 / 3.0


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
    second is left out, player by player from the last. folder: where they are made, to
    be gone with it after a kill; None: where the system keeps temporary files.
    """
    players = list(players)
    left_out: list[str] = []
    while players:
        used = clips_of(players)
        clips, loudness = _encode([s for s in sources if s.name in used], players, window, rate, folder)
        size = sum(len(clip.flac) for clip in clips) * _BASE64
        if size <= most_bytes:
            matched = tuple(_matched(player, loudness) for player in players)
            begin, end = window.seconds(rate)
            return Listening(matched, clips, begin, end, tuple(left_out))
        frames = int(0.95 * window.frames * most_bytes / size)
        if frames >= _LEAST_SECONDS * rate:
            window = Window(window.start, frames)
        else:
            left_out.append(f"player: {players.pop().title}")
    return Listening((), (), *window.seconds(rate), tuple(left_out))


def _encode(
    sources: Sequence[Source], players: Sequence[Player], window: Window, rate: int, folder: Path | None
) -> tuple[tuple[Clip, ...], dict[tuple[str, str], float | None]]:
    """The clips, and the loudness in LUFS of each (player, version)."""
    scales = np.array([_TOP / source.peak if source.peak > 0.0 else 1.0 for source in sources])
    row = {source.name: number for number, source in enumerate(sources)}
    mixes = {}
    for player in players:
        for version in player.versions:
            gains = mixes[f"{player.name}/{version.name}"] = np.zeros((2, len(sources)))
            for voice in version.voices:
                gains[:, row[voice.clip]] += (voice.left, voice.right)
    gram = LoudnessGram(rate, len(sources), mixes)
    with tempfile.TemporaryDirectory(dir=folder) as name, ExitStack() as stack:
        streams = [source.open(window.start) for source in sources]
        for stream in streams:
            stack.callback(stream.close)
        writers = [stack.enter_context(_writer(Path(name), source, window.frames, rate)) for source in sources]
        piece = rate // 4
        for done in range(0, window.frames, piece):
            block = np.stack([stream.next(min(piece, window.frames - done)) for stream in streams])
            gram.feed(block)
            for writer, samples, scale in zip(writers, block, scales, strict=True):
                writer.write(samples[None] * scale)
        for writer in writers:
            writer.close()
        clips = tuple(
            Clip(source.name, writer.path.read_bytes(), float(scale))
            for source, writer, scale in zip(sources, writers, scales, strict=True)
        )
    loudness = {
        (player.name, version.name): gram.outputs[f"{player.name}/{version.name}"].result().integrated_lufs
        for player in players
        for version in player.versions
    }
    return clips, loudness


def _writer(folder: Path, source: Source, frames: int, rate: int) -> PartWriter:
    seed = int.from_bytes(hashlib.sha256(source.name.encode()).digest()[:8], "little")
    return PartWriter(
        folder / f"{source.name}.flac",
        rate=rate,
        channels=1,
        frames=frames,
        container="flac",
        bits=16,
        dither=True,
        seed=seed,
    )


def _matched(player: Player, loudness: dict[tuple[str, str], float | None]) -> Player:
    """The player with every version's gain down to its softest version; silent versions stay as they are."""
    found = {version.name: loudness[player.name, version.name] for version in player.versions}
    softest = min((lufs for lufs in found.values() if lufs is not None), default=0.0)

    def matched(version: Version) -> Version:
        lufs = found[version.name]
        return replace(version, loudness_lufs=lufs, match_db=softest - lufs if lufs is not None else 0.0)

    return replace(player, versions=tuple(matched(version) for version in player.versions))
