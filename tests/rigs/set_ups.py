"""Miked set-ups as impulse responses with the best alignment that they have, and long performances through them.

The best alignment is found here by itself, on the responses alone: coordinate ascent over polarities and delays from
many starts, then Nelder-Mead, of the mean over third octaves of |sum|^2 / (sum of magnitudes)^2. A sub mic counts up to
250 Hz, as for premix: above, it is no part of the sum that a mixer would hear.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.signal import oaconvolve

from tests.rigs.cabinets import Rig, Via, random_cabinet
from tests.rigs.guitars import amp_output
from tests.rigs.noises import drums, hiss, hum, rms
from tests.rigs.riffs import amped, arrange

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

RATE = 48000
RESPONSE_S = 0.6
SEARCH_S = 0.004
THIRDS_HZ: FloatArray = 1000.0 * 2.0 ** (np.arange(-14, 9) / 3.0)
"""Centres from 40 Hz to 6.3 kHz (IEC 61260-1, base two)."""
SUB_HZ = 255.0
NOISE_S = 20.0
"""Hum and drums are made for so long and go round."""
SOURCE_S = 40.0
SOURCES = 12


@dataclass(frozen=True, slots=True)
class SetUp:
    """rig: the mics and their places; responses: (M, n) from the amp to each file, alike in level over a riff.

    delays: (M) samples, signs: (M) 1 or -1 of the best alignment of the mics that make the sum (the first is the
    reference; a room mic, the last, has none). closes: how many these are.
    """

    rig: Rig
    responses: FloatArray
    delays: FloatArray
    signs: FloatArray

    @property
    def closes(self) -> int:
        return sum(mic.role != "room" for mic in self.rig.mics)

    @property
    def names(self) -> tuple[str, ...]:
        return self.rig.names


@lru_cache(maxsize=4)
def set_up(number: int, room: bool = False) -> SetUp:
    """One of endless many set-ups: 2 or 3 close mics and a sub mic; every other one in a room (pyroomacoustics)."""
    rng = np.random.default_rng([number, 31])
    via: Via = "pyroomacoustics" if number % 2 else "direct"
    pulse = np.zeros(round(RESPONSE_S * RATE))
    pulse[0] = 1.0
    rig = random_cabinet(
        number + 5000,
        rate=RATE,
        n_close=int(rng.integers(2, 4)),
        room=room,
        via=via,
        colour="strong" if rng.uniform() < 0.3 else "mild",
        noise_db=-300.0,
        hum_db=-300.0,
        bleed_db=None,
        source=pulse,
    )
    closes = sum(mic.role != "room" for mic in rig.mics)
    # As loud as the mics are in the sum: the level is set over a riff.
    played = source(number % SOURCES)[: 10 * RATE]
    loud = np.array(
        [rms(oaconvolve(played, r)) / 10 ** (m.level_db / 20) for r, m in zip(rig.signals, rig.mics, strict=True)]
    )
    responses = rig.signals / loud[:, None]
    delays, signs = best_alignment(
        responses[:closes], played, np.array([mic.role == "sub" for mic in rig.mics[:closes]])
    )
    return SetUp(rig, responses, delays, signs)


@lru_cache(maxsize=SOURCES)
def source(number: int) -> FloatArray:
    """An amp's output of SOURCE_S seconds: the demo's strings, or a real guitar's in a stop-and-go riff."""
    if number % 2:
        return amp_output(100 + number, RATE, SOURCE_S)
    rng = np.random.default_rng([number, 32])
    tempo = float(rng.uniform(90.0, 180.0))
    arrangement = arrange(rng, tempo, int(SOURCE_S / (240.0 / tempo)))
    made = amped(arrangement, round(arrangement.seconds * RATE), RATE, rng, "real")
    return np.ascontiguousarray(np.resize(made, round(SOURCE_S * RATE)))


def perform(setup: SetUp, seconds: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """One performance: what the mics hear of the guitar and what they hear besides, (M, n) each.

    Riffs of the sources one after the other, begun anywhere, joined in 20 ms.
    """
    frames = round(seconds * RATE)
    guitar = _riffs(frames, rng)
    heard = np.array([oaconvolve(guitar, response)[:frames] for response in setup.responses], np.float64)
    mains = np.resize(hum(round(NOISE_S * RATE), RATE, rng, setup.rig.mains_hz), frames)
    beat = np.resize(drums(round(NOISE_S * RATE), RATE, rng), frames) if rng.uniform() < 0.3 else None
    hiss_db, hum_db, bleed_db = rng.uniform(-65.0, -45.0), rng.uniform(-65.0, -45.0), rng.uniform(-50.0, -35.0)
    noises = np.empty_like(heard)
    for index, one in enumerate(heard):
        level = rms(one)
        noises[index] = level * (10 ** (hiss_db / 20) * hiss(frames, rng) + 10 ** (hum_db / 20) * mains)
        if beat is not None:
            noises[index] += level * 10 ** (bleed_db / 20) * np.roll(beat, int(rng.integers(0, RATE // 100)))
    return heard, noises


def _riffs(frames: int, rng: np.random.Generator) -> FloatArray:
    guitar, done, join = np.zeros(frames), 0, round(0.02 * RATE)
    while done < frames:
        whole = source(int(rng.integers(SOURCES)))
        begin = int(rng.integers(0, len(whole) // 2))
        part = whole[begin : begin + frames - done].copy()
        part[:join] *= np.linspace(0.0, 1.0, min(join, len(part)))
        part[-join:] *= np.linspace(1.0, 0.0, min(join, len(part)))
        guitar[done : done + len(part)] += part
        done = done + len(part) - join if done + len(part) < frames else frames
    return guitar


def best_alignment(
    responses: FloatArray, played: FloatArray, subs: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """(delays (M), signs (M)) of the largest mean third-octave efficiency of what `played` gives through responses."""
    matrix, freqs = _weighed(responses, played, subs)
    count, reach = len(responses), round(SEARCH_S * RATE)
    lags = np.arange(-reach, reach + 1, dtype=np.float64)
    turn = np.exp(2j * np.pi * np.outer(lags, freqs) / RATE)

    def efficiency(delays: FloatArray, signs: FloatArray) -> float:
        terms = signs[:, None] * np.exp(2j * np.pi * freqs / RATE * delays[:, None])
        return float(np.einsum("mf,mnf,nf->", terms, matrix, terms.conj()).real)

    def climbed(delays: FloatArray, signs: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        delays, signs, last = delays.copy(), signs.copy(), -np.inf
        while (now := efficiency(delays, signs)) > last + 1e-9:
            last = now
            for mic in range(1, count):
                others = [m for m in range(count) if m != mic]
                terms = signs[:, None] * np.exp(2j * np.pi * freqs / RATE * delays[:, None])
                cross = np.einsum("nf,nf->f", matrix[mic, others], terms[others].conj())
                gain = (turn @ cross).real
                best = int(np.argmax(np.abs(gain)))
                delays[mic], signs[mic] = lags[best], np.sign(gain[best])
        return last, delays, signs

    rng = np.random.default_rng(33)
    starts = [np.zeros(count)] + [rng.uniform(-0.7 * reach, 0.7 * reach, count) for _ in range(12)]
    found = []
    for start in starts:
        start[0] = 0.0
        found.append(climbed(start, np.array([1.0, *rng.choice([-1.0, 1.0], count - 1)])))
    _, delays, signs = max(found, key=lambda f: f[0])
    refine: Callable[..., Any] = minimize
    fine = refine(
        lambda d: -efficiency(np.array([0.0, *d]), signs),
        delays[1:],
        method="Nelder-Mead",
        options={
            "xatol": 1e-3,
            "fatol": 1e-9,
            "initial_simplex": delays[1:] + np.vstack([np.zeros(count - 1), np.eye(count - 1)]),
        },
    )
    return np.array([0.0, *fine.x]), signs


def _weighed(responses: FloatArray, played: FloatArray, subs: npt.NDArray[np.bool_]) -> tuple[ComplexArray, FloatArray]:
    """Cross-spectra (M, M, F) such that their sum, every mic in phase in every band, is 1; and their frequencies.

    Bands more than 50 dB under the loudest carry nothing.
    """
    size = 1 << 15
    power = np.mean(
        [
            np.abs(np.fft.rfft(played[at : at + size] * np.hanning(size))) ** 2
            for at in range(0, len(played) - size, size)
        ],
        axis=0,
    )
    spectra = np.fft.rfft(responses, size) * np.sqrt(power)
    freqs = np.fft.rfftfreq(size, 1.0 / RATE)
    edges = np.append(THIRDS_HZ * 2 ** (-1 / 6), THIRDS_HZ[-1] * 2 ** (1 / 6))
    band = np.searchsorted(edges, freqs) - 1
    weight = np.zeros(len(freqs))
    spectra[np.ix_(subs, freqs > SUB_HZ * 2 ** (1 / 6))] = 0.0
    energies = np.array([(np.abs(spectra[:, band == b]) ** 2).sum(axis=1) for b in range(len(THIRDS_HZ))])
    live = energies.sum(axis=1) > 1e-5 * energies.sum(axis=1).max()
    for b in np.flatnonzero(live):
        weight[band == b] = 1.0 / np.sqrt(energies[b]).sum() ** 2 / live.sum()
    inside = weight > 0.0
    spectra = spectra[:, inside]
    matrix: ComplexArray = weight[inside] * spectra[:, None] * spectra.conj()[None, :]
    return matrix, np.asarray(freqs[inside], np.float64)
