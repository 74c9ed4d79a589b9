"""Rough mixes of a session's tracks with known gains and pans, made by ffmpeg: its mixer, equalisers, limiter, codec.

The rest of the band, drums and a bass, is synthesised here. The panning law is that of constant power (sin/cos).
"""

import math
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from tests.rigs.sessions import FloatArray

PEAK = 0.5


@dataclass(frozen=True, slots=True)
class Desk:
    """How a mix is made. gains_db: by mic; levels_db, pans: by performance. band_db: the rest of the band against the
    guitars, None for none. equaliser: (Hz, octaves, dB) bells on the whole mix. limit: linear ceiling, None for none.
    offset_s: how much later than the tracks the mix begins; less than 0: its begin is cut off."""

    gains_db: Mapping[str, float]
    levels_db: Mapping[str, float]
    pans: Mapping[str, float]
    band_db: float | None = None
    equaliser: tuple[tuple[float, float, float], ...] = ()
    limit: float | None = None
    offset_s: float = 0.0
    suffix: str = "flac"


def drawn(rng: np.random.Generator, mics: Sequence[str], performances: Sequence[str]) -> Desk:
    """A mix as somebody might have made it: everything that a rough mix has, somewhere within its range."""
    sides = {name: -1.0 if "left" in name else 1.0 if "right" in name else 0.0 for name in performances}
    low, middle, high = rng.uniform(60, 250), rng.uniform(300, 1500), rng.uniform(2000, 8000)
    return Desk(
        gains_db={mic: float(rng.uniform(-8.0, 3.0)) for mic in mics},
        levels_db={name: float(rng.uniform(-4.0, 2.0)) - (4.0 if side == 0.0 else 0.0) for name, side in sides.items()},
        pans={
            name: float(side * rng.uniform(0.6, 1.0)) if side else float(rng.uniform(-0.2, 0.2))
            for name, side in sides.items()
        },
        band_db=float(rng.uniform(0.0, 6.0)),
        equaliser=tuple(
            (float(hz), float(rng.uniform(0.8, 2.0)), float(rng.uniform(-6, 6))) for hz in (low, middle, high)
        ),
        limit=PEAK * 10.0 ** (float(rng.uniform(-6.0, -2.0)) / 20.0),
        offset_s=float(rng.uniform(-3.0, 8.0)),
        suffix="mp3",
    )


def drums_and_bass(seed: int, seconds: float, rate: int) -> FloatArray:
    """(2, n) kick, snare and hats at 132 beats a minute, and a bass on long low notes; peak about 1."""
    rng = np.random.default_rng([seed, 77])
    frames, beat = round(seconds * rate), 60.0 / 132.0
    time = np.arange(round(0.35 * rate)) / rate
    kick = np.sin(2.0 * np.pi * (48.0 * time + 9.0 * (1.0 - np.exp(-time * 45.0)))) * np.exp(-time * 14.0)
    noise = butter(2, [180.0, 9000.0], "bandpass", fs=rate, output="sos")
    snare = np.asarray(sosfilt(noise, rng.standard_normal(len(time)))) * np.exp(-time * 20.0)
    bright = butter(2, 6500.0, "highpass", fs=rate, output="sos")
    hat = np.asarray(sosfilt(bright, rng.standard_normal(len(time)))) * np.exp(-time * 60.0)
    drums = np.zeros((2, frames + len(time)))
    for number in range(int(seconds / beat * 2)):
        start = round(number * 0.5 * beat * rate)
        hits = [(hat, 0.25, 0.35)]
        hits += [(kick, 0.9, 0.9)] if number % 4 == 0 or rng.random() < 0.2 else []
        hits += [(snare, 0.6, 0.6)] if number % 4 == 2 else []
        for sound, left, right in hits:
            strength = rng.uniform(0.8, 1.0)
            drums[:, start : start + len(sound)] += strength * np.outer((left, right), sound)
    bass = np.zeros(frames)
    for start in range(0, frames, round(beat * rate)):
        count = min(round(beat * rate), frames - start)
        note = float(rng.choice([36.7, 41.2, 46.2, 55.0])) * np.arange(count) / rate
        bass[start : start + count] = 0.5 * ((note % 1.0) * 2.0 - 1.0) * np.exp(-np.arange(count) / rate * 3.0)
    bass = np.asarray(sosfilt(butter(2, 900.0, "lowpass", fs=rate, output="sos"), bass))
    mixed: FloatArray = drums[:, :frames] + bass
    return mixed


def make_mix(folder: Path, tracks: Mapping[tuple[str, str], Path], desk: Desk, target: Path, *, seed: int = 0) -> Path:
    """Mix tracks, by (performance, mic), into `target` with the suffix of the desk; folder: for what lies between."""
    rate = soundfile.info(str(next(iter(tracks.values())))).samplerate
    guitars = folder / "guitars.wav"
    _ffmpeg(list(tracks.values()), _sum_of(tracks, desk), guitars)
    sound, _ = soundfile.read(guitars, always_2d=True)
    level = PEAK / float(np.abs(sound).max())
    inputs, filters = [guitars], [f"[0:a]volume={level:.9f}[g]"]
    last = "g"
    if desk.band_db is not None:
        band = drums_and_bass(seed, len(sound) / rate, rate)
        gain = level * 10.0 ** (desk.band_db / 20.0) * math.sqrt(float(np.mean(sound**2)) / float(np.mean(band**2)))
        soundfile.write(folder / "band.wav", gain * band.T, rate, "FLOAT")
        inputs.append(folder / "band.wav")
        filters.append("[g][1:a]amix=inputs=2:normalize=0[m]")
        last = "m"
    steps = [f"equalizer=f={hz:.3f}:t=o:w={octaves:.3f}:g={db:.3f}" for hz, octaves, db in desk.equaliser]
    if desk.limit is not None:
        steps.append(f"alimiter=limit={desk.limit:.4f}:attack=2:release=60:level=0")
    milliseconds = round(1000.0 * abs(desk.offset_s))
    if milliseconds:
        steps.append(
            f"adelay={milliseconds}:all=1" if desk.offset_s > 0.0 else f"atrim=start={milliseconds / 1000.0:.3f}"
        )
    filters.append(f"[{last}]{','.join(steps or ['anull'])}[out]")
    return _ffmpeg(inputs, ";".join(filters), target.with_suffix(f".{desk.suffix}"))


def _sum_of(tracks: Mapping[tuple[str, str], Path], desk: Desk) -> str:
    """ffmpeg's filters from mono tracks to one stereo sum, [out]."""
    parts = []
    for number, (performance, mic) in enumerate(tracks):
        angle = 0.25 * math.pi * (1.0 + desk.pans[performance])
        gain = 10.0 ** ((desk.gains_db[mic] + desk.levels_db[performance]) / 20.0)
        left, right = gain * math.cos(angle), gain * math.sin(angle)
        parts.append(f"[{number}:a]aformat=sample_fmts=dbl,pan=stereo|c0={left:.9f}*c0|c1={right:.9f}*c0[t{number}]")
    names = "".join(f"[t{number}]" for number in range(len(tracks)))
    return ";".join([*parts, f"{names}amix=inputs={len(tracks)}:normalize=0[out]"])


def _ffmpeg(inputs: Sequence[Path], filters: str, target: Path) -> Path:
    """Run it; gives the file that was made."""
    codec = {".mp3": ["-c:a", "libmp3lame", "-b:a", "192k"], ".wav": ["-c:a", "pcm_f32le"]}.get(target.suffix, [])
    named = [part for path in inputs for part in ("-i", str(path))]
    command = ["ffmpeg", "-nostdin", "-v", "error", "-y", *named, "-filter_complex", filters, "-map", "[out]", *codec]
    subprocess.run([*command, str(target)], check=True)
    return target
