"""The key's power per control frame: right level, right time, one answer for every block size."""

import numpy as np
import numpy.typing as npt
import pytest

from premix.audio.bands import KeyPower

Audio = npt.NDArray[np.float64]


def powers(x: Audio, rate: int, sizes: list[int] | None = None, band: tuple[float, float] = (200.0, 5000.0)) -> Audio:
    """Mean squares of a signal fed in blocks of the given sizes, round and round."""
    key, parts, at = KeyPower(rate, round(rate / 1000), band), [], 0
    for index in range(10**6):
        if at >= x.size:
            break
        size = (sizes or [x.size])[index % len(sizes or [1])]
        parts.append(key.feed(x[at : at + size]))
        at += size
    return np.concatenate([*parts, key.finish()]).astype(np.float64)


def sine(hz: float, seconds: float, rate: int) -> Audio:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize("rate", [8000, 44100, 48000, 96000, 192000])
def test_a_tone_in_the_band_keeps_its_power(rate: int) -> None:
    """1 kHz at amplitude 1 has the mean square 0.5; 0.2 dB for the averages' droop and the band's edges."""
    level = 10 * np.log10(powers(sine(1000.0, 0.5, rate), rate)[100:400].mean())
    assert level == pytest.approx(10 * np.log10(0.5), abs=0.2)


@pytest.mark.parametrize(
    ("hz", "least_db", "most_db"),
    [(200.0, -3.5, -2.5), (50.0, -50.0, -46.0), (5000.0, -8.5, -2.5), (10000.0, -60.0, -12.0)],
)
def test_the_band_ends_where_it_should(hz: float, least_db: float, most_db: float) -> None:
    """Butterworth of the fourth order: -3 dB at the edge, 24 dB an octave below (-48 at 50 Hz). At 5 kHz the average
    over four samples takes 3 dB more, and 10 kHz folds back to 2 kHz after it: only what it leaves is
    bounded."""
    level = 10 * np.log10(2 * powers(sine(hz, 0.6, 48000), 48000)[200:500].mean())
    assert least_db < level < most_db


@pytest.mark.parametrize("sizes", [[1], [7, 300], [47, 48, 49], [1000, 1], [4096], [57600]])
@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_block_size_changes_nothing(sizes: list[int], rate: int) -> None:
    """Bit for bit, with a song that ends inside a frame."""
    x = np.random.default_rng(1).standard_normal(5000 if sizes == [1] else 30_011)
    assert np.array_equal(powers(x, rate, sizes), powers(x, rate))


def test_an_onset_is_in_its_own_frame_and_not_before() -> None:
    """The filters are causal: exact silence up to the onset, most of the level one frame later."""
    x = np.concatenate([np.zeros(4800), sine(500.0, 0.2, 48000)])
    level = powers(x, 48000)
    assert not level[:100].any()
    assert level[101:104].mean() == pytest.approx(0.5, rel=0.25)


def test_a_sound_that_stops_falls_by_26_db_in_10_ms() -> None:
    """The slower pole pair of the high-pass rings with exp(-481 t): 26 dB in 6.2 ms; a 220 Hz tone is the worst."""
    level = powers(np.concatenate([sine(220.0, 0.3, 48000), np.zeros(4800)]), 48000)
    assert 10 * np.log10(level[310] / level[200:300].mean()) < -26.0


def test_dc_is_no_sound() -> None:
    """An offset of half of full scale stays below -200 dB, from the first frame on."""
    assert powers(np.full(48_000, 0.5), 48000).max() < 1e-20


def test_dc_does_not_change_the_level_of_what_is_played() -> None:
    """The same noise with and without offset: equal to 1e-6 (float32)."""
    noise = 0.1 * np.random.default_rng(2).standard_normal(48_000)
    # The first frames differ by the start from one sample: the noise itself, but not the offset, is taken as
    # steady.
    assert powers(noise + 0.5, 48000) == pytest.approx(powers(noise, 48000), rel=1e-6)


def test_the_last_partial_frame_is_a_mean_over_its_own_samples() -> None:
    """10 samples of a tone read like a whole frame of it, within 3 dB: a hundredth of a period is missing."""
    x = sine(3000.0, 0.1, 48000)
    whole, cut = powers(x, 48000), powers(x[:-38], 48000)
    assert cut.size == whole.size == 100
    assert 0.5 < cut[-1] / whole[-1] < 2.0


@pytest.mark.parametrize(
    ("rate", "hop", "band"),
    [(48000, 0, (80.0, 5000.0)), (48000, 48, (0.0, 5000.0)), (48000, 48, (5000.0, 80.0)), (8000, 8, (4000.0, 9000.0))],
)
def test_a_band_that_holds_nothing_is_refused(rate: int, hop: int, band: tuple[float, float]) -> None:
    """Low edge at or above the high one, or above what the rate holds."""
    with pytest.raises(ValueError, match="cannot be used"):
        KeyPower(rate, hop, band)


def test_a_song_without_samples_gives_no_frames() -> None:
    """Nothing in, nothing out."""
    assert powers(np.zeros(0), 48000).size == 0
