"""Tracks: recorded files, what they say of themselves, and what is found in them.

A look finds levels, loudness and noise floor; the one pass over all tracks finds levels, cross-spectra, key envelopes
and the hashes of the samples.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from premix.arrays import ComplexArray, FloatArray


@dataclass(frozen=True, slots=True)
class FoundTrack:
    """A file that the recipe's name pattern gave to a mic of a performance; nothing of it is read yet."""

    performance: str
    mic: str
    path: Path

    @property
    def label(self) -> str:
        return f"{self.performance}/{self.mic}"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A mic of a performance, or with None the whole performance, that is optional and has no file.

    wanted: the name that was looked for. near: unused files that may be it, the likeliest first.
    """

    performance: str
    mic: str | None
    wanted: str
    near: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """'left_b/sub', or 'centre' for all of it."""
        return self.performance if self.mic is None else f"{self.performance}/{self.mic}"


@dataclass(frozen=True, slots=True)
class RollCall:
    """Which files a song is made of: how many are used, of how many audio files that were found; what was left out;
    the names of those that no track uses; labels of those left out whose like is there on the other side."""

    used: int
    found: int
    left_out: tuple[LeftOut, ...] = ()
    unused: tuple[str, ...] = ()
    one_sided: tuple[str, ...] = ()

    def line(self) -> str:
        """The roll-call in one line, for people; whole performances first."""
        said = [f"used {self.used} of {self.found} file{'s' * (self.found != 1)}"]
        if self.left_out:
            gravest = sorted(self.left_out, key=lambda one: one.mic is not None)
            told = ", ".join(map(_left_out, gravest[:MOST_NAMED]))
            said.append(f"left out: {told}{_rest(len(self.left_out))}")
        if self.unused:
            said.append(f"not used: {', '.join(self.unused[:MOST_NAMED])}{_rest(len(self.unused))}")
        return "; ".join(said)


MOST_NAMED = 6
"""Of those left out, and of the files that are not used, in one line."""


def _left_out(one: LeftOut) -> str:
    near = f"; near misses: {', '.join(one.near)}" if one.near else ""
    return f"{one.label} (no file fits '{one.wanted}'{near})"


def _rest(count: int) -> str:
    return f" and {count - MOST_NAMED} more" if count > MOST_NAMED else ""


@dataclass(frozen=True, slots=True)
class AudioHeader:
    """What a file says of itself.

    container: 'WAV', 'RF64', 'FLAC', 'AIFF' ...; subtype: 'PCM_24', 'FLOAT' ... (soundfile's names).
    frames: frames that are there to read. data_offset: byte position of the samples in a linear WAV, or None.
    time_reference: BWF start in samples since midnight (EBU Tech 3285), None where the file has none.
    recovered: the header disagreed with the bytes that are there, and was read by what is there, on request.
    stamp: size in bytes, times of the last change of content and of the file in ns, and inode, when the header was
    read; changes show by it. patches: positions, and bytes to be read there in place of the file's own, where its
    recovered header would stop a decoder short.
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
    stamp: tuple[int, ...] | None = None
    patches: tuple[tuple[int, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class Track:
    """One recorded file, a mic of a performance.

    start: samples of silence before the file's first sample on the common time line (>= 0).
    channel: which channel to read (0 for mono files and for stereo files whose channels are equal); None: the mean of
    all. converted_to: the song's rate, where the file's own is another; it is converted while it is read.
    """

    performance: str
    mic: str
    header: AudioHeader
    start: int = 0
    channel: int | None = 0
    converted_to: int | None = None

    @property
    def length(self) -> int:
        """How many samples it has on the common time line, at the song's rate."""
        return self.at_song_rate(self.header.frames)

    @property
    def end(self) -> int:
        """The sample after its last one on the common time line."""
        return self.start + self.length

    def at_song_rate(self, frames: int) -> int:
        """A number of the file's samples as the nearest number of the song's."""
        return frames if self.converted_to is None else round(frames * self.converted_to / self.header.rate)

    @property
    def name(self) -> str:
        return f"{self.performance}/{self.mic}"


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum of one track while nobody plays. mains_hz: 50 or 60. rms: of all its lines together, full scale 1."""

    mains_hz: float
    rms: float


@dataclass(frozen=True, slots=True)
class TrackLevels:
    """Levels of one track over its whole length.

    sample_peak: largest |x|. rms: over all samples. dc: mean. nonfinite: NaN or infinite samples.
    clipped: (start_sample, length) of runs at full scale; flat_tops: of tops cut off at a level below it. zero_runs:
    of runs of exact zeros inside sound. sha256: of the samples as little-endian bytes at the file's own bit depth,
    interleaved. hum: in the stops; None where none stands out, or where there are no stops.
    """

    performance: str
    mic: str
    frames: int
    sample_peak: float
    rms: float
    dc: float
    nonfinite: int
    clipped: tuple[tuple[int, int], ...]
    zero_runs: tuple[tuple[int, int], ...]
    sha256: str
    hum: Hum | None = None
    flat_tops: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class TrackLook:
    """One track: its levels, its loudness as a mono file (LUFS) and its noise floor; None where there is no sound.

    noise_floor_dbfs: level that its quietest tenth of 25 ms blocks stays under.
    """

    levels: TrackLevels
    loudness_lufs: float | None
    noise_floor_dbfs: float | None


@dataclass(frozen=True, slots=True)
class KeptArray:
    """An array in a file of the run's scratch folder; what is asked of it is read then, and is an array of its own."""

    path: Path
    dtype: str
    shape: tuple[int, ...]

    @classmethod
    def keep(cls, array: ComplexArray, path: Path) -> "KeptArray":
        np.ascontiguousarray(array).tofile(path)
        return cls(path, array.dtype.str, array.shape)

    def __getitem__(self, key: Any) -> ComplexArray:
        return np.array(np.memmap(self.path, self.dtype, "r", shape=self.shape)[key])


@dataclass(frozen=True, slots=True)
class DiMatch:
    """How a DI fits its amp. likeness: of how their levels change, 1 for the same; late_ms > 0: it plays later."""

    likeness: float
    late_ms: float


@dataclass(frozen=True, slots=True)
class Spectra:
    """Cross-spectral matrices of one performance, as recorded (no gain, polarity or delay applied).

    mics: (M) names, close and sub mics first, then rooms. freqs_hz: (F). partners: the A places in `mics` that every
    mic is compared with; all of them up to eight mics.
    active (kept): (2, M, A, F) sums over the active frames, in two interleaved halves of the take; entry [h, m, a, f]
    is the sum of X_m(f) conj(X_n(f)) with n = partners[a]. n_active: frames in each half.
    quiet (kept): (M, A, F), n_quiet: the same over frames where nothing plays.
    active_powers: (2, M, F), quiet_powers: (M, F) sums of |X_m(f)|^2 over the same frames, of every mic.
    offsets: (M) whole samples by which each mic was already advanced when read (0 but for odd file starts).
    softest: (M, F) sums of |X_m(f)|^2 over the softest tenth of the frames, whatever their level; n_softest of them;
    kept_softest: (M, A, F) all products of the same.
    """

    performance: str
    mics: tuple[str, ...]
    freqs_hz: FloatArray
    kept_active: ComplexArray | KeptArray
    n_active: tuple[int, int]
    kept_quiet: ComplexArray | KeptArray
    n_quiet: int
    frame: int
    hop: int
    offsets: tuple[int, ...]
    partners: tuple[int, ...]
    active_powers: FloatArray
    quiet_powers: FloatArray
    softest: FloatArray | None = None
    n_softest: int = 0
    kept_softest: ComplexArray | KeptArray | None = None

    @property
    def active(self) -> ComplexArray:
        return self.kept_active[...]

    @property
    def quiet(self) -> ComplexArray:
        return self.kept_quiet[...]


@dataclass(frozen=True, slots=True)
class BandSignals:
    """The close mics of one performance in the key's band, thinned out to the rate that it needs, kept on disk.

    mics: (M) names; those that count for the key. step: samples of the tracks in one sample of the band. frames: how
    many there are. The file holds 16-bit floats, samples times `scale`, shape (frames, M) row after row. As recorded:
    no gain, polarity or delay. path: None where the file was not kept.
    """

    mics: tuple[str, ...]
    step: int
    frames: int
    scale: float
    path: Path | None

    def read(self, start: int, stop: int) -> npt.NDArray[np.float32]:
        """Samples `start` to `stop`, shape (M, stop - start); silence where the song is not."""
        assert self.path is not None, "what needs the band is done before a pass is kept"
        width, first, last = len(self.mics), max(0, start), min(self.frames, stop)
        out = (np.empty if (first, last) == (start, stop) else np.zeros)((width, stop - start), np.float32)
        if last > first:
            # As numpy's own casts, but for infinities, in half the time: exponent and fraction to where 32-bit floats
            # have them, and 112 more in the exponent.
            wide = np.fromfile(self.path, np.int16, (last - first) * width, offset=2 * first * width).astype(np.int32)
            wide <<= 13
            wide &= np.int32(-0x70002000)  # all but the copies of the sign
            single = wide.view(np.float32).reshape(-1, width)
            np.multiply(single.T, np.float32(2.0**112 / self.scale), out=out[:, first - start : last - start])
        return out


@dataclass(frozen=True, slots=True)
class Agreed:
    """How well the close mics of a performance agree on what they hear, through the song.

    values: (n) float32, one for every 8 control frames: 1 where only the guitar sounds, around 0 for anything from
    elsewhere.
    """

    values: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class KeyEnvelopes:
    """Short-time power of the close mics of one performance at the control rate, kept on disk.

    Frame k covers samples k*hop to (k+1)*hop of the common time line. The file holds float32 mean squares of
    the key band, shape (frames, M) row after row, with M = len(mics). It lives as long as the run's scratch folder.
    band: the signals themselves, where two mics or more can be compared.
    """

    performance: str
    mics: tuple[str, ...]
    rate: int
    hop: int
    frames: int
    path: Path
    band: BandSignals | None = None

    def read(self, start: int, stop: int) -> npt.NDArray[np.float32]:
        """Mean squares of control frames start to stop (clipped to what is there), shape (M, frames)."""
        start, stop = max(0, start), min(self.frames, stop)
        width = len(self.mics)
        count = max(0, stop - start) * width
        data = np.fromfile(self.path, np.float32, count, offset=4 * start * width) if count else np.zeros(0, np.float32)
        return data.reshape(-1, width).T


@dataclass(frozen=True, slots=True)
class Windows:
    """Cross-spectra of one performance's mics, window by window, kept on disk as long as the run's scratch folder.

    pairs: (P) rows (m, n), m <= n. freqs_hz: (F) middles of the bins, each the sum of `merged` bins of the frames.
    start_s: where the first window begins. frame_s: from one frame to the next. window_frames: frames in a window.
    levels_db: of each frame of the song, the median over the close mics. riff_db: from which level a frame is riff.
    count: windows.
    """

    performance: str
    mics: tuple[str, ...]
    pairs: tuple[tuple[int, int], ...]
    freqs_hz: FloatArray
    merged: int
    start_s: float
    frame_s: float
    window_frames: int
    levels_db: FloatArray
    riff_db: float
    count: int
    path: Path

    @property
    def window_s(self) -> float:
        """From one window to the next."""
        return self.frame_s * self.window_frames

    def read(self, start: int, stop: int) -> npt.NDArray[np.complex64]:
        """(n, P, F) sums of X_m(f) conj(X_n(f)) over the frames of windows `start` to `stop`."""
        size = len(self.pairs) * len(self.freqs_hz)
        count = max(0, min(stop, self.count) - start) * size
        kind, offset = np.complex64, 8 * start * size
        data = np.fromfile(self.path, kind, count, offset=offset) if count else np.zeros(0, kind)
        return data.reshape(-1, len(self.pairs), len(self.freqs_hz))
