"""What the one pass over the tracks found: cross-spectra, key envelopes, levels, sample hashes."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.arrays import ComplexArray, FloatArray
from premix.model.finding import Finding


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum of one track while nobody plays. mains_hz: 50 or 60. rms: of all its lines together, full scale 1."""

    mains_hz: float
    rms: float


@dataclass(frozen=True, slots=True)
class TrackLevels:
    """Levels of one track over its whole length.

    sample_peak: largest |x|. rms: over all samples. dc: mean. nonfinite: NaN or infinite samples.
    clipped: (start_sample, length) of runs at full scale. zero_runs: (start_sample, length) of runs of exact
    zeros inside sound. sha256: of the samples as little-endian bytes at the file's own bit depth, interleaved.
    hum: in the stops; None where none stands out, or where there are no stops.
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


@dataclass(frozen=True, slots=True)
class Spectra:
    """Cross-spectral matrices of one performance, as recorded (no gain, polarity or delay applied).

    mics: (M) names, close and sub mics first, then rooms. freqs_hz: (F).
    active: (2, M, M, F) sums over the active frames, in two interleaved halves of the take; entry [h, m, n, f]
    is the sum of X_m(f) conj(X_n(f)). n_active: frames in each half.
    quiet: (M, M, F), n_quiet: the same over frames where nothing plays.
    offsets: (M) whole samples by which each mic was already advanced when read (0 but for odd file starts).
    softest: (M, F) sums of |X_m(f)|^2 over the softest tenth of the frames, whatever their level; n_softest of them.
    """

    performance: str
    mics: tuple[str, ...]
    freqs_hz: FloatArray
    active: ComplexArray
    n_active: tuple[int, int]
    quiet: ComplexArray
    n_quiet: int
    frame: int
    hop: int
    offsets: tuple[int, ...]
    softest: FloatArray | None = None
    n_softest: int = 0


@dataclass(frozen=True, slots=True)
class KeyEnvelopes:
    """Short-time power of the close mics of one performance at the control rate, kept on disk.

    Frame k covers samples k*hop to (k+1)*hop of the common time line. The file holds float32 mean squares of
    the key band, shape (frames, M) row after row, with M = len(mics). It lives as long as the run's scratch folder.
    """

    performance: str
    mics: tuple[str, ...]
    rate: int
    hop: int
    frames: int
    path: Path

    def read(self, start: int, stop: int) -> npt.NDArray[np.float32]:
        """Mean squares of control frames start to stop (clipped to what is there), shape (M, frames)."""
        start, stop = max(0, start), min(self.frames, stop)
        count = max(0, stop - start) * len(self.mics)
        data = (
            np.fromfile(self.path, np.float32, count, offset=4 * start * len(self.mics))
            if count
            else (np.zeros(0, np.float32))
        )
        return data.reshape(-1, len(self.mics)).T


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything the analysis pass leaves for the stages after it."""

    rate: int
    frames: int
    spectra: tuple[Spectra, ...]
    envelopes: tuple[KeyEnvelopes, ...]
    levels: tuple[TrackLevels, ...]
    findings: tuple[Finding, ...] = ()

    def spectra_of(self, performance: str) -> Spectra:
        return next(s for s in self.spectra if s.performance == performance)

    def envelopes_of(self, performance: str) -> KeyEnvelopes:
        return next(e for e in self.envelopes if e.performance == performance)

    def levels_of(self, performance: str, mic: str) -> TrackLevels:
        return next(v for v in self.levels if (v.performance, v.mic) == (performance, mic))
