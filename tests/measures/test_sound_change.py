"""How a change of sound is told: by closed formulas, and by filters whose response is known."""

import numpy as np
import pytest
from scipy.signal import freqz_sos, iirpeak, sosfilt, tf2sos
from scipy.signal.windows import tukey

from premix.arrays import FloatArray
from premix.audio.bands import third_octave_bands
from premix.measures.sound_change import SoundChange, sound_change

RATE = 48000


def pink(seed: int, seconds: float = 20.0, channels: int = 1) -> FloatArray:
    """Noise of equal power in every octave: (channels, n)."""
    count = round(seconds * RATE)
    white = np.random.default_rng(seed).standard_normal((channels, count // 2 + 1)) + 0j
    white.imag = np.random.default_rng(seed + 1).standard_normal(white.shape)
    shaped = white / np.sqrt(np.maximum(np.fft.rfftfreq(count, 1.0 / RATE), 20.0))
    made = np.fft.irfft(shaped, count)
    return np.asarray(0.1 * made / np.std(made))


def change(old: FloatArray, new: FloatArray, block: int = 65536) -> SoundChange:
    def blocks(signal: FloatArray) -> list[FloatArray]:
        return [signal[:, at : at + block] for at in range(0, signal.shape[1], block)]

    return sound_change(blocks(old), blocks(new), RATE)


@pytest.mark.parametrize("gain_db", [-20.0, -0.1, 0.5, 6.0])
def test_a_gain_is_its_own_size_everywhere(gain_db: float) -> None:
    """x against g x: g in level and in every band, and |g - 1| in the null (closed forms)."""
    found = change(pink(1), 10.0 ** (gain_db / 20.0) * pink(1))
    assert found.level_db == pytest.approx(gain_db, abs=1e-9)
    assert found.band_db == pytest.approx(gain_db, abs=1e-6)
    assert found.null_db == pytest.approx(20.0 * np.log10(abs(10.0 ** (gain_db / 20.0) - 1.0)), abs=1e-9)


def test_a_bell_is_found_in_its_band() -> None:
    """A resonance of +6 dB: at its third octave by the mean of its response over the band (scipy's freqz), 0.2 dB."""
    b, a = iirpeak(1000.0, 4.0, fs=RATE)
    sos = tf2sos(b, a)
    old = pink(3, 60.0)
    new = old + sosfilt(sos, old)  # 1 + H: +6.02 dB at 1 kHz
    found = change(old, np.asarray(new))
    band = next(band for band in third_octave_bands(900.0, 1100.0))
    freqs = np.linspace(band.lower_hz, band.upper_hz, 200)
    _, response = freqz_sos(sos, freqs, fs=RATE)
    expected = 10.0 * np.log10(np.average(np.abs(1.0 + response) ** 2, weights=1.0 / freqs))
    assert found.band_hz == pytest.approx(1000.0)
    assert found.band_db == pytest.approx(expected, abs=0.2)
    assert found.level_db is not None and 0.0 < found.level_db < expected


def test_a_turned_signal_keeps_its_level_and_nulls_to_twice() -> None:
    """-x: level the same, difference 2 x: +6.02 dB."""
    found = change(pink(5, channels=2), -pink(5, channels=2))
    assert found.level_db == pytest.approx(0.0, abs=1e-12)
    assert found.null_db == pytest.approx(20.0 * np.log10(2.0), abs=1e-9)


def test_blocks_change_nothing_and_silence_has_no_level() -> None:
    """Whatever the blocks; one of the two silent: nothing but the null can be told."""
    old, new = pink(7, 3.0), 0.7 * np.roll(pink(7, 3.0), 5)
    whole, pieces = change(old, new, 1 << 22), change(old, new, 1000)
    assert whole.band_hz == pieces.band_hz
    assert whole.band_db == pytest.approx(pieces.band_db, abs=1e-9)
    silent = change(old, np.zeros_like(old))
    assert (silent.level_db, silent.band_db) == (None, None)
    assert silent.null_db == pytest.approx(0.0)
    assert change(np.zeros_like(old), old).null_db is None
    with pytest.raises(ValueError):
        change(old, new[:, :-1])


def test_a_band_without_sound_does_not_count() -> None:
    """Hiss 80 dB down that doubles, 6 dB in most bands, is no change of sound to speak of."""
    tone = 0.5 * tukey(10 * RATE, 0.2) * np.sin(2 * np.pi * 200.0 * np.arange(10 * RATE) / RATE)[None]
    hiss = 0.5e-4 * pink(9, 10.0) / 0.1
    found = change(tone + hiss, 1.01 * tone + 2.0 * hiss)
    assert found.band_db == pytest.approx(20.0 * np.log10(1.01), abs=0.05)
