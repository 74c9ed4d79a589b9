"""Sessions of performances through one set-up, clean or with one fault, and how well a stem of one was summed.

A stem is held against the best time-varying alignment: the mics put back in step, at the best constant alignment of
the set-up (see set_ups.py), third octave by third octave, over the song and over every two seconds of riff.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.rigs.faults import Injected, Kind, inject
from tests.rigs.sessions import Song, write_song
from tests.rigs.set_ups import RATE, THIRDS_HZ, SetUp, perform, set_up

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
CYCLE: tuple[Kind, ...] = (
    *("jump", "turned", "drift", "late", "jump", "entry", "drift", "jump", "dropout", "swapped"),
    *("jump", "late", "turned", "jump", "drift", "entry", "jump", "late", "doubled", "faded"),
)
"""Twenty sessions in a row hold six jumps, three drifts, three late mics, and so on."""
PASSING: tuple[Kind, ...] = ("moment", "slipped", "foreign")
"""Faults that pass by."""
GOOD_DB = 25.0
"""Good mics hear all that is not the guitar so much softer."""
SET_UP_SEEDS = 10
"""Sessions with one set-up."""
WINDOW_S = 2.0
RIFF_DB = -25.0
"""Two seconds this far under the loudest two are no riff."""
LIVE_DB = -50.0
"""A band this far under the loudest of a set-up's own carries nothing."""


@dataclass(frozen=True, slots=True)
class Session:
    """One session. takes: performance -> what its mics recorded (M, n). fault: of the performance `faulty`.

    in_step: performance -> its close mics and their best delays (samples) and signs: what a stem is held against.
    """

    setup: SetUp
    takes: Mapping[str, FloatArray]
    in_step: Mapping[str, tuple[FloatArray, FloatArray, FloatArray]]
    faulty: str | None = None
    fault: Injected | None = None

    @property
    def seconds(self) -> float:
        return float(next(iter(self.takes.values())).shape[1]) / RATE

    def write(self, folder: Path) -> Song:
        """Files of 24 bits and a recipe; refused mics are left out, not fatal."""
        mics = ", ".join(f"{m.name}: {{role: {m.role}}}" for m in self.setup.rig.mics)
        performances = ", ".join(f"{name}: {{bus: {name[:-2]}}}" for name in self.takes)
        recipe = f"format: 1\nmics: {{{mics}}}\nperformances: {{{performances}}}\nalignment: {{refused: mute}}\n"
        tracks = {
            f"{performance}_{mic}": signal
            for performance, signals in self.takes.items()
            for mic, signal in zip(self.setup.names, signals, strict=True)
        }
        return write_song(folder, recipe, tracks, RATE)


def length_s(seed: int) -> float:
    """10 s to 4 min, most below 1 min; a few have the whole four."""
    rng = np.random.default_rng([seed, 41])
    chance = rng.uniform()
    if chance < 0.03:
        return 240.0
    if chance < 0.15:
        return float(rng.uniform(60.0, 120.0))
    return float(np.exp(rng.uniform(np.log(10.0), np.log(60.0))))


def session(
    seed: int,
    kind: Kind | None,
    late_ms: tuple[float, float] = (5.0, 400.0),
    *,
    intro: bool = False,
    good: bool = False,
) -> Session:
    """One session of one to three performances; `kind` None: clean.

    intro: for its first part, 50 to 75 %, the guitar is only heard from afar, 30 to 60 dB softer, or not at all. good:
    with mics and preamplifiers whose noise lies 70 to 90 dB under the guitar, and less else in the room.
    """
    rng = np.random.default_rng([seed, 42, 0 if kind is None else 1])
    setup = set_up(seed // SET_UP_SEEDS, room=seed // SET_UP_SEEDS % 3 == 0)
    names = ("left_a", "right_a", "left_b")[: 3 if kind == "swapped" else int(rng.choice([1, 2, 2, 3]))]
    heard = {name: perform(setup, length_s(seed), rng) for name in names}
    if good:
        heard = {name: (guitar, 10.0 ** (-GOOD_DB / 20.0) * noise) for name, (guitar, noise) in heard.items()}
    if intro:
        heard = {name: (_entering(guitar, seed), noise) for name, (guitar, noise) in heard.items()}
    peak = max(float(np.abs(guitar + noise).max()) for guitar, noise in heard.values())
    takes = {name: (guitar + noise) * (0.5 / peak) for name, (guitar, noise) in heard.items()}
    closes = setup.closes
    in_step = {name: (signals[:closes], setup.delays, setup.signs) for name, signals in takes.items()}
    if kind is None:
        return Session(setup, takes, in_step)
    faulty = str(rng.choice(names))
    done = inject(kind, takes[faulty][:closes], RATE, rng, late_ms=late_ms)
    takes[faulty] = np.concatenate([done.signals, takes[faulty][closes:]])
    takes[faulty] *= min(1.0, 0.9 / float(np.abs(takes[faulty]).max()))
    order = np.arange(closes)
    if kind == "swapped" and done.fault.other is not None:
        order[[done.fault.mic, done.fault.other]] = done.fault.other, done.fault.mic
    if kind == "doubled" and done.fault.other is not None:
        order[done.fault.mic] = done.fault.other
    in_step[faulty] = (done.in_step, setup.delays[order], setup.signs[order])
    return Session(setup, takes, in_step, faulty, done)


def _entering(guitar: FloatArray, seed: int) -> FloatArray:
    """What the mics hear of a guitar (M, n) that enters late."""
    rng = np.random.default_rng([seed, 43])
    soft = 0.0 if rng.uniform() < 0.3 else 10.0 ** (rng.uniform(-60.0, -30.0) / 20.0)
    entry = round(float(rng.uniform(0.5, 0.75)) * guitar.shape[1])
    entering: FloatArray = guitar * np.where(np.arange(guitar.shape[1]) < entry, soft, 1.0)
    return entering


@dataclass(frozen=True, slots=True)
class Loss:
    """How far a stem lies under the best, in dB: mean over third octaves of the song, worst two seconds and where."""

    mean_db: float
    worst_db: float
    worst_s: float


def loss_of(stem: FloatArray, made: Session, performance: str, mics: Sequence[str]) -> Loss:
    """The stem (n) of a performance, made of some mics, against the best sum of the same."""
    ours, theirs = _band_powers(_spectra(stem)), _best_powers(made, performance, mics)
    live = theirs.sum(axis=0) > 10 ** (LIVE_DB / 10) * theirs.sum(axis=0).max()
    ours, theirs = ours[:, live], theirs[:, live]
    mean = float(np.mean(10.0 * np.log10(theirs.sum(axis=0) / ours.sum(axis=0))))
    steps = round(WINDOW_S * RATE / HOP)
    if len(ours) < steps:
        return Loss(mean, mean, 0.0)
    pair = np.stack([theirs, ours])
    windows = np.lib.stride_tricks.sliding_window_view(pair, steps, axis=1).sum(axis=-1)[:, :: steps // 4]
    loud = windows[0].sum(axis=1)
    riff = loud > 10 ** (RIFF_DB / 10) * loud.max()
    # A band that is silent in these two seconds says nothing of how the mics add up.
    own = windows[0] > 10 ** (LIVE_DB / 10) * windows[0].max(axis=1, keepdims=True)
    each = np.where(own, 10.0 * np.log10(windows[0] / windows[1]), 0.0).sum(axis=1) / own.sum(axis=1)
    each[~riff] = -np.inf
    at = int(np.argmax(each))
    return Loss(mean, float(each[at]), (at * (steps // 4) + steps / 2) * HOP / RATE)


FRAME, HOP, AT_ONCE = 16384, 6000, 64
EDGES_HZ: FloatArray = np.append(THIRDS_HZ * 2 ** (-1 / 6), THIRDS_HZ[-1] * 2 ** (1 / 6))
BINS = np.round(EDGES_HZ * FRAME / RATE).astype(int)
LOW = int(BINS[0])


def _spectra(signal: FloatArray, advance: int = 0) -> Iterator[ComplexArray]:
    """Spectra (at most AT_ONCE, F) of frames of a third of a second, in the bins of the bands."""
    window = np.hanning(FRAME)
    moved = np.pad(signal, (max(0, -advance), max(0, advance)))[max(0, advance) :][: len(signal)]
    frames = np.lib.stride_tricks.sliding_window_view(moved, FRAME)[::HOP]
    for start in range(0, len(frames), AT_ONCE):
        yield np.fft.rfft(frames[start : start + AT_ONCE] * window, axis=1)[:, LOW : BINS[-1]]


def _band_powers(spectra: Iterable[ComplexArray]) -> FloatArray:
    """(frames, bands) powers of third octaves."""
    parts = [np.add.reduceat(part.real**2 + part.imag**2, BINS[:-1] - LOW, axis=1) for part in spectra]
    return np.concatenate(parts) + 1e-30


def _best_powers(made: Session, performance: str, mics: Sequence[str]) -> FloatArray:
    """Powers (frames, bands) of the sum of these mics in step, each at its best delay and sign."""
    signals, delays, signs = made.in_step[performance]
    chosen = [made.setup.names.index(mic) for mic in mics]
    turn = 2j * np.pi * np.arange(LOW, BINS[-1]) / FRAME
    # Whole samples as they are; half a sample more, in a frame of 16,384, is a turn of its spectrum.
    turns = [signs[m] * np.exp(turn * (delays[m] - round(delays[m]))) for m in chosen]
    streams = [_spectra(signals[m], round(delays[m])) for m in chosen]
    return _band_powers(
        sum(t * part for t, part in zip(turns, parts, strict=True)) for parts in zip(*streams, strict=True)
    )
