"""Songs on disk for whole renders: recipes, tracks written by soundfile alone, and what a run left behind."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
from scipy.signal import butter, sosfilt

FloatArray = npt.NDArray[np.float64]

STEP_24 = 2.0**-23
"""One step of a 24-bit file, full scale 1."""
DEMO_MICS = """\
mics:
  dynamic: {gain_db: 0}
  condenser: {gain_db: -3}
  ribbon: {gain_db: -2}
  sub: {role: sub, gain_db: -8, low_pass_hz: 180}
  room: {role: room, gain_db: -12}
"""
DEMO_RECIPE = f"""\
format: 1
song: Tidewater
tracks: {{name: "{{performance}}_{{mic}}.*"}}
{DEMO_MICS}\
performances:
  left_a: {{bus: left}}
  right_a: {{bus: right}}
"""
"""What the short demo session is rendered with."""


@dataclass(frozen=True, slots=True)
class Song:
    """A recipe, a folder of tracks, and a folder that may be made beside them."""

    recipe: Path
    tracks: Path

    def out(self, name: str = "out") -> Path:
        return self.recipe.parent / name


def write_recipe(folder: Path, text: str, name: str = "recipe.yaml") -> Path:
    """A recipe file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, "utf-8")
    return path


def on_grid(signal: FloatArray, bits: int = 24) -> FloatArray:
    """The signal rounded to the steps of a file, so that what is written is what is meant."""
    return np.round(signal * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)


def write_track(path: Path, signal: FloatArray, rate: int = 48000, subtype: str = "PCM_24") -> Path:
    """A mono file with the signal (frames), rounded to the nearest step; floats as they are."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if subtype.startswith("PCM_"):
        bits = int(subtype[4:])
        # soundfile's own conversion of floats floors: integers, left-justified, are exact.
        values = np.round(signal * 2.0 ** (bits - 1)).astype(np.int64) << (32 - bits)
        soundfile.write(path, values.astype(np.int32), rate, subtype)
    else:
        soundfile.write(path, signal, rate, subtype)
    return path


def write_song(
    folder: Path, recipe: str, tracks: Mapping[str, FloatArray], rate: int = 48000, subtype: str = "PCM_24"
) -> Song:
    """A whole song below `folder`: recipe.yaml and tracks/<name>.wav."""
    for name, signal in tracks.items():
        write_track(folder / "tracks" / f"{name}.wav", signal, rate, subtype)
    return Song(write_recipe(folder, recipe), folder / "tracks")


def riff(seed: int, frames: int, rate: int = 48000, peak: float = 0.3) -> FloatArray:
    """Stop-and-go noise from 60 Hz to 7 kHz, shape (frames): half a second on, a quarter off, never silent."""
    rng = np.random.default_rng([seed, 5])
    band = butter(2, [60.0, 7000.0], "bandpass", fs=rate, output="sos")
    played = np.asarray(sosfilt(band, rng.standard_normal(frames)))
    on = (np.arange(frames) / rate) % 0.75 < 0.5
    sound = played * on + 1e-4 * rng.standard_normal(frames)
    return np.asarray(peak * sound / np.max(np.abs(sound)))


def manifest_of(out: Path) -> dict[str, Any]:
    """The manifest of a finished run."""
    document: dict[str, Any] = json.loads((out / "manifest.json").read_text("utf-8"))
    return document


def parts_of(out: Path) -> dict[str, dict[str, Any]]:
    """The manifest's entries of the files, by part."""
    return {entry["part"]: entry for entry in manifest_of(out)["files"]}


def read(path: Path) -> FloatArray:
    """Samples (channels, frames) by soundfile: integers become exact floats, full scale 1."""
    data, _ = soundfile.read(path, always_2d=True, dtype="float64")
    return np.ascontiguousarray(data.T)


def samples(out: Path, part: str) -> FloatArray:
    """Samples (channels, frames) of one part of a finished run."""
    return read(out / parts_of(out)[part]["path"])


def hashes(out: Path) -> dict[str, str]:
    """Hash of the samples of every part."""
    return {part: entry["sha256"] for part, entry in parts_of(out).items()}


def decided(out: Path) -> dict[tuple[str, str], dict[str, Any]]:
    """The manifest's decisions by performance and mic."""
    return {(d["performance"], d["mic"]): d for d in manifest_of(out)["alignment"]}


def level_db(signal: FloatArray) -> float:
    """Largest sample in dB of full scale; -400 for none."""
    peak = float(np.max(np.abs(signal)))
    return 20.0 * float(np.log10(peak)) if peak > 0.0 else -400.0


def rms_db(signal: FloatArray) -> float:
    """Root of the mean square in dB of full scale (a full-scale square reads 0); -400 for none."""
    power = float(np.mean(signal**2))
    return 10.0 * float(np.log10(power)) if power > 0.0 else -400.0


def tree(folder: Path) -> dict[str, str]:
    """Everything below a folder, hidden things too: files with a hash of their bytes; {} for no folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        for path in sorted(folder.rglob("*"))
    }
