"""A small song for the tests of the page: three performances, four mics each, late and inverted ones among them."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from premix.audio.writer import PartWriter
from tests.rigs.sessions import write_recipe

FloatArray = npt.NDArray[np.float64]

RATE = 48_000
SECONDS = 5.0
RIFF = ((0.5, 1.3), (1.7, 2.4), (2.8, 3.4), (3.8, 4.6))
"""When every performance plays, in seconds."""
LATE_SAMPLES = 12.3
"""How late the condenser is, and it is inverted."""
NAME = "Tide 'Ä & Ö' \N{GUITAR}"
"""The song's name, in letters of all kinds."""
HOSTILE_NAME = 'Tide</script><b onload="window.hacked = 1">\' -->\u2028\N{GUITAR}'
"""A name that would break a page that believed it (a recipe refuses it; a page must not depend on that)."""
RECIPE = """
format: 1
song: {song}
mics:
  dynamic: {{}}
  condenser: {{gain_db: -3}}
  sub: {{role: sub, gain_db: -6, low_pass_hz: 180}}
  room: {{role: room, gain_db: -10}}
performances:
  left: {{bus: left}}
  right: {{bus: right, gain_db: -1}}
  centre: {{bus: centre}}
guitar_bus: {{width: 1.2}}
deliver: {{files: [stems, rooms, buses, guitar_bus, guitar_bus_without_centre]}}
variants:
  no_condenser: {{mics: {{condenser: {{mute: true}}}}}}
  narrow: {{width: 0.5}}
limits: {{sum_efficiency_db: -3, mono_fold_db: -0.5}}
"""


def write_song(folder: Path, performances: tuple[str, ...] = ("left", "right", "centre"), repeats: int = 1) -> None:
    """The tracks, 24-bit WAV. repeats: how many times it is played, one after the other."""
    folder.mkdir()
    for seed, performance in enumerate(performances):
        for mic, samples in _mics(np.random.default_rng(seed)).items():
            path, samples = folder / f"{performance}_{mic}.wav", np.tile(samples, repeats)
            with PartWriter(path, rate=RATE, channels=1, frames=len(samples)) as writer:
                writer.write(samples[None])
                writer.close()


def page_recipe(folder: Path) -> Path:
    """The recipe of the song."""
    return write_recipe(folder, RECIPE.format(song=f'"{NAME}"'))


def _mics(rng: np.random.Generator) -> dict[str, FloatArray]:
    frames = round(RATE * SECONDS)
    played = np.zeros(frames)
    for on, off in RIFF:
        begin, end = round(on * RATE), round(off * RATE)
        played[begin:end] = rng.standard_normal(end - begin) * (0.6 + np.exp(-np.arange(end - begin) / 4000.0))
    spectrum = np.fft.rfft(played)
    freqs = np.fft.rfftfreq(frames, 1.0 / RATE)
    guitar = spectrum * (freqs / 60.0) / (1.0 + (freqs / 60.0)) / (1.0 + (freqs / 3000.0) ** 2)
    low = guitar / (1.0 + (freqs / 120.0) ** 4)
    tail = rng.standard_normal(RATE // 5) * np.exp(-np.arange(RATE // 5) / 1500.0)
    room = guitar * np.fft.rfft(tail, frames) * np.exp(-2j * np.pi * freqs * 300 / RATE)
    spectra = {
        "dynamic": guitar,
        "condenser": -guitar * np.exp(-2j * np.pi * freqs * LATE_SAMPLES / RATE),
        "sub": low * np.exp(-2j * np.pi * freqs * 20 / RATE),
        "room": room,
    }
    mics = {}
    for mic, heard in spectra.items():
        samples = np.fft.irfft(heard, frames)
        mics[mic] = 0.3 * samples / np.abs(samples).max() + 1e-4 * rng.standard_normal(frames)
    return mics


TROUBLE = """
format: 1
song: Undertow
mics:
  dynamic: {}
  condenser: {gain_db: -3, optional: true}
  sub: {role: sub, gain_db: -6, low_pass_hz: 180}
  room: {role: room, gain_db: -10}
performances:
  left: {bus: left}
  right: {bus: right}
  centre: {bus: centre}
alignment: {refused: mute}
"""
REPEATS = 16
"""Times that the song with trouble is played: 80 s."""


def write_trouble(folder: Path) -> None:
    """A song in which one mic has no file, one plays something else, one jumps, and three hum."""
    write_song(folder, repeats=REPEATS)
    (folder / "right_condenser.wav").unlink()
    frames = round(RATE * SECONDS) * REPEATS
    seconds = np.arange(frames) / RATE
    hum = 0.002 * sum(np.sin(2.0 * np.pi * 50.0 * k * seconds) / k for k in (1, 2, 3, 4, 5))
    other = 0.05 * np.random.default_rng(9).standard_normal(frames)
    left, _ = soundfile.read(folder / "left_condenser.wav")
    changed = {"centre_condenser": other, "left_condenser": np.where(seconds < JUMP_S, left, np.roll(left, 30))}
    for name in ("left_dynamic", "right_dynamic", "centre_dynamic"):
        changed[name] = soundfile.read(folder / f"{name}.wav")[0] + hum
    for name, samples in changed.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="PCM_24")


JUMP_S = 41.55
"""When the left condenser becomes later, in a stop."""
