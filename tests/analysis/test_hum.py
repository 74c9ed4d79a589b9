"""Mains hum in the stops: found at its level at any rate, by a render's pass and a first look; no note is hum."""

from pathlib import Path

import numpy as np
import pytest

from premix.analysis.damage import check_intact, find_hum
from premix.analysis.levels import look
from premix.analysis.scan import scan
from premix.arrays import FloatArray
from premix.errors import Finding
from premix.model.tracks import Hum
from premix.pipeline import load
from tests.rigs.sessions import write_song
from tests.rigs.songs import told

SECONDS = 12
RECIPE = "format: 1\nmics: {dynamic: {}, ribbon: {}}\nperformances: {left: {bus: left}}\n"
LOWEST_NOTES_HZ = (36.71, 41.20, 46.25, 49.00, 51.91, 55.00, 58.27, 61.74, 65.41, 73.42, 82.41, 98.00)
"""Equal temperament at A = 440 Hz: D1 to G2, the open strings of guitars of six to nine strings among them."""


def playing(rate: int, seed: int = 1) -> FloatArray:
    """Noise of a fifth of full scale, on for 2 s and off for 2 s, with a little hiss all along."""
    rng, time = np.random.default_rng(seed), np.arange(SECONDS * rate) / rate
    return 0.05 * rng.standard_normal(len(time)) * (time % 4 < 2) + 1e-4 * rng.standard_normal(len(time))


def hum(rate: int, mains_hz: float, rms: float) -> FloatArray:
    """Ten harmonics, each half of the one before, in all of the given rms."""
    time = np.arange(SECONDS * rate) / rate
    made = np.sum([0.5**h * np.sin(2 * np.pi * h * mains_hz * time + h) for h in range(1, 11)], axis=0)
    return np.asarray(rms * made / np.sqrt(np.mean(made**2)))


def dying_notes(rate: int, note_hz: float) -> FloatArray:
    """A plucked string of ten harmonics every 3 s, which dies away by 60 dB until the next."""
    time = np.arange(SECONDS * rate) / rate
    note = np.sum([np.sin(2 * np.pi * h * note_hz * time + h * h) / h for h in range(1, 11)], axis=0)
    return np.asarray(0.2 * note * 10 ** (-(time % 3)) + np.random.default_rng(3).normal(0.0, 1e-5, len(time)))


def found(
    tmp_path: Path, rate: int, signal: FloatArray, other: FloatArray | None = None
) -> tuple[Hum | None, Hum | None, list[Finding]]:
    """(what the first look found, what a render's pass found, its findings) of the ribbon, beside a clean mic."""
    takes = {"left_dynamic": playing(rate) if other is None else other, "left_ribbon": signal}
    files = write_song(tmp_path, RECIPE, takes, rate)
    _, song = load(files.recipe, files.tracks)
    (tmp_path / "keys").mkdir()
    rendered, (looked, _) = check_intact(scan(song, tmp_path / "keys")), look(song)
    dynamic, ribbon = rendered.mics
    assert (dynamic.levels.hum is None) == (other is None)
    return looked.mics[1].levels.hum, ribbon.levels.hum, told(rendered, "track-hum")


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 60.0, 60.1])
def test_hum_is_found_at_its_level(tmp_path: Path, rate: int, mains_hz: float) -> None:
    """-60 dBFS, 26 dB under the playing; six lines of ten are read, so the rest is missing by 0.001 dB.

    1 dB: hiss under the lines, a tenth of a hertz of drift, and lines between two bins.
    """
    made = hum(rate, mains_hz, 1e-3)
    for measured in found(tmp_path, rate, playing(rate) + made)[:2]:
        assert measured is not None
        assert measured.mains_hz == round(mains_hz, -1)
        assert 20 * np.log10(measured.rms / 1e-3) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("rms", [0.003, 0.01])
def test_hum_that_fills_the_stops_is_found_too(tmp_path: Path, rms: float) -> None:
    """Of the amp, so in all mics, 24 and 14 dB under the playing: no frame is anywhere near silence."""
    humming = playing(48_000) + hum(48_000, 50.0, rms)
    *both, findings = found(tmp_path, 48_000, humming, playing(48_000, seed=2) + hum(48_000, 50.0, rms))
    for measured in both:
        assert measured is not None
        assert 20 * np.log10(measured.rms / rms) == pytest.approx(0.0, abs=1.0)
    assert [f.subject for f in findings] == ["left/dynamic", "left/ribbon"]


@pytest.mark.parametrize(("below_db", "loud"), [(43.0, True), (47.0, False)])
def test_hum_within_45_db_of_the_track_is_told(tmp_path: Path, below_db: float, loud: bool) -> None:
    """As a warning with the frequency and both levels; softer hum is only measured."""
    signal = playing(48_000)
    rms = np.sqrt(np.mean(signal**2))
    *both, findings = found(tmp_path, 48_000, signal + hum(48_000, 50.0, rms * 10 ** (-below_db / 20)))
    assert all(measured is not None for measured in both)
    assert [f.subject for f in findings] == (["left/ribbon"] if loud else [])
    if loud:
        (finding,) = findings
        assert finding.severity == "warning"
        assert "hum of 50 Hz" in finding.message and f"{below_db:.0f} dB below" in finding.message


@pytest.mark.parametrize("note_hz", LOWEST_NOTES_HZ)
def test_dying_low_note_is_no_hum(tmp_path: Path, note_hz: float) -> None:
    """G1 lies 1 Hz under 50, B1 1.7 Hz over 60: their third harmonics lie beside the mains'."""
    seen, heard, findings = found(tmp_path, 48_000, dying_notes(48_000, note_hz))
    assert (seen, heard, findings) == (None, None, [])


def test_noise_is_no_hum() -> None:
    """1000 spectra of ten averaged frames of noise (each bin chi-square with 20 degrees of freedom): none."""
    rng, freqs_hz = np.random.default_rng(4), np.arange(12, 160) * 48_000 / 16_384
    assert [find_hum(freqs_hz, rng.chisquare(20, len(freqs_hz))) for _ in range(1000)] == [None] * 1000
