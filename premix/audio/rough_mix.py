"""A finished stereo file as samples at a song's rate: whatever libsndfile reads, lossy formats too.

Tracks are never read like this: a lossy file moves phase. Of a mix that is only held against tracks this does not
matter.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray
from premix.audio.writer import storage_error
from premix.errors import Problem, TracksError

_PIECE = 1 << 18
MOST_CHANNELS = 2


@dataclass(frozen=True, slots=True)
class MixSamples:
    """A stereo file, kept as 32-bit floats in a scratch file at the song's rate; one channel stands on both sides."""

    path: Path
    frames: int

    def read(self, start: int, count: int) -> FloatArray:
        """(2, count) samples from `start` on, silence where the file is not."""
        out = np.zeros((2, count))
        first, last = max(0, start), min(self.frames, start + count)
        if last > first:
            held: npt.NDArray[np.float32] = np.fromfile(self.path, np.float32, 2 * (last - first), offset=8 * first)
            out[:, first - start : last - start] = held.reshape(-1, 2).T
        return out


def read_mix(path: Path, rate: int, scratch: Path) -> MixSamples:
    """Decode `path` and convert it to `rate`, piece by piece, into a file of the folder `scratch`.

    Raises TracksError where it is no such file, has more than two channels, or holds nothing.
    """
    import soundfile
    import soxr

    if not path.is_file():
        raise TracksError(Problem("like-unreadable", str(path), "there is no such file"))
    target, frames = scratch / "rough_mix", 0
    try:
        with soundfile.SoundFile(path) as file, target.open("wb") as out:
            if file.channels > MOST_CHANNELS:
                what = f"it has {file.channels} channels"
                raise TracksError(Problem("like-unreadable", str(path), what, "one or two channels"))
            stream = None
            if file.samplerate != rate:
                stream = soxr.ResampleStream(file.samplerate, rate, file.channels, dtype="float32", quality="HQ")
            while True:
                piece = file.read(_PIECE, "float32", always_2d=True)
                last = len(piece) < _PIECE
                made = piece if stream is None else stream.resample_chunk(piece, last=last)
                made = made.reshape(-1, file.channels)
                made = np.nan_to_num(made, nan=0.0, posinf=0.0, neginf=0.0)
                np.ascontiguousarray(np.broadcast_to(made, (len(made), 2)), np.float32).tofile(out)
                frames += len(made)
                if last:
                    break
    except soundfile.LibsndfileError as error:
        raise TracksError(Problem("like-unreadable", str(path), f"it cannot be read ({error})")) from None
    except OSError as error:
        raise storage_error(target, error) from None
    if not frames:
        raise TracksError(Problem("like-unreadable", str(path), "it holds no samples"))
    return MixSamples(target, frames)
