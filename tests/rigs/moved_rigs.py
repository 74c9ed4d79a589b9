"""Rigs whose set-up changes between songs, and whose truth is known: mics nudged, preamps turned, names swapped, a
warmer room; each rig's impulse responses are made once (pyroomacoustics) and serve all of its songs.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyroomacoustics
from scipy.signal import oaconvolve

from premix.demo.rig import CABINET, COLOURS, Section, response
from premix.units import speed_of_sound_m_s
from tests.rigs.noises import hiss, hum, rms
from tests.rigs.sessions import write_track
from tests.rigs.set_ups import source

FloatArray = npt.NDArray[np.float64]
Place = tuple[float, float, float]

RATE = 48000
LENGTH_S = 0.4
FILTER_DELAY = 40
"""Samples by which pyroomacoustics' interpolation filters delay every response."""
CORNER_M = (0.9, 1.9, 0.5)
ROLES = {"dynamic": "close", "condenser": "close", "ribbon": "close", "sub": "sub", "room": "room"}
REFERENCE = "dynamic"
SOURCES = 8
"""Amp sounds, every other one of a real guitar: songs go through them."""


@dataclass(frozen=True, slots=True)
class State:
    """What a set-up is like in one song, against what it was.

    nudges_mm: by mic, how much further it stands from the speaker. gains_db: by mic, of its preamp. swapped: two mics
    whose files have each other's names. tops_db: by mic, of a shelf at 3 kHz. temperature_c: of the room.
    """

    nudges_mm: Mapping[str, float] | None = None
    gains_db: Mapping[str, float] | None = None
    tops_db: Mapping[str, float] | None = None
    swapped: tuple[str, str] | None = None
    temperature_c: float = 20.0


STEADY = State()


@dataclass(frozen=True, slots=True)
class Stand:
    """One mic of a rig. place_m: from the speaker; the first is the distance in front of it."""

    name: str
    place_m: Place
    colour: tuple[Section, ...]
    polarity: int
    level_db: float
    converter_s: float

    def way_m(self, state: State) -> float:
        return float(np.linalg.norm(self.place(state)))

    def place(self, state: State) -> FloatArray:
        """Where it stands in a state: further away along its own line from the speaker."""
        here = np.array(self.place_m)
        nudge = (state.nudges_mm or {}).get(self.name, 0.0) / 1000.0
        return np.asarray(here * (1.0 + nudge / np.linalg.norm(here)), np.float64)


@lru_cache(maxsize=64)
def stands(rig: int) -> tuple[Stand, ...]:
    """The mics of a rig: a number is a rig."""
    rng = np.random.default_rng([rig, 77])
    far = {"dynamic": (0.02, 0.06), "condenser": (0.10, 0.35), "ribbon": (0.10, 0.60), "sub": (0.05, 0.25)}
    found = []
    for name in ROLES:
        ahead = rng.uniform(*far[name]) if name in far else rng.uniform(2.0, 3.2)
        side, height = (rng.uniform(-0.04, 0.04, 2)) if name in far else rng.uniform(-0.8, 0.8, 2)
        peak = Section(
            "peak", float(np.exp(rng.uniform(5.7, 8.3))), float(rng.uniform(-4, 4)), float(rng.uniform(0.8, 2.5))
        )
        found.append(
            Stand(
                name,
                (float(ahead), float(side), float(height) + 0.5 * (name == "room")),
                (*COLOURS[name], peak),
                int(rng.choice([-1, 1])),
                float(rng.uniform(-26.0, -18.0)),
                float(rng.uniform(0.0, 0.0008)) if name == "condenser" and rng.uniform() < 0.5 else 0.0,
            )
        )
    return tuple(found)


def responses(rig: int, state: State) -> dict[str, FloatArray]:
    """Impulse response from the amp to the file of each mic, by the name that its file has."""
    own = {stand.name: _response(rig, stand, state) for stand in stands(rig)}
    if state.swapped is not None:
        a, b = state.swapped
        own[a], own[b] = own[b], own[a]
    return own


def _response(rig: int, stand: Stand, state: State) -> FloatArray:
    path = _path(rig, tuple(float(x) for x in stand.place(state)), state.temperature_c)
    size = 1 << int(np.ceil(np.log2(len(path) + 0.1 * RATE)))
    freqs = np.fft.rfftfreq(size, 1.0 / RATE)
    top = Section("high_shelf", 3000.0, (state.tops_db or {}).get(stand.name, 0.0))
    spectrum = np.fft.rfft(path, size) * response((*CABINET, *stand.colour, top), freqs)
    late = np.exp(-2j * np.pi * freqs * (stand.converter_s + 64 / RATE))
    heard = np.fft.irfft(spectrum * late, size) * stand.polarity * _level(rig, stand)
    return np.asarray(heard * 10.0 ** ((state.gains_db or {}).get(stand.name, 0.0) / 20.0))


@lru_cache(maxsize=256)
def _level(rig: int, stand: Stand) -> float:
    """Gain of the preamp as it was set once for the rig: by the direct sound's level and the colour's, roughly."""
    return float(10.0 ** (stand.level_db / 20.0) * stand.way_m(STEADY))


@lru_cache(maxsize=256)
def _path(rig: int, place_m: Place, temperature_c: float) -> FloatArray:
    """From the speaker to a place in the rig's room, the direct sound at distance / c (speed by ISO 9613-1)."""
    rng = np.random.default_rng([rig, 78])
    size = (rng.uniform(5.5, 7.5), rng.uniform(4.4, 5.6), rng.uniform(2.6, 3.4))
    walls = pyroomacoustics.Material(float(rng.uniform(0.35, 0.55)))
    before = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    try:
        box = pyroomacoustics.ShoeBox(size, fs=RATE, materials=walls, max_order=8, air_absorption=False)
        box.set_sound_speed(speed_of_sound_m_s(temperature_c))
        box.add_source(list(CORNER_M))
        box.add_microphone_array(np.add(CORNER_M, place_m)[:, None])
        box.compute_rir()
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", before)
    found = np.asarray(box.rir[0][0], np.float64)[FILTER_DELAY:]
    return found[: round(LENGTH_S * RATE)]


def write_moved_song(
    folder: Path, rig: int, song: int, state: State = STEADY, *, seconds: float = 14.0, performances: int = 2
) -> Path:
    """Tracks of one song of a rig: notes, hiss and hum of its own; gives the folder."""
    heard = responses(rig, state)
    frames = round(seconds * RATE)
    for p in range(performances):
        rng = np.random.default_rng([rig, song, p, 79])
        played = _played(frames, rng)
        mains = hum(frames, RATE, rng, 50.0)
        for name, impulse in heard.items():
            signal = oaconvolve(played, impulse)[:frames]
            noises = 10.0 ** (-58.0 / 20.0) * hiss(frames, rng) + 10.0 ** (-60.0 / 20.0) * mains
            write_track(folder / f"p{p}_{name}.wav", signal + rms(signal) * noises, RATE)
    return folder


def _played(frames: int, rng: np.random.Generator) -> FloatArray:
    """Half a second of stop, then a piece of one of the sources with a stop in it."""
    whole = source(int(rng.integers(SOURCES)))
    begin = int(rng.integers(0, max(1, len(whole) - frames)))
    played = whole[begin : begin + frames].copy()
    ramp = round(0.005 * RATE)
    for from_s, to_s in ((0.0, 0.6), (frames / RATE - 0.7, frames / RATE)):
        a, b = round(from_s * RATE), min(frames, round(to_s * RATE))
        played[a:b] *= 1e-4
        played[b : b + ramp] *= np.linspace(0.0, 1.0, len(played[b : b + ramp]))
    return played


RECIPE = """\
format: 1
mics:
  dynamic: {}
  condenser: {}
  ribbon: {}
  sub: {role: sub, low_pass_hz: 180}
  room: {role: room}
performances:
"""


def write_moved_recipe(path: Path, performances: int = 2) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(RECIPE + "".join(f"  p{p}: {{bus: left}}\n" for p in range(performances)), "utf-8")
    return path


def with_nudge(state: State, mic: str, mm: float) -> State:
    return replace(state, nudges_mm={**(state.nudges_mm or {}), mic: mm})
