"""A user's impulse response from a file, at the song's rate."""

from pathlib import Path

import numpy as np

from premix.model.analysis import FloatArray

LONGEST_S = 10.0


class UnfitResponse(Exception):  # noqa: N818 (it says what is wrong with a file; the caller makes it a problem)
    """The file cannot be used; the text says why."""


def load_response(path: Path, rate: int) -> FloatArray:
    """Taps (1 or 2, n) at `rate`. UnfitResponse for anything else than a short, finite mono or stereo file.

    A file at another rate is resampled and scaled by the ratio of the rates, so that its frequency response stays.
    """
    from pedalboard.io import AudioFile  # slow to import

    try:
        with AudioFile(str(path)) as file:
            if file.num_channels > 2 or not 0 < file.frames <= LONGEST_S * file.samplerate:
                raise UnfitResponse(f"it has {file.num_channels} channels and {file.frames} samples")
            taps, own_rate = file.read(file.frames).astype(np.float64), int(file.samplerate)
    except (OSError, ValueError, RuntimeError) as error:
        raise UnfitResponse("it cannot be read as audio") from error
    if not np.isfinite(taps).all():
        raise UnfitResponse("it holds NaN or infinite samples")
    if own_rate != rate:
        import soxr

        taps = soxr.resample(taps.T, own_rate, rate, quality="VHQ").T * (own_rate / rate)
    return np.ascontiguousarray(taps)
