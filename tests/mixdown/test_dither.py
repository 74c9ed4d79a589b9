"""Dither and rounding on the way into the file, measured on files that a render wrote."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import Song, hashes, on_grid, read, riff, samples, write_song

STEP_16 = 2.0**-15
RECIPE = """\
format: 1
song: Dither
mics: {dynamic: {polarity: normal, delay: none, gain_db: -0.7}}
performances: {left: {bus: left}}
deliver: {bits: 16}
"""
GAIN = 10.0 ** (-0.7 / 20.0)
SETTINGS: dict[str, list[str]] = {"dithered": [], "rounded": ["deliver.dither=none"]}


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Four seconds of riff with a gain that fits no step, rendered with and without dither."""
    made = write_song(tmp_path_factory.mktemp("dither"), RECIPE, {"left_dynamic": riff(1, 200_000, peak=0.6)})
    for name, settings in SETTINGS.items():
        render(made.recipe, made.tracks, made.out(name), settings=settings)
    return made


def error_steps(song: Song, name: str) -> FloatArray:
    """What the quantiser added to each sample of the stem, in steps of 16 bits."""
    added: FloatArray = (
        samples(song.out(name), "stem_left")[0] - GAIN * read(song.tracks / "left_dynamic.wav")[0]
    ) / STEP_16
    return added


def test_error_power_of_tpdf_is_a_quarter_step_squared(song: Song) -> None:
    """LSB^2/4: a third of it is the rounding, the rest the dither (Lipshitz, Wannamaker & Vanderkooy 1992).

    200,000 samples know a variance to 0.4 %; four times that.
    """
    assert np.mean(error_steps(song, "dithered") ** 2) == pytest.approx(0.25, rel=0.016)


def test_error_power_of_rounding_is_a_twelfth(song: Song) -> None:
    """LSB^2/12 without dither (Bennett 1948); flooring would give LSB^2/3."""
    assert np.mean(error_steps(song, "rounded") ** 2) == pytest.approx(1.0 / 12.0, rel=0.016)


@pytest.mark.parametrize("name", SETTINGS)
def test_error_has_no_mean(song: Song, name: str) -> None:
    """No bias: 0.5 / sqrt(200,000) = 0.0011 steps, four times that."""
    assert abs(np.mean(error_steps(song, name))) < 0.0045


def test_dithered_error_does_not_follow_the_signal(song: Song) -> None:
    """With TPDF mean and power of the error are the same wherever the sample lies between two steps.

    Ten places of 20,000 samples: the mean is known to 0.0035 steps, the power to 1.3 %; five times that.
    """
    signal = GAIN * read(song.tracks / "left_dynamic.wav")[0] / STEP_16
    error, place = error_steps(song, "dithered"), signal - np.floor(signal)
    for tenth in range(10):
        here = error[(place >= tenth / 10.0) & (place < (tenth + 1) / 10.0)]
        assert abs(np.mean(here)) < 0.018
        assert np.mean(here**2) == pytest.approx(0.25, rel=0.065)


def test_every_file_has_its_own_dither(song: Song) -> None:
    """Stem and bus hold the same sound; their dither differs, so that their sum does not double it."""
    stem, bus = samples(song.out("dithered"), "stem_left")[0], samples(song.out("dithered"), "bus_left")[0]
    difference = (stem - bus) / STEP_16
    # Two independent errors of LSB^2/4 differ by LSB^2/2; one and the same dither would leave nothing.
    assert np.mean(difference**2) == pytest.approx(0.5, rel=0.02)


@pytest.mark.parametrize("name", SETTINGS)
def test_a_second_render_gives_the_same_samples(song: Song, tmp_path: Path, name: str) -> None:
    """Dither is seeded from the content: every part's hash is what it was."""
    render(song.recipe, song.tracks, tmp_path / "again", settings=SETTINGS[name])
    assert hashes(tmp_path / "again") == hashes(song.out(name))


def test_other_content_has_other_dither(song: Song, tmp_path: Path) -> None:
    """The seed comes from the samples: a louder take does not carry the same noise."""
    takes = {"left_dynamic": on_grid(riff(1, 200_000, peak=0.6)) * 0.5}
    other = write_song(tmp_path, RECIPE, takes)
    render(other.recipe, other.tracks, other.out())
    noise = samples(other.out(), "stem_left")[0] - GAIN * read(other.tracks / "left_dynamic.wav")[0]
    # Independent noise correlates by 1 / sqrt(200,000) = 0.002; four times that.
    assert abs(np.corrcoef(noise, error_steps(song, "dithered"))[0, 1]) < 0.01


def test_float_takes_no_dither(song: Song, tmp_path: Path) -> None:
    """At 32 bits the file is the mix, rounded to the nearest float."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=["deliver.bits=32"])
    wanted = (GAIN * read(song.tracks / "left_dynamic.wav")[0]).astype(np.float32)
    np.testing.assert_array_equal(samples(tmp_path / "out", "stem_left")[0], wanted)
