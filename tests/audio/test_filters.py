"""Second-order sections: designs against scipy's, responses, and streams through scipy's compiled loop."""

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import butter, freqz, freqz_sos, sosfilt, sosfilt_zi

from premix.audio import filters as butterworth
from premix.audio import filters as section_filter
from premix.audio.filters import (
    SectionFilter,
    compiled_loop,
    fir_response,
    mic_sections,
    portable_loop,
    sections_response,
)
from premix.model.alignment import AllPass

FloatArray = npt.NDArray[np.float64]

ORDERS = range(1, 9)

FREQS_HZ = np.geomspace(5.0, 20_000.0, 80)


def made(kind: str, low_hz: float, high_hz: float, order: int, rate: int) -> FloatArray:
    """Sections of ours."""
    if kind == "bandpass":
        return butterworth.band_pass(low_hz, high_hz, order, rate)
    return {"highpass": butterworth.high_pass, "lowpass": butterworth.low_pass}[kind](low_hz, order, rate)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize(
    ("kind", "low_hz", "high_hz"),
    [
        ("highpass", 80.0, 0.0), ("highpass", 9000.0, 0.0), ("lowpass", 20.0, 0.0), ("lowpass", 19_000.0, 0.0),
        ("bandpass", 80.0, 5000.0), ("bandpass", 900.0, 1100.0), ("bandpass", 10.0, 19_000.0),
    ],
)  # fmt: skip
def test_the_response_is_that_of_scipys_design(kind: Any, low_hz: float, high_hz: float, order: int, rate: int) -> None:
    """Magnitude and phase; narrow and wide bands, corners near 0 Hz and near the top, odd and even orders."""
    sections = made(kind, low_hz, high_hz, order, rate)
    edges: Any = [low_hz, high_hz] if kind == "bandpass" else low_hz
    theirs = butter(order, edges, kind, fs=rate, output="sos")
    heard, expected = (freqz_sos(s, FREQS_HZ, fs=rate)[1] for s in (sections, theirs))
    # A corner of 10 Hz at 192 kHz leaves 3e-9 of rounding; a wrong pole would be 1e-2.
    assert np.abs(heard - expected).max() < 1e-8
    assert sections.shape == (len(sections), 6)
    assert (sections[:, 3] == 1.0).all()


@pytest.mark.parametrize("order", ORDERS)
def test_every_section_is_stable_with_corners_at_the_ends_of_what_a_recipe_allows(order: int) -> None:
    """10 Hz at 192 kHz, and 0.45 of the rate: poles inside the unit circle."""
    for kind in ("highpass", "lowpass"):
        for corner in (10.0, 86_400.0):
            for section in made(kind, corner, 0.0, order, 192_000):
                assert np.abs(np.roots(section[3:])).max() < 1.0
    for section in made("bandpass", 10.0, 86_400.0, order, 192_000):
        assert np.abs(np.roots(section[3:])).max() < 1.0


RATES = [44100, 48000, 96000]

ALL_PASSES = [
    AllPass(order=1, corner_hz=90.0),
    AllPass(1, 2500.0),
    AllPass(2, 120.0, 0.5),
    AllPass(2, 800.0, 2.0),
    AllPass(2, 4000.0),
]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("corner_hz", [20.0, 80.0, 180.0, 1000.0, 12000.0])
def test_high_and_low_pass_are_scipys_butterworth(rate: int, corner_hz: float) -> None:
    """Same coefficients as scipy.signal.butter(2), independent code.

    scipy goes by poles and zeros: at 20 Hz its coefficients carry some 1e-13 of rounding.
    """
    high = mic_sections(rate, high_pass_hz=corner_hz)
    low = mic_sections(rate, low_pass_hz=corner_hz)
    np.testing.assert_allclose(high, butter(2, corner_hz, "high", fs=rate, output="sos"), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(low, butter(2, corner_hz, "low", fs=rate, output="sos"), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("rotation", ALL_PASSES)
@pytest.mark.parametrize("rate", RATES)
def test_all_pass_leaves_every_level_alone(rotation: AllPass, rate: int) -> None:
    """Magnitude flat to 0.001 dB; measured on the response that scipy computes from the sections."""
    freqs = np.geomspace(5.0, 0.499 * rate, 2000)
    _, response = freqz_sos(mic_sections(rate, rotation=rotation), worN=freqs, fs=rate)
    assert np.max(np.abs(20.0 * np.log10(np.abs(response)))) < 0.001


@pytest.mark.parametrize("rotation", ALL_PASSES)
def test_all_pass_turns_half_way_at_its_corner(rotation: AllPass) -> None:
    """-90 degrees for order 1, -180 for order 2 (Zolzer, DAFX, chapter 2); it falls all the way, from 0."""
    sections = mic_sections(48000, rotation=rotation)
    corner = sections_response(sections, np.array([rotation.corner_hz]), 48000)[0]
    assert np.degrees(np.angle(corner * np.exp(0.5j * np.pi * rotation.order))) == pytest.approx(0.0, abs=1e-6)
    freqs = np.geomspace(1.0, 23999.0, 4000)
    phase = np.unwrap(np.angle(sections_response(sections, freqs, 48000)))
    assert np.all(np.diff(phase) < 0.0)
    assert abs(phase[0]) < 0.1
    assert phase[-1] == pytest.approx(-np.pi * rotation.order, abs=0.1)


def test_all_sections_of_a_mic_come_in_one_table() -> None:
    """High-pass, low-pass and all-pass in series; no filter is no section."""
    rotation = AllPass(2, 300.0)
    whole = mic_sections(48000, 60.0, 9000.0, rotation)
    alone = [
        mic_sections(48000, high_pass_hz=60.0),
        mic_sections(48000, low_pass_hz=9000.0),
        mic_sections(48000, rotation=rotation),
    ]
    np.testing.assert_array_equal(whole, np.concatenate(alone))
    assert mic_sections(48000).shape == (0, 6)


def test_response_is_that_of_scipy_and_of_the_filtered_impulse() -> None:
    """What alignment and report compute is what the sound goes through (scipy's freqz_sos and sosfilt)."""
    sections = mic_sections(48000, 60.0, 4000.0, AllPass(1, 500.0))
    size = 1 << 15
    freqs = np.fft.rfftfreq(size, 1.0 / 48000).astype(np.float64)
    own = sections_response(sections, freqs, 48000)
    _, reference = freqz_sos(sections, worN=freqs, fs=48000)
    np.testing.assert_allclose(own, reference, atol=1e-9)
    impulse = np.zeros(size)
    impulse[0] = 1.0
    np.testing.assert_allclose(np.fft.rfft(sosfilt(sections, impulse)), own, atol=1e-9)  # it has died away by then


def test_no_section_is_no_change() -> None:
    """The response of nothing is one."""
    np.testing.assert_array_equal(sections_response(mic_sections(48000), np.array([0.0, 1e3]), 48000), [1.0, 1.0])


SECTIONS = np.vstack([butter(2, 40.0, "highpass", fs=48000, output="sos"), butter(4, 5000.0, fs=48000, output="sos")])


def noise(channels: int, frames: int) -> np.ndarray:
    return np.random.default_rng(5).standard_normal((channels, frames))


@pytest.mark.parametrize("loop", [compiled_loop(), portable_loop], ids=["compiled", "portable"])
def test_blocks_are_filtered_as_scipy_filters_the_whole(
    loop: section_filter.Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit for bit what scipy.signal.sosfilt gives for the whole signal, in blocks of any size."""
    monkeypatch.setattr(section_filter, "compiled_loop", lambda: loop)
    x = noise(3, 40_000)
    running = SectionFilter(SECTIONS, 3)
    pieces = []
    for start, stop in ((0, 1), (1, 700), (700, 700), (700, 20_000), (20_000, 40_000)):
        piece = x[:, start:stop].copy()
        running.run(piece)
        pieces.append(piece)
    assert np.array_equal(np.concatenate(pieces, axis=1), sosfilt(SECTIONS, x))


def test_the_compiled_loop_is_there_and_brings_nothing_along() -> None:
    """With the scipy that the tests run on the private module must still be found, without scipy.signal itself."""
    code = (
        "import sys; from premix.audio.filters import compiled_loop; assert compiled_loop() is not None;"
        "assert 'scipy.signal' not in sys.modules;"
        "import scipy.signal; scipy.signal.sosfilt([[1, 0, 0, 1, 0, 0]], [1.0])"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_threads_that_filter_first_load_the_compiled_loop_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A second try while the first is under way would fail, and bring scipy.signal along."""
    tries = []

    def slow(loop: object) -> bool:
        tries.append(loop)
        time.sleep(0.05)
        return True

    monkeypatch.setattr(section_filter, "_works", slow)
    compiled_loop.cache_clear()
    try:
        with ThreadPoolExecutor(4) as pool:
            loops = list(pool.map(lambda _: section_filter.section_loop(), range(4)))
    finally:
        compiled_loop.cache_clear()
    assert len(tries) == 1
    assert set(loops) == set(tries)


@pytest.mark.parametrize(
    "broken",
    [
        lambda sections, samples, state: None,
        lambda sections, samples: None,
        lambda sections, samples, state: samples.__imul__(0.5),
    ],
)
def test_a_changed_loop_is_not_used(broken: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """A private module may change with any release of scipy: then the public function does the work."""
    module = type(sys)("changed")
    module._sosfilt = broken  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "scipy.signal._sosfilt", module)
    compiled_loop.cache_clear()
    try:
        assert compiled_loop() is None
    finally:
        compiled_loop.cache_clear()


def test_settled_filters_start_without_a_step() -> None:
    """The state of a level that has stood for ever is scipy's sosfilt_zi (1e-12: rounding)."""
    running = SectionFilter(SECTIONS, 2)
    running.settle(np.array([0.25, -1.0]))
    expected = sosfilt_zi(SECTIONS)[None] * np.array([0.25, -1.0])[:, None, None]
    assert np.allclose(running.state, expected, rtol=0.0, atol=1e-12)


def test_silence_ends_in_true_zeros() -> None:
    """After sound and 20 s of digital silence the state is zero, not denormal numbers that cost time for ever."""
    running = SectionFilter(SECTIONS)
    running.run(noise(1, 1000))
    for _ in range(100):
        running.run(np.zeros((1, 9600)))
    assert not running.state.any()


def test_blocks_have_no_effect_on_the_way_into_silence() -> None:
    """Bit for bit, through the numbers that are put to zero: never so near to denormal ones that it takes time."""
    x = np.zeros((1, 160_000))
    x[0, :100] = noise(1, 100)[0]
    whole, pieces = x.copy(), np.split(x.copy(), range(777, 160_000, 777), axis=1)
    SectionFilter(SECTIONS).run(whole)
    running = SectionFilter(SECTIONS)
    for number, piece in enumerate(pieces):
        pieces[number] = np.ascontiguousarray(piece)
        running.run(pieces[number])
    assert np.array_equal(np.concatenate(pieces, axis=1), whole)
    assert np.abs(whole[whole != 0.0]).min() > np.finfo(np.float64).tiny
    assert not whole[0, -1000:].any()


@pytest.mark.parametrize("length", [1, 255, 256, 257, 16_384, 16_385, 50_000])
def test_the_response_is_scipys(length: int) -> None:
    """Magnitude and phase, whatever the length is to the pieces it is cut into."""
    taps = np.random.default_rng(length).standard_normal(length)
    freqs = np.geomspace(1.0, 23_999.0, 50)
    expected = freqz(taps, worN=freqs, fs=48_000)[1]
    # rounding of the phases of the last taps: 1e-16 of 2 pi f n / rate, 5e4 pi at most
    assert np.abs(fir_response(taps, freqs, 48_000) - expected).max() < 1e-10 * np.abs(taps).sum()
