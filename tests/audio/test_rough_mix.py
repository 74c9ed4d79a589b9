"""A rough mix is read whatever it is written as: at the song's rate, on both sides, silence around it."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.audio.rough_mix import read_mix

SECONDS = 2.0


@pytest.mark.parametrize(
    ("name", "rate", "channels", "exact"),
    [
        ("mix.wav", 48_000, 2, True),
        ("mix.flac", 44_100, 2, False),
        ("mono.wav", 44_100, 1, False),
        ("mix.ogg", 44_100, 2, False),
        ("mix.mp3", 48_000, 2, False),
    ],
)
def test_a_tone_comes_through_at_the_songs_rate(
    tmp_path: Path, name: str, rate: int, channels: int, exact: bool
) -> None:
    """1 kHz at -12 dBFS left and -18 right, by soundfile (libsndfile's own encoders); level by projection on a sine and
    a cosine in the middle second. 2 %: what the lossy ones do to a tone."""
    time = np.arange(round(SECONDS * rate)) / rate
    tone = np.sin(2.0 * np.pi * 1000.0 * time)
    sides = np.stack((0.25 * tone, 0.125 * tone))[:channels]
    soundfile.write(tmp_path / name, sides.T, rate)
    mix = read_mix(tmp_path / name, 48_000, tmp_path)
    assert mix.frames == pytest.approx(SECONDS * 48_000, abs=2500)
    heard = mix.read(24_000, 48_000)
    turn = np.exp(-2j * np.pi * 1000.0 * np.arange(48_000) / 48_000)
    levels = 2.0 * np.abs(heard @ turn) / 48_000
    assert levels == pytest.approx([0.25, 0.125 if channels == 2 else 0.25], rel=0.02)
    assert not mix.read(-5_000, 5_000).any()
    assert not mix.read(mix.frames, 100).any()
    if exact:
        assert np.array_equal(mix.read(0, mix.frames), soundfile.read(tmp_path / name, dtype="float32")[0].T)
