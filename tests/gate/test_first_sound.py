"""The room's first sound: found before the strongest one, and nothing where there is none."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from premix.gate.first_sound import first_sound_samples
from tests.rigs.songs import recipe_of, song_from, spectra_of, with_decisions, with_tracks

RATE, FRAMES = 48_000, 480_000


def found(first: tuple[int, float] | None, strongest: int = 900, noise: float = 0.05) -> float | None:
    """Of a room whose strongest sound comes `strongest` samples late; first: (samples, gain) of one ahead of it."""
    rng = np.random.default_rng(3)
    guitar = rng.standard_normal(FRAMES)
    room = np.roll(guitar, strongest) + noise * rng.standard_normal(FRAMES)
    if first is not None:
        room += first[1] * np.roll(guitar, first[0])
    spectra = spectra_of(np.stack([guitar, room]), RATE, ["dynamic", "room"], 1)
    late = {"room": {"arrival_samples": float(strongest), "reference": "dynamic"}}
    song = with_decisions(with_tracks(song_from(recipe_of()), RATE, FRAMES, Path()), late)
    performance = replace(song.performances[0], spectra=spectra)
    return first_sound_samples(performance, performance.rooms[0], RATE)


@pytest.mark.parametrize(("samples", "gain"), [(400, 0.5), (400, -0.4), (120, 0.9), (880, 0.6)])
def test_a_weaker_sound_ahead_of_the_strongest_counts(samples: int, gain: float) -> None:
    """Half as loud, or turned over, 20 to 780 samples earlier: within 1 ms, and not after it."""
    first = found((samples, gain))
    assert first is not None
    assert -48 <= first - samples <= 2


def test_where_the_strongest_is_the_first_it_stays() -> None:
    """Within 1 ms; noise in the room is no sound."""
    assert found(None) == pytest.approx(900.0, abs=48)
    assert found(None, noise=1.0) == pytest.approx(900.0, abs=48)


def test_what_is_far_weaker_is_no_sound() -> None:
    """30 dB under the strongest."""
    assert found((300, 0.03)) == pytest.approx(900.0, abs=48)
