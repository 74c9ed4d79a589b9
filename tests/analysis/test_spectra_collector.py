"""Cross-spectra: which frames count as riff and which as stop, and what is summed of them."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import csd

from premix.analysis.spectra import FLOOR_DB, SpectraCollector, frame_length
from premix.arrays import FloatArray

RATE = 48000


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def frames_of(rng: np.random.Generator, count: int, frame: int, mics: int = 2, level_db: float = -20.0) -> FloatArray:
    """Frames of independent noise (count, mics, frame) at a level."""
    return rng.normal(0.0, 10.0 ** (level_db / 20.0), (count, mics, frame))


@pytest.mark.parametrize(("rate", "frame"), [(44100, 16384), (48000, 16384), (96000, 32768), (192000, 65536)])
def test_frames_last_a_third_of_a_second_at_any_rate(rate: int, frame: int) -> None:
    """Powers of two near 0.34 s, so that the 40 Hz third octave (9.2 Hz wide) holds three bins."""
    assert frame_length(rate) == frame
    assert 9.2 / (rate / frame) >= 3.0


def test_sums_are_welchs_cross_spectra() -> None:
    """The mean over frames is what scipy.signal.csd (Welch 1967, independent code) gives for the same frames."""
    rng = np.random.default_rng(4)
    collector = SpectraCollector(RATE, 2)
    signals = rng.standard_normal((2, collector.frame + 7 * collector.hop))
    signals[1] += 0.7 * np.roll(signals[0], 5)
    for start in range(0, 8 * collector.hop, collector.hop):
        collector.take(signals[:, start : start + collector.frame], -20.0)
    found = collector.result()
    active, counts, n_quiet = found.active, found.n_active, found.n_quiet
    assert (sum(counts), n_quiet) == (8, 0)
    freqs, wanted = csd(  # scipy's csd(x, y) is the mean of conj(X) Y
        signals[1], signals[0], RATE, "hann", nperseg=collector.frame, noverlap=collector.hop, detrend=False
    )
    bins = np.searchsorted(freqs, collector.freqs_hz)
    scale = RATE * (np.hanning(collector.frame + 1)[:-1] ** 2).sum() / 2.0  # one-sided density
    mean = active.sum(axis=0)[0, 1] / 8
    np.testing.assert_allclose(mean, wanted[bins] * scale, rtol=1e-9, atol=1e-9 * np.abs(mean).max())


def test_matrix_is_hermitian_with_real_powers(rng: np.random.Generator) -> None:
    """Entry [n, m] is the conjugate of [m, n]; the diagonal is power."""
    collector = SpectraCollector(RATE, 3)
    for frame in frames_of(rng, 8, collector.frame, mics=3):
        collector.take(frame, -20.0)
    active = collector.result().active
    np.testing.assert_allclose(active, active.conj().swapaxes(1, 2), rtol=1e-15)  # x conj(x) rounds to 1e-17 x j
    assert np.all(np.einsum("hmmf->hmf", active).real > 0.0)


def test_loud_frames_are_riff_and_soft_ones_are_stops(rng: np.random.Generator) -> None:
    """Within 21 dB of the loud level: riff; more than 27 dB under it: stop; between: neither. Piles are 3 dB wide."""
    collector = SpectraCollector(RATE, 2)
    for level, count in ((-18.5, 12), (-30.5, 8), (-43.0, 5), (-45.5, 3), (-60.0, 7)):
        for frame in frames_of(rng, count, collector.frame, level_db=level):
            collector.take(frame, level)
    found = collector.result()
    active, counts, quiet, n_quiet = found.active, found.n_active, found.quiet, found.n_quiet
    assert sum(counts) == 20  # -43 and -45.5 are neither
    assert n_quiet == 7
    power = np.einsum("mmf->", quiet).real / n_quiet / (np.einsum("hmmf->", active).real / 20)
    # Power means: the stops have 10^-6.0, the riff (12 x 10^-1.85 + 8 x 10^-3.05) / 20.
    assert 10 * np.log10(power) == pytest.approx(-60.0 - 10 * np.log10((12 * 10**-1.85 + 8 * 10**-3.05) / 20), abs=0.2)


def test_halves_interleave(rng: np.random.Generator) -> None:
    """Both halves of the take get frames from all over the song, in groups of four."""
    collector = SpectraCollector(RATE, 1)
    marks = []
    for number in range(16):
        frame = np.full((1, collector.frame), 0.0)
        frame[0] = np.sin(2 * np.pi * (100 + 50 * number) / RATE * np.arange(collector.frame))
        marks.append(np.argmin(np.abs(collector.freqs_hz - (100 + 50 * number))))
        collector.take(frame, -3.0)
    found = collector.result()
    active, counts = found.active, found.n_active
    assert counts == (8, 8)
    louder = [int(active[1, 0, 0, bin_].real > active[0, 0, 0, bin_].real) for bin_ in marks]
    assert louder == [0, 0, 0, 0, 1, 1, 1, 1] * 2


def test_digital_silence_teaches_nothing(rng: np.random.Generator) -> None:
    """Frames below the floor are left out of every pile."""
    collector = SpectraCollector(RATE, 2)
    (good,) = frames_of(rng, 1, collector.frame)
    collector.take(good, -20.0)
    collector.take(np.zeros_like(good), FLOOR_DB)
    found = collector.result()
    active, counts, n_quiet = found.active, found.n_active, found.n_quiet
    assert (sum(counts), n_quiet) == (1, 0)
    assert np.isfinite(active).all()


def test_no_frame_of_a_long_song_is_left_out(rng: np.random.Generator) -> None:
    """Riff that comes after two minutes of riff counts as much as the first: nothing stops the collecting."""
    collector = SpectraCollector(RATE, 1)
    early, late = (frames_of(rng, 1, collector.frame, mics=1)[0] for _ in range(2))
    for frame, count in ((early, 700), (late, 350)):
        for _ in range(count):
            collector.take(frame, -20.0)
    found = collector.result()
    assert sum(found.n_active) == 1050
    alone = SpectraCollector(RATE, 1)
    for frame in (early, early, late):
        alone.take(frame, -20.0)
    np.testing.assert_allclose(found.active.sum(axis=0), 350.0 * alone.result().active.sum(axis=0), rtol=1e-9)


def test_soft_beginning_is_not_the_riff(rng: np.random.Generator) -> None:
    """A long soft intro is not the riff: once the loud part comes, its frames are what is kept as active."""
    collector = SpectraCollector(RATE, 1)
    soft, loud = (frames_of(rng, 1, collector.frame, mics=1, level_db=level)[0] for level in (-55.0, -15.0))
    for _ in range(500):
        collector.take(soft, -55.0)
    for _ in range(100):
        collector.take(loud, -15.0)
    found = collector.result()
    assert sum(found.n_active) == 100
    assert found.n_quiet == 500


def test_frames_of_long_songs_follow_each_other() -> None:
    """Up to 70 s every half frame begins one; then the cost of a song no longer holds the overlap."""
    assert SpectraCollector(RATE, 1, seconds=70.0).hop == SpectraCollector(RATE, 1).frame // 2
    assert SpectraCollector(RATE, 1, seconds=71.0).hop == SpectraCollector(RATE, 1).frame


def test_windows_add_up_to_the_song(rng: np.random.Generator, tmp_path: Path) -> None:
    """What is kept window by window, summed, is what the piles hold, in wider bins."""
    collector = SpectraCollector(RATE, 3, path=tmp_path / "windows")
    windows = collector.windows
    assert windows is not None
    for frame in frames_of(rng, 11, collector.frame, mics=3):
        collector.take(frame, -20.0)
        windows.flush()
    windows.flush(last=True)
    record = windows.record("left", ("a", "b", "c"), 0.0, collector.riff_db)
    found = collector.result().active.sum(axis=0)
    summed = record.read(0, record.count).sum(axis=0)
    assert len(record.levels_db) == 11
    for row, (m, n) in enumerate(record.pairs):
        wide = found[m, n, : len(record.freqs_hz) * record.merged].reshape(-1, record.merged).sum(axis=1)
        np.testing.assert_allclose(summed[row], wide, rtol=1e-4, atol=1e-5 * np.abs(wide).max())
