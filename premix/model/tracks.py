"""Tracks: the recorded files of a song on one time line.

What a first look at the tracks found, before any work is done.
"""

from dataclasses import dataclass
from pathlib import Path

from premix.model.analysis import TrackLevels
from premix.model.finding import Finding


@dataclass(frozen=True, slots=True)
class FoundTrack:
    """A file that the recipe's name pattern gave to a mic of a performance; nothing of it is read yet."""

    performance: str
    mic: str
    path: Path


@dataclass(frozen=True, slots=True)
class AudioHeader:
    """What a file says of itself.

    container: 'WAV', 'RF64', 'FLAC', 'AIFF' ...; subtype: 'PCM_24', 'FLOAT' ... (soundfile's names).
    frames: frames that are there to read. data_offset: byte position of the samples in a linear WAV, or None.
    time_reference: BWF start in samples since midnight (EBU Tech 3285), None where the file has none.
    recovered: the header disagreed with the bytes that are there, and was read by what is there, on request.
    stamp: size in bytes and time of the last change in ns when the header was read; changes show by it.
    """

    path: Path
    container: str
    subtype: str
    rate: int
    channels: int
    frames: int
    bits: int
    data_offset: int | None = None
    time_reference: int | None = None
    origination_date: str | None = None
    origination_time: str | None = None
    recovered: bool = False
    stamp: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """One recorded file, a mic of a performance.

    start: samples of silence before the file's first sample on the common time line (>= 0).
    channel: which channel to read (0 for mono files and for stereo files whose channels are equal).
    """

    performance: str
    mic: str
    header: AudioHeader
    start: int = 0
    channel: int = 0

    @property
    def name(self) -> str:
        return f"{self.performance}/{self.mic}"


@dataclass(frozen=True, slots=True)
class TrackSet:
    """All tracks of a song: same rate; `frames` is the common length every output gets.

    time_reference: BWF start of the common time line, None where no file has one.
    """

    song: str
    folder: Path
    rate: int
    frames: int
    tracks: tuple[Track, ...]
    time_reference: int | None = None
    findings: tuple[Finding, ...] = ()

    def of(self, performance: str) -> tuple[Track, ...]:
        """The tracks of one performance, in recipe order of the mics."""
        return tuple(t for t in self.tracks if t.performance == performance)

    def performances(self) -> tuple[str, ...]:
        """Names of the performances that have tracks, in order."""
        return tuple(dict.fromkeys(t.performance for t in self.tracks))


@dataclass(frozen=True, slots=True)
class TrackLook:
    """One track: its levels, its loudness as a mono file (LUFS) and its noise floor; None where there is no sound.

    noise_floor_dbfs: level that its quietest tenth of 25 ms blocks stays under.
    """

    levels: TrackLevels
    loudness_lufs: float | None
    noise_floor_dbfs: float | None
