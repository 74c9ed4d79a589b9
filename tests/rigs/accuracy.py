"""Single trials of the alignment's accuracy, shared by the tests (few, fixed seeds) and the bench (many)."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from premix.alignment.case import build_case
from premix.alignment.decide import align
from premix.alignment.kernel import build_kernel
from premix.arrays import FloatArray
from premix.model.alignment import MicDecision
from premix.model.settings import Role
from tests.rigs.baselines import BASELINES
from tests.rigs.brute import brute_force, efficiency_of
from tests.rigs.cabinets import random_cabinet
from tests.rigs.impostors import KINDS, Kind, spoiled
from tests.rigs.songs import decide_rig, decisions_of, recipe_of, rig_song, song_from, with_signals

RATE = 48000
SPOILERS = KINDS
TENTHS = tuple(tenth / 10 for tenth in range(1, 10))


def band_noise(rng: np.random.Generator, frames: int, rate: int, low_hz: float, high_hz: float) -> FloatArray:
    """White noise within a band, none outside it."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    freqs = np.fft.rfftfreq(frames, 1.0 / rate)
    spectrum[(freqs < low_hz) | (freqs > high_hz)] = 0.0
    return np.fft.irfft(spectrum, frames)


def shifted(signal: FloatArray, delay_samples: float) -> FloatArray:
    """The signal late by any fraction of a sample, exactly, around the ends."""
    spectrum = np.fft.rfft(signal)
    return np.fft.irfft(
        spectrum * np.exp(-2j * np.pi * np.arange(len(spectrum)) / len(signal) * delay_samples), len(signal)
    )


def solve_signals(
    signals: FloatArray | Sequence[FloatArray], rate: int, roles: Sequence[Role] | None = None
) -> tuple[MicDecision, ...]:
    """Decisions of the whole stage for bare signals (M, n); mic 0 is the reference."""
    mics = {f"mic{i}": {"role": role} for i, role in enumerate(roles or ["close"] * len(signals))}
    song = song_from(recipe_of(mics, alignment={"refused": "mute"}))
    return decisions_of(align(with_signals(song, {"left": np.asarray(signals)}, rate)))


def pure_delay_errors(low_hz: float, high_hz: float, delays: Sequence[float] = TENTHS) -> FloatArray:
    """Errors in samples for delays of tenths of a sample, alternately inverted, without noise."""
    errors = []
    for index, delay in enumerate(delays):
        source = band_noise(np.random.default_rng(index), 6 * RATE, RATE, low_hz, high_hz)
        sign = -1 if index % 2 else 1
        decision = solve_signals([source, sign * shifted(source, delay)], RATE)[1]
        errors.append(decision.delay_samples - delay if decision.polarity == sign else np.inf)
    return np.array(errors)


def cramer_rao_samples(low_hz: float, high_hz: float, seconds: float, coherence: float, rate: int) -> float:
    """Bound of the delay between two noisy copies, in samples (Knapp & Carter 1976; Quazi 1981):
    var = 3 / (8 pi^2 T) (1 + 2 SNR) / SNR^2 / (f2^3 - f1^3)."""
    snr = np.sqrt(coherence) / (1.0 - np.sqrt(coherence))
    variance = 3.0 / (8.0 * np.pi**2 * seconds) * (1.0 + 2.0 * snr) / snr**2 / (high_hz**3 - low_hz**3)
    return float(np.sqrt(variance) * rate)


def pair_errors(
    low_hz: float, high_hz: float, seconds: float, coherence: float, seeds: Iterable[int]
) -> tuple[FloatArray, int, float]:
    """(errors in samples, wrong polarities, bound in samples) of noisy pairs, one trial a seed."""
    errors, wrong = [], 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 71])
        frames = round(seconds * RATE)
        source = band_noise(rng, frames, RATE, low_hz, high_hz)
        delay, sign = float(rng.uniform(-30, 30)), int(rng.choice([-1, 1]))
        snr = np.sqrt(coherence) / (1.0 - np.sqrt(coherence))
        density = source.std() / np.sqrt((high_hz - low_hz) / (RATE / 2.0)) / np.sqrt(snr)
        noisy = [x + density * rng.standard_normal(frames) for x in (source, sign * shifted(source, delay))]
        decision = solve_signals(noisy, RATE, ("close", "sub" if high_hz < 300.0 else "close"))[1]
        errors.append(decision.delay_samples - delay)
        wrong += decision.polarity != sign
    return np.array(errors), wrong, cramer_rao_samples(low_hz, high_hz, seconds, coherence, RATE)


@dataclass(frozen=True)
class CabinetCase:
    """One simulated cabinet: what went wrong (hopefully nothing), and the efficiencies of all methods."""

    seed: int
    via: str
    what: str
    mics: int
    wrong: int
    refused: int
    lowest_coherence: float
    narrowest: float
    efficiency_db: dict[str, float]
    wrong_by: dict[str, int]
    brute_loss_db: float


def cabinet_settings(seed: int) -> dict[str, Any]:
    """The set-up of a seed: rates, mics, colours, noise, rooms, all in turn."""
    rng = np.random.default_rng([seed, 72])
    return {
        "rate": (48000, 44100, 48000, 96000)[seed % 4] if seed % 3 == 0 else 48000,
        "seconds": 8.0 if seed % 2 else 6.0,
        "n_close": 2 + (seed % 5 == 0),
        "colour": ("mild", "strong", "none")[seed % 3],
        "via": "pyroomacoustics" if seed % 5 in (1, 3) else "direct",
        "noise_db": float(rng.uniform(-60, -25)),
        "hum_db": float(rng.uniform(-55, -20)),
        "bleed_db": float(rng.uniform(-45, -24)),
    }


def cabinet_case(seed: int) -> CabinetCase:
    """Align one cabinet, and hold it against brute force and the plain methods on the same kernel."""
    settings = cabinet_settings(seed)
    rig = random_cabinet(seed, **settings)
    song = rig_song({"left_a": rig})
    case = build_case(song, song.performances[0])
    kernel = build_kernel(case.signal, case.chosen)
    aligned = align(song)
    decisions, efficiency = decisions_of(aligned), aligned.performances[0].efficiency
    truth, own = rig.polarities, np.array([d.polarity for d in decisions])
    matrix, freqs, search = kernel.matrix, kernel.freqs_hz, 0.004 * rig.rate
    figures = {"as recorded": efficiency.before_db}
    wrong_by = {"as recorded": int((truth != 1).sum())}
    for name, method in BASELINES.items():
        found = [method(rig.signals[0], s, search) for s in rig.signals[1:]]
        signs = np.array([1, *(f[1] for f in found)])
        value = efficiency_of(matrix, freqs, rig.rate, [0.0, *(f[0] for f in found)], signs)
        figures[name], wrong_by[name] = 10.0 * np.log10(max(value, 1e-6)), int((signs != truth).sum())
    figures["premix"], wrong_by["premix"] = efficiency.after_db, int((own != truth).sum())
    step = (0.5 if len(truth) == 3 else 1.0) * rig.rate / 48000
    best = brute_force(matrix, freqs, rig.rate, 0, range(1, len(truth)), search, step)
    return CabinetCase(
        seed=seed,
        via=settings["via"],
        what=f"{settings['colour']} colour, {settings['via']}, {len(rig.speakers_m)} speakers, {rig.rate} Hz",
        mics=len(truth) - 1,
        wrong=wrong_by["premix"],
        refused=sum(d.refusal is not None for d in decisions),
        lowest_coherence=min(d.coherence for d in decisions if d.coherence is not None),
        narrowest=min((d.margin_db for d in decisions if d.margin_db is not None), default=np.inf),
        efficiency_db=figures,
        wrong_by=wrong_by,
        brute_loss_db=10.0 * np.log10(best) - figures["premix"],
    )


@dataclass(frozen=True)
class SpoiledCase:
    """One cabinet with a false mic: whether it was let in, and whether a good one was thrown out."""

    kind: str
    accepted: bool
    refused_good: int
    coherence: float | None
    slug: str


def spoiled_case(seed: int) -> SpoiledCase:
    """A cabinet in which one mic other than the reference is an impostor or dead."""
    settings = cabinet_settings(seed) | {"n_close": 3}
    kind: Kind = SPOILERS[seed % len(SPOILERS)]
    index = 1 + seed // len(SPOILERS) % 3
    rig = spoiled(seed, index, kind, **settings)
    decisions = decisions_of(decide_rig(rig))
    false = decisions[index]
    good = [d for i, d in enumerate(decisions) if i != index]
    return SpoiledCase(
        kind, false.refusal is None, sum(d.refusal is not None for d in good), false.coherence, str(false.refusal)
    )


@dataclass(frozen=True)
class RoomCase:
    """A room mic in a hard room: how late its first sound was found against the direct path (None: not found), and
    whether its polarity was called (None), right or wrong."""

    seed: int
    error_ms: float | None
    polarity_right: bool | None


def room_case(seed: int) -> RoomCase:
    """One take with a room mic 2.5 to 7 m away, by image sources; the truth is the length of the direct path."""
    rig = random_cabinet(seed, **(cabinet_settings(seed) | {"rate": RATE}), room=True, hall=True)
    decision = decisions_of(decide_rig(rig))[-1]
    late = decision.arrival_samples
    error_ms = None if late is None else float(1000.0 * (late - rig.delays[-1]) / RATE)
    right = bool(decision.polarity == rig.polarities[-1]) if decision.polarity_clear else None
    return RoomCase(seed, error_ms, right)


def closure_case(seed: int) -> float:
    """|tau(a,b) + tau(b,c) + tau(c,a)| of three colourless mics, each pair solved by itself."""
    rig = random_cabinet(seed, n_close=3, sub=False, colour="none", n_speakers=1, seconds=6.0, noise_db=-50.0)
    a, b, c = rig.signals[:3]
    loop = [solve_signals(pair, rig.rate)[1].delay_samples for pair in ((a, b), (b, c), (c, a))]
    return abs(sum(loop))


def hum_trap_case(seed: int) -> float:
    """How far the answer moves when both mics get the same hum and a little of each other at lag zero."""
    rig = random_cabinet(seed, n_close=2, sub=False, colour="none", n_speakers=1, seconds=6.0, hum_db=-70.0)
    clean = solve_signals(rig.signals, rig.rate)[1].delay_samples
    time_s = np.arange(rig.signals.shape[1]) / rig.rate
    hum = np.sum([np.sin(2 * np.pi * rig.mains_hz * k * time_s + k) / k for k in (1, 2, 3, 5)], axis=0)
    hum *= 10 ** (-10 / 20) * rig.signals[0].std() / hum.std()
    crossed = rig.signals + 10 ** (-40 / 20) * rig.signals[::-1] + hum
    return abs(solve_signals(crossed, rig.rate)[1].delay_samples - clean)
