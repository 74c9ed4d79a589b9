"""Cross-spectra straight from arrays, for tests of the alignment that need no files."""

import numpy as np

from premix.analysis.spectra import SpectraCollector, median_level_db
from premix.model.analysis import Spectra


def spectra_of_arrays(signals, rate, mics=None, close=None, performance="left_a"):
    """Spectra of `signals` (M, n); the level of a frame is judged on the first `close` mics."""
    signals = np.asarray(signals, np.float64)
    close = len(signals) if close is None else close
    collector = SpectraCollector(rate, len(signals))
    frame, hop = collector.frame, collector.hop
    for start in range(0, signals.shape[1] - frame + 1, hop):
        part = signals[:, start : start + frame]
        collector.take(part, median_level_db((part[:close] ** 2).mean(axis=1)))
    active, n_active, quiet, n_quiet = collector.result()
    names = tuple(mics or (f"mic{i}" for i in range(len(signals))))
    return Spectra(
        performance, names, collector.freqs_hz, active, n_active, quiet, n_quiet, frame, hop, (0,) * len(signals)
    )
