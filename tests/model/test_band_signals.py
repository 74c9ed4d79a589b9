"""The key's band is read as numpy would cast it."""

from pathlib import Path

import numpy as np
import pytest

from premix.model.tracks import BandSignals


@pytest.mark.parametrize(("start", "stop"), [(0, 50), (10, 40), (-5, 20), (30, 70), (60, 80)])
def test_band_is_read_as_numpy_casts_it(tmp_path: Path, start: int, stop: int) -> None:
    """Both signs, zeros, the largest and the smallest 16-bit floats; silence where the song is not."""
    rng = np.random.default_rng(3)
    kept = (rng.standard_normal((50, 3)) * 10.0 ** rng.uniform(-6, 4, (50, 3))).astype(np.float16)
    kept[:4, 0] = [0.0, -0.0, 65504.0, 6e-8]
    kept.tofile(tmp_path / "left.band")
    whole = np.zeros((100, 3), np.float32)
    whole[10:60] = kept.astype(np.float32) / 1024.0
    band = BandSignals(("a", "b", "c"), 4, 50, 1024.0, tmp_path / "left.band")
    assert np.array_equal(band.read(start, stop), whole[start + 10 : stop + 10].T)
