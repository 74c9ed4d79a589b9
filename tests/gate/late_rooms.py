"""Rooms whose strongest sound is not their first: a cabinet that faces away, a mic behind a gobo."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.audio.gains import curve_gain
from premix.gate.curves import room_curve
from premix.gate.first_sound import first_sound_samples
from premix.model.settings import Gate
from tests.rigs.sections import Part, SectionTake, section_take
from tests.rigs.songs import recipe_of, song_from, spectra_of, with_decisions, with_tracks

Audio = npt.NDArray[np.float64]

ATTACK_S = 0.02


def late_room(seed: int) -> tuple[SectionTake, Audio, Audio, int, int]:
    """(take, room, its first sound alone, samples after the key of the first sound, and of the strongest).

    The first sound is 0 to 10 dB weaker than the reflection that comes 3 to 20 ms later; a tail of 0.4 s follows.
    """
    rng = np.random.default_rng([seed, 815])
    take = section_take(seed, [Part(3)])
    rate, frames = take.rate, take.room.size
    first = round(rng.uniform(0.006, 0.020) * rate)
    strongest = first + round(rng.uniform(0.003, 0.020) * rate)
    direct = 10.0 ** (rng.uniform(-10.0, 0.0) / 20.0) * np.roll(take.guitar, first)
    tail = np.zeros(round(0.4 * rate))
    tail[strongest:] = rng.standard_normal(tail.size - strongest)
    tail *= 10.0 ** (-3.0 * np.arange(tail.size) / tail.size)
    tail *= 0.5 / np.sqrt(np.sum(tail**2))
    reverberant = np.fft.irfft(np.fft.rfft(take.guitar, 2 * frames) * np.fft.rfft(tail, 2 * frames))[:frames]
    noise = 0.003 * take.loud * rng.standard_normal(frames)
    return take, direct + np.roll(take.guitar, strongest) + reverberant + noise, direct, first, strongest


def found_first(take: SectionTake, room: Audio, strongest: int) -> float:
    """The first sound as it is found in the cross-spectra, in samples after the key."""
    spectra = spectra_of(np.stack([take.close[0], room]), take.rate, ["dynamic", "room"], 1)
    late = {"room": {"arrival_samples": float(strongest), "reference": "dynamic"}}
    song = with_decisions(with_tracks(song_from(recipe_of()), take.rate, room.size, Path()), late)
    performance = replace(song.performances[0], spectra=spectra)
    found = first_sound_samples(performance, performance.rooms[0], take.rate)
    assert found is not None, "both mics are in the spectra"
    return found


def attacks_lost_db(seed: int, *, by_strongest: bool = False) -> list[float]:
    """What the gate takes of the first 20 ms of the room's first sound at every start, in dB, with the passages as they
    were played. by_strongest: as if the strongest sound were the first."""
    take, room, direct, first, strongest = late_room(seed)
    found = float(strongest) if by_strongest else found_first(take, room, strongest)
    spans = [(p.on_s, p.off_s) for p in take.passages]
    curve = room_curve(
        spans, Gate(), rate=take.rate, frames=room.size, arrival_samples=float(strongest), first_samples=found
    )
    gain = np.empty(room.size)
    constant = curve_gain(curve, 0, gain)
    gain = gain if constant is None else np.full(room.size, constant)
    lost = []
    for on_s, _ in spans:
        start = round(on_s * take.rate) + first
        part = slice(start, start + round(ATTACK_S * take.rate))
        kept = float(np.sum((gain[part] * direct[part]) ** 2) / np.sum(direct[part] ** 2))
        lost.append(-10.0 * np.log10(max(1e-12, kept)))
    return lost
