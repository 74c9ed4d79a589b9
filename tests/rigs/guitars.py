"""Sources for the rigs: an amp's output while somebody plays, synthesised or from real guitar samples."""

from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import soundfile

from premix.demo import playing as score
from premix.demo.playing import HAND_DB_PER_MS, play
from premix.demo.rig import amplify, hiss_and_hum

FloatArray = npt.NDArray[np.float64]
Technique = Literal["mute", "chord", "tremolo"]

FIXTURES = Path(__file__).parents[1] / "fixtures" / "guitar"
STROKES = (("guit_e_fifths", 0.013), ("guit_e_fifths", 0.530), ("guit_em9", 0.2295))
"""Where a stroke begins in a fixture, in seconds; each rings on for at least 2 s but the first (0.48 s)."""
TUNED_DOWN = 12
"""Semitones by which a fixture is played slower, so that its fifth lies where low tunings have it."""
OTHER_SONG_BPM = 97.0


@lru_cache(maxsize=12)
def amp_output(take: int, rate: int, seconds: float, other_song: bool = False) -> FloatArray:
    """An amp's output, shape (frames), rms near 0.7: one take of the demo's riff, or of another song.

    The array is shared: do not write to it.
    """
    rng = np.random.default_rng([take, int(other_song)])
    frames = round(seconds * rate)
    if other_song:
        riff = score.perform(seconds, rng, bars=score.BARS[::-1], tempo_bpm=OTHER_SONG_BPM)
    else:
        riff = score.perform(seconds, rng)
    guitar = play(riff, frames, rate, rng, cents=float(rng.normal(0.0, 4.0)), semitones=5 * other_song)
    output = amplify(guitar + hiss_and_hum(frames, rate, rng, hiss_db=-45.0, hum_db=-55.0), rate)
    output.flags.writeable = False
    return output


@lru_cache(maxsize=8)
def fixture(name: str) -> tuple[FloatArray, int]:
    """Samples of a fixture, shape (frames), peak 1, and its rate."""
    data, rate = soundfile.read(FIXTURES / f"{name}.flac")
    return data / np.max(np.abs(data)), rate


def real_stroke(
    technique: Technique, fret: int, played_s: float, late_s: float, rate: int, rng: np.random.Generator
) -> FloatArray:
    """One stroke on a real guitar, muted after `played_s` as in the demo, shape (frames).

    late_s: part of a sample by which the stroke starts after its first frame. Peaks between 0.3 and 1.
    """
    choices = STROKES[1:] if played_s > 0.4 else STROKES
    name, start_s = choices[rng.integers(len(choices))]
    data, own_rate = fixture(name)
    speed = 2.0 ** ((fret - TUNED_DOWN) / 12.0) * own_rate / rate
    played, tail = round(played_s * rate), round(0.012 * rate)
    time = np.arange(played + tail)
    at = start_s * own_rate + (time - late_s * rate) * speed
    # Linear interpolation: its images lie far above what the amp's and the cabinet's low-passes let through.
    note: FloatArray = np.interp(at, np.arange(len(data)), data, left=0.0, right=0.0)
    note *= np.minimum(1.0, time / (0.0005 * rate)) * rng.uniform(0.75, 1.0)
    if technique == "mute":
        note *= np.exp(-time / (0.14 * rate))
        note = _darker(note, rate)
    note[played:] *= 10.0 ** (-HAND_DB_PER_MS / 20.0 * np.arange(1, tail + 1) * 1000.0 / rate)
    return note


def _darker(note: FloatArray, rate: int) -> FloatArray:
    """A hand on the bridge takes the highs."""
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(1, 900.0, fs=rate, output="sos"), note)) * 1.5
