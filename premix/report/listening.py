"""What can be heard on a page: clips, and players that mix and compare them at equal loudness."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from premix.report.excerpt import Stream


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
