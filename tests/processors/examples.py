"""One usable step of every kind in the table, for the tests that hold for all of them."""

from pathlib import Path

from premix.model.settings import ChainStep

from .driving import step

STEPS: dict[str, ChainStep] = {
    "high_pass": step("high_pass", cutoff_hz=80.0),
    "low_pass": step("low_pass", cutoff_hz=5000.0, slope_db_oct=24),
    "band_pass": step("band_pass", low_hz=80.0, high_hz=5000.0),
    "bell": step("bell", frequency_hz=2500.0, gain_db=-3.0),
    "low_shelf": step("low_shelf", frequency_hz=120.0, gain_db=-2.0),
    "high_shelf": step("high_shelf", frequency_hz=6000.0, gain_db=2.0),
    "tilt": step("tilt", gain_db=2.0),
    "notch": step("notch", frequency_hz=50.0, harmonics=5),
    "gain": step("gain", gain_db=-6.0),
    "polarity": step("polarity"),
    "delay": step("delay", delay_ms=1.2345),
    "mid_side": step("mid_side", side_gain_db=2.0, side_high_pass_hz=120.0),
    "saturation": step("saturation", drive_db=12.0),
    "expander": step("expander", threshold_db=-20.0),
    "compressor": step("compressor", threshold_db=-24.0, ratio=4.0),
    "limiter": step("limiter", ceiling_db=-12.0),
    "reverb": step("reverb"),
    "convolution": step("convolution", file="response.wav"),
    "plug_in": step("plug_in", file="effect.vst3"),
}


def write_response(folder: Path, rate: int = 48_000) -> None:
    """The impulse response that the convolution step names."""
    import numpy as np
    import soundfile

    rng = np.random.default_rng(3)
    taps = rng.standard_normal(5000) * np.exp(-np.arange(5000) / 800.0) * 0.1
    soundfile.write(folder / "response.wav", taps, rate, subtype="FLOAT")
