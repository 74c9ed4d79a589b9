"""sox as a second reader: the same effects by another author, sample by sample."""

import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.model.settings import ChainStep

from .driving import RATE, drive, noise, step

CASES: dict[str, tuple[ChainStep, list[str]]] = {
    "high-pass 12": (step("high_pass", cutoff_hz=80.0), ["highpass", "-2", "80"]),
    "high-pass 6": (step("high_pass", cutoff_hz=80.0, slope_db_oct=6), ["highpass", "-1", "80"]),
    "low-pass 12": (step("low_pass", cutoff_hz=3000.0), ["lowpass", "-2", "3000"]),
    "bell": (step("bell", frequency_hz=900.0, gain_db=-5.0, q=1.5), ["equalizer", "900", "1.5q", "-5"]),
    "low shelf": (step("low_shelf", frequency_hz=120.0, gain_db=4.0), ["bass", "4", "120", "0.7071q"]),
    "high shelf": (step("high_shelf", frequency_hz=5000.0, gain_db=-4.0), ["treble", "-4", "5000", "0.7071q"]),
    "notch": (step("notch", frequency_hz=1000.0, width_hz=100.0), ["bandreject", "1000", "10q"]),
    "delay": (step("delay", delay_ms=10.0), ["delay", "0.01"]),
    "gain": (step("gain", gain_db=-7.3), ["gain", "-7.3"]),
    "polarity": (step("polarity"), ["vol", "-1"]),
}


@pytest.mark.tools("sox")
@pytest.mark.parametrize("case", CASES)
def test_sox_makes_the_same_samples(case: str, tmp_path: Path) -> None:
    """White noise through both. sox computes filters in 64 bits but hands 32-bit samples on: -150 dB is its floor.

    sox's first-order section is no bilinear transform; it is compared where both are the same, below 1 kHz.
    """
    one, effect = CASES[case]
    signal = noise(1, 2 * RATE)[0]
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    soundfile.write(source, signal, RATE, subtype="DOUBLE")
    subprocess.run(["sox", "-D", source, "-b", "64", "-e", "float", target, *effect], check=True, capture_output=True)
    theirs = soundfile.read(target, dtype="float64")[0][: len(signal)]
    ours = drive(one, signal)
    if case == "high-pass 6":
        band = np.fft.rfftfreq(len(signal), 1 / RATE) < 1000.0
        spectra = np.fft.rfft(ours)[band], np.fft.rfft(theirs)[band]
        assert np.abs(spectra[0] - spectra[1]).max() < 0.01 * np.abs(spectra[0]).max()
    else:
        assert 20 * np.log10(np.abs(ours - theirs).max() / np.abs(ours).max()) < -150.0
