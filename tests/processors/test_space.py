"""Delay, convolution and reverb: times, levels, and what stays untouched."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve, resample_poly

from premix.processors.chains import linear_response, processor_of

from .driving import RATE, drive, impulse, noise, setting, step, transform


@pytest.mark.parametrize("delay_ms", [0.0, 0.0052, 0.5, 1.2345, 33.3])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_delay_is_heard_at_its_time(delay_ms: float, rate: int) -> None:
    """The spectrum of a delayed impulse turns by 2 pi f t, and its level stays, and so the alignment sees it."""
    at, freqs_hz = 4000, np.geomspace(20.0, rate / 2.4, 40)
    one = step("delay", delay_ms=delay_ms)
    heard = transform(drive(one, impulse(12_000, at), rate=rate), freqs_hz, rate)
    expected = np.exp(-2j * np.pi * freqs_hz * (at / rate + delay_ms / 1000))
    assert np.abs(heard - expected).max() < 1e-6  # -120 dB, which fractional delays hold to 20 kHz at 48 kHz
    seen = linear_response((one,), freqs_hz, setting(rate=rate))
    assert np.abs(seen - np.exp(-2j * np.pi * freqs_hz * delay_ms / 1000)).max() < 1e-12


def test_a_whole_sample_delay_moves_the_samples_as_they_are() -> None:
    """Bit for bit."""
    signal = noise(2, RATE)
    made = drive(step("delay", delay_ms=10.0), signal)
    assert np.array_equal(made[:, 480:], signal[:, :-480])
    assert not made[:, :480].any()


def test_the_dry_part_of_the_reverb_is_untouched() -> None:
    """mix 0 is the input bit for bit; any other mix is linear in it."""
    signal = noise(2, 20_000)
    assert np.array_equal(drive(step("reverb", mix=0.0), signal), signal)
    wet, half = drive(step("reverb", mix=1.0), signal), drive(step("reverb", mix=0.5), signal)
    assert half == pytest.approx(0.5 * signal + 0.5 * wet, abs=1e-12)


def test_the_reverb_rings_on_and_dies() -> None:
    """An impulse leaves a tail that starts at once and loses 20 dB a second or more; damped highs die first."""
    made = drive(step("reverb", mix=1.0, room_size=0.5), impulse(3 * RATE))
    first, last = (float(np.sum(made[a : a + RATE // 2] ** 2)) for a in (0, 2 * RATE))
    assert np.flatnonzero(made)[0] < 0.05 * RATE
    assert 10 * np.log10(last / first) < -40.0


@pytest.mark.parametrize("room_size", [0.0, 0.5, 0.8])
def test_the_reverb_is_as_loud_as_its_network_makes_it(room_size: float) -> None:
    """Level of white noise through the public design of eight combs and four all-passes, undamped (from memory).

    Input gain 0.015; a comb of feedback c = 0.7 + 0.28 size passes 1/(1 - c^2) of the power; an all-pass of the
    design, y = b - x with b' = x + b/2, 1 + 1/(1 - 1/4). What the combs share is worth 0.2 dB.
    """
    signal = noise(1, 6 * RATE)[0]
    made = drive(step("reverb", mix=1.0, room_size=room_size, damping=0.0), signal)
    comb = 0.7 + 0.28 * room_size
    power = 0.015**2 * 8 / (1 - comb**2) * (1 + 1 / 0.75) ** 4
    heard = np.mean(made[3 * RATE :] ** 2) / np.mean(signal**2)
    assert 10 * np.log10(heard) == pytest.approx(10 * np.log10(power), abs=0.4)


def test_damping_takes_highs_and_width_parts_the_sides() -> None:
    """More damping, less above 5 kHz than below 500 Hz; at width 0 one signal on both sides rings alike."""
    signal = np.repeat(noise(1, 4 * RATE), 2, axis=0)
    freqs = np.fft.rfftfreq(2 * RATE, 1 / RATE)

    def tail(**settings: float) -> np.ndarray:
        return drive(step("reverb", mix=1.0, **settings), signal)[:, 2 * RATE :]

    def brightness_db(damping: float) -> float:
        power = np.abs(np.fft.rfft(tail(damping=damping)[0])) ** 2
        return float(10 * np.log10(power[freqs > 5000].mean() / power[(freqs > 100) & (freqs < 500)].mean()))

    dull, middle, bright = (brightness_db(damping) for damping in (1.0, 0.5, 0.0))
    assert dull + 1.0 < middle < bright - 1.0
    alike, apart = tail(width=0.0), tail(width=1.0)
    assert np.array_equal(alike[0], alike[1])
    assert abs(np.corrcoef(apart)[0, 1]) < 0.1


def write(path: Path, taps: np.ndarray, rate: int = RATE) -> str:
    """An impulse response as a float file."""
    soundfile.write(path, taps.T, rate, subtype="FLOAT")
    return str(path)


def test_a_unit_impulse_plays_at_unity(tmp_path: Path) -> None:
    """The level is the file's own: 1 leaves the signal, 0.25 a quarter of it."""
    signal = noise(1, 20_000)[0]
    for level in (1.0, 0.25):
        file = write(tmp_path / "unit.wav", level * impulse(3000))
        made = drive(step("convolution", file=file), signal)
        assert 20 * np.log10(np.abs(made - level * signal).max()) < -280.0  # the rounding of the transforms


@pytest.mark.parametrize("length", [1, 100, 1024, 5000, 70_000])
def test_convolution_is_convolution(length: int, tmp_path: Path) -> None:
    """Against scipy's, whatever the length of the response: one partition, some, or many."""
    taps = noise(1, length, seed=length)[0].astype(np.float32).astype(np.float64)
    signal = noise(1, 150_000)[0]
    made = drive(step("convolution", file=write(tmp_path / "taps.wav", taps)), signal)
    expected = fftconvolve(signal, taps)[: len(signal)]
    assert 20 * np.log10(np.abs(made - expected).max() / np.abs(expected).max()) < -250.0


def test_mix_and_gain_of_a_convolution(tmp_path: Path) -> None:
    """The dry signal keeps the rest of the mix; the gain is the response's alone."""
    taps = noise(1, 500)[0].astype(np.float32).astype(np.float64)
    file, signal = write(tmp_path / "taps.wav", taps), noise(1, 9000, seed=2)[0]
    made = drive(step("convolution", file=file, mix=0.25, gain_db=-6.0), signal)
    expected = 0.75 * signal + 0.25 * 10 ** (-6 / 20) * fftconvolve(signal, taps)[: len(signal)]
    assert np.abs(made - expected).max() < 1e-12


def test_a_stereo_response_convolves_each_channel_with_its_own(tmp_path: Path) -> None:
    """On the guitar bus; on one channel it is refused."""
    taps = noise(2, 500).astype(np.float32).astype(np.float64)
    file, signal = write(tmp_path / "stereo.wav", taps), noise(2, 9000, seed=2)
    made = drive(step("convolution", file=file), signal)
    for channel in range(2):
        assert np.abs(made[channel] - fftconvolve(signal[channel], taps[channel])[:9000]).max() < 1e-12
    assert [u.what.split("'")[-1] for u in processor_of(step("convolution", file=file)).problems(setting(1))] == [
        " has 2 channels"
    ]


def test_a_response_at_another_rate_keeps_its_frequency_response(tmp_path: Path) -> None:
    """Resampled and scaled: what it does at 100 Hz to 10 kHz is what it did at its own rate, within 0.1 dB."""
    taps = resample_poly(np.hanning(41), 4, 1) * np.cos(np.arange(164) * 0.2)
    freqs = np.geomspace(100.0, 10_000.0, 30)
    own = np.abs(transform(taps.astype(np.float32).astype(np.float64), freqs, 96_000))
    file = write(tmp_path / "taps96.wav", taps, 96_000)
    heard = np.abs(transform(drive(step("convolution", file=file), impulse(20_000)), freqs))
    loud = own > 0.01 * own.max()
    assert 20 * np.log10(heard[loud] / own[loud]) == pytest.approx(0.0, abs=0.1)


def test_the_alignment_sees_a_convolutions_response(tmp_path: Path) -> None:
    """`response` is the transform of what is heard."""
    taps = noise(1, 700)[0].astype(np.float32).astype(np.float64)
    one = step("convolution", file=write(tmp_path / "taps.wav", taps), mix=0.5)
    freqs = np.geomspace(40.0, 10_000.0, 30)
    assert np.abs(linear_response((one,), freqs, setting()) - transform(drive(one, impulse(3000)), freqs)).max() < 1e-9


@pytest.mark.parametrize(
    ("seconds", "channels", "said"), [(11.0, 1, "528000 samples"), (0.01, 3, "3 channels"), (0.0, 1, "no samples")]
)
def test_what_is_no_impulse_response_is_refused(seconds: float, channels: int, said: str, tmp_path: Path) -> None:
    """Too long, too many channels, empty: in words, before anything is rendered."""
    soundfile.write(tmp_path / "taps.wav", np.zeros((round(seconds * RATE), channels)), RATE, subtype="FLOAT")
    (problem,) = processor_of(step("convolution", file=str(tmp_path / "taps.wav"))).problems(setting())
    assert said in problem.what


def test_a_response_that_holds_no_numbers_is_refused(tmp_path: Path) -> None:
    """One NaN in the file would be one in every sample after it."""
    taps = impulse(100)
    taps[50] = np.nan
    (problem,) = processor_of(step("convolution", file=write(tmp_path / "nan.wav", taps))).problems(setting())
    assert "NaN" in problem.what


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_integers_of_a_response_keep_the_scale_that_renders_have_always_had(subtype: str, tmp_path: Path) -> None:
    """The largest integer counts as 1, in 32 bits, not as a step less than 1 as in a track; and a file that was cut
    short is refused, not convolved with what is left."""
    path, steps = tmp_path / "taps.wav", 1 << (int(subtype[-2:]) - 1)
    taps = np.array([steps // 2, -steps, 3], np.int32)
    soundfile.write(path, taps * (2**31 // steps), RATE, subtype=subtype)
    one = step("convolution", file=str(path))
    made = drive(one, impulse(3))
    expected = taps.astype(np.float32) * np.float32(1.0 / (steps - 1))
    assert made == pytest.approx(expected.astype(np.float64), abs=1e-15)  # rounding of the transforms
    path.write_bytes(path.read_bytes()[:-2])
    (problem,) = processor_of(one).problems(setting())
    assert problem.slug == "chain-file"
    assert "cut short: 3 frames declared, 2 frames there" in problem.what
