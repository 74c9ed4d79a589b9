"""Random miked cabinets with known delays and polarities."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import oaconvolve

from premix.demo.rig import CABINET, Section, response
from premix.units import speed_of_sound_m_s
from tests.rigs.guitars import amp_output
from tests.rigs.noises import at_level, drums, hiss, hum, rms
from tests.rigs.rooms import image_responses

FloatArray = npt.NDArray[np.float64]
Point = tuple[float, float, float]
Role = Literal["close", "sub", "room"]
Via = Literal["direct", "pyroomacoustics"]
Colour = Literal["none", "mild", "strong"]

NAMES = ("dynamic", "condenser", "ribbon", "second_dynamic", "tube", "far_ribbon")
LENGTH_S = 0.15
LEAD = 64


@dataclass(frozen=True, slots=True)
class RigMic:
    """One mic. place_m: (x, y, z), x the distance from the speakers' plane. converter_s: its latency."""

    name: str
    role: Role
    place_m: Point
    polarity: int
    converter_s: float
    colour: tuple[Section, ...]
    level_db: float


@dataclass(frozen=True, slots=True)
class Rig:
    """A recorded set-up and its truth; mic 0 is the reference.

    signals: (M, frames). arrivals: (M) samples from the speakers to the file, by the nearest speaker and the
    converter, without the colour's own delay. polarities: (M) 1 or -1, as wired. source: (frames), the amp's
    output. speakers_m: places of the speakers.
    """

    rate: int
    signals: FloatArray
    mics: tuple[RigMic, ...]
    arrivals: FloatArray
    source: FloatArray
    speakers_m: tuple[Point, ...]
    mains_hz: float

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(mic.name for mic in self.mics)

    @property
    def roles(self) -> tuple[Role, ...]:
        return tuple(mic.role for mic in self.mics)

    @property
    def delays(self) -> FloatArray:
        """(M) true delay_samples against the reference: positive is late."""
        late: FloatArray = self.arrivals - self.arrivals[0]
        return late

    @property
    def polarities(self) -> npt.NDArray[np.int64]:
        """(M) true polarity against the reference."""
        return np.array([mic.polarity * self.mics[0].polarity for mic in self.mics], np.int64)

    def with_channel(self, index: int, signal: FloatArray) -> "Rig":
        """The same rig with another signal on one mic."""
        signals = self.signals.copy()
        signals[index] = signal
        return replace(self, signals=signals)


def random_cabinet(
    seed: int,
    *,
    rate: int = 48000,
    seconds: float = 8.0,
    n_close: int = 3,
    sub: bool = True,
    room: bool = False,
    via: Via = "direct",
    take: int = 0,
    other_song: bool = False,
    n_speakers: int | None = None,
    colour: Colour = "mild",
    noise_db: float = -60.0,
    hum_db: float = -55.0,
    bleed_db: float | None = -45.0,
    source: FloatArray | None = None,
    hall: bool = False,
) -> Rig:
    """One performance through a random set-up: a seed is a set-up, each `take` of it another performance.

    n_speakers: 1 to 4 (None: by the seed). colour: none makes each mic a pure delay of one common sound.
    noise_db (own to each mic), hum_db (common to all), bleed_db (drums; None: none): rms against that of the
    mic's guitar. source: an amp's output of your own, shape (frames). via pyroomacoustics: in a shoebox, with
    its reflections. hall: the room mic stands up to 7 m away in a larger, harder room.
    """
    rng = np.random.default_rng([seed, 11])
    speakers = _speakers(rng, n_speakers)
    mics = _mics(rng, speakers, n_close, sub, room, colour, hall)
    mains_hz = float(rng.choice([50.0, 60.0]))
    if source is None:
        # A few sources serve all seeds: they take longer to make than the cabinet.
        source = amp_output(seed % 3 + 3 * take, rate, seconds, other_song)
    own = np.random.default_rng([seed, take, int(other_song), 12])
    if via == "pyroomacoustics" or room:
        paths = image_responses([m.place_m for m in mics], speakers, rate, np.random.default_rng([seed, 13]), hall=hall)
    wanted = np.array([_nearest_m(m, speakers) / speed_of_sound_m_s() + m.converter_s for m in mics]) * rate
    signals = []
    for index, mic in enumerate(mics):
        reflected = paths[index] if via == "pyroomacoustics" or mic.role == "room" else None
        impulse = _impulse(mic, speakers, rate, reflected)
        signals.append(oaconvolve(source, impulse)[LEAD : LEAD + len(source)])
    heard = np.array([at_level(s, mic.level_db) for s, mic in zip(signals, mics, strict=True)])
    heard += _noises(heard, rate, own, mains_hz, noise_db, hum_db, bleed_db)
    return Rig(rate, heard, mics, wanted, source, speakers, mains_hz)


def _speakers(rng: np.random.Generator, count: int | None) -> tuple[Point, ...]:
    """Places of 1 to 4 cones on the baffle (x = 0), 26 cm apart."""
    count = int(rng.integers(1, 5)) if count is None else count
    grid = ((0.0, 0.0, 0.0), (0.0, 0.26, 0.0), (0.0, 0.0, 0.26), (0.0, 0.26, 0.26))
    return grid[:count]


def _mics(
    rng: np.random.Generator,
    speakers: tuple[Point, ...],
    n_close: int,
    sub: bool,
    room: bool,
    colour: Colour,
    hall: bool = False,
) -> tuple[RigMic, ...]:
    """The mics: close ones 2 to 60 cm away (the first the nearest), then sub and room."""
    distances = sorted(rng.uniform(0.02, 0.60, n_close))
    distances[0] = rng.uniform(0.02, 0.06)
    rest = rng.permutation(distances[1:])
    mics = []
    for index, distance in enumerate([distances[0], *rest]):
        cone = speakers[rng.integers(len(speakers))]
        place = (float(distance), cone[1] + rng.uniform(-0.05, 0.05), cone[2] + rng.uniform(-0.05, 0.05))
        converter = float(rng.uniform(0.0, 0.0012)) if rng.uniform() < 0.3 else 0.0
        name = NAMES[index] if index < len(NAMES) else f"close_{index}"
        mics.append(_mic(rng, name, "close", place, converter, _colour(rng, colour, place[0])))
    if sub:
        place = (float(rng.uniform(0.03, 0.30)), float(rng.uniform(-0.1, 0.1)), 0.0)
        bands: tuple[Section, ...] = (
            Section("band_pass", float(rng.uniform(60.0, 85.0)), q=float(rng.uniform(0.5, 0.9))),
            Section("low_pass", float(rng.uniform(500.0, 1200.0)), q=0.5),
        )
        mics.append(_mic(rng, "sub", "sub", place, 0.0, () if colour == "none" else bands))
    if room:
        near, far = (2.5, 7.0) if hall else (2.4, 3.6)
        place = (float(rng.uniform(near, far)), float(rng.uniform(-1.0, 1.0)), float(rng.uniform(0.2, 1.0)))
        mics.append(_mic(rng, "room", "room", place, 0.0, _colour(rng, colour, 9.0)))
    return tuple(mics)


def _mic(
    rng: np.random.Generator, name: str, role: Role, place: Point, converter_s: float, colour: tuple[Section, ...]
) -> RigMic:
    return RigMic(name, role, place, int(rng.choice([-1, 1])), converter_s, colour, float(rng.uniform(-26.0, -18.0)))


def _colour(rng: np.random.Generator, colour: Colour, distance_m: float) -> tuple[Section, ...]:
    """A mic's tone: bass roll-off, proximity boost that falls with distance, peaks and dips, highs."""
    if colour == "none":
        return ()
    most = 4.0 if colour == "mild" else 9.0
    proximity = most / (1.0 + 4.0 * distance_m)
    sections = [
        Section("high_pass", float(rng.uniform(15.0, 40.0))),
        Section("low_shelf", float(rng.uniform(120.0, 250.0)), float(rng.uniform(0.3, 1.0) * proximity)),
        Section("high_shelf", float(rng.uniform(4500.0, 7500.0)), float(rng.uniform(-most, most))),
    ]
    for _ in range(2 if colour == "mild" else 4):
        hz = float(np.exp(rng.uniform(np.log(250.0), np.log(5000.0))))
        sections.append(Section("peak", hz, float(rng.uniform(-most, most)), float(rng.uniform(0.7, 3.0))))
    return tuple(sections)


def _nearest_m(mic: RigMic, speakers: tuple[Point, ...]) -> float:
    return min(float(np.linalg.norm(np.subtract(mic.place_m, s))) for s in speakers)


def _impulse(mic: RigMic, speakers: tuple[Point, ...], rate: int, reflected: FloatArray | None) -> FloatArray:
    """From the amp to the file, time zero at LEAD; reflected: a room's response instead of free field."""
    size = 1 << int(np.ceil(np.log2(LEAD + LENGTH_S * rate + (0 if reflected is None else len(reflected)))))
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    if reflected is None:
        distances = [float(np.linalg.norm(np.subtract(mic.place_m, s))) for s in speakers]
        field = sum(np.exp(-2j * np.pi * freqs * d / speed_of_sound_m_s()) / d for d in distances)
    else:
        field = np.fft.rfft(reflected, size)
    late = LEAD / rate + mic.converter_s
    colour = mic.polarity * response(CABINET + mic.colour, freqs)
    return np.fft.irfft(field * colour * np.exp(-2j * np.pi * freqs * late), size)


def _noises(
    heard: FloatArray,
    rate: int,
    rng: np.random.Generator,
    mains_hz: float,
    noise_db: float,
    hum_db: float,
    bleed_db: float | None,
) -> FloatArray:
    """What each mic hears besides the guitar, at levels under its guitar, shape (M, frames)."""
    frames = heard.shape[1]
    mains = hum(frames, rate, rng, mains_hz)
    beat = None if bleed_db is None else drums(frames, rate, rng)
    noises = np.empty_like(heard)
    for index, guitar in enumerate(heard):
        level = rms(guitar)
        noises[index] = level * (10 ** (noise_db / 20) * hiss(frames, rng) + 10 ** (hum_db / 20) * mains)
        if beat is not None and bleed_db is not None:
            # From some metres away it reaches the mics at times of its own.
            noises[index] += level * 10 ** (bleed_db / 20) * np.roll(beat, int(rng.integers(0, rate // 100)))
    return noises
