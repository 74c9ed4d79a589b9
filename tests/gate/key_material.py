"""Key envelopes made from a level in dB, for tests that need whole songs in milliseconds."""

from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.model.tracks import KeyEnvelopes
from tests.rigs.songs import keys_of

Levels = npt.NDArray[np.float64]
SILENT = -300.0


def hold(seconds: float, level_db: float) -> Levels:
    """A steady level, one value a millisecond."""
    return np.full(round(seconds * 1000), level_db)


def ring(seconds: float, peak_db: float, fall_db_per_s: float) -> Levels:
    """A picked note that dies away."""
    return peak_db - fall_db_per_s * np.arange(round(seconds * 1000)) / 1000


def mutes(seconds: float, peak_db: float, fall_db_per_s: float, every_s: float) -> Levels:
    """Palm mutes: a note that dies away quickly, again and again."""
    one = ring(every_s, peak_db, fall_db_per_s)
    return np.tile(one, int(np.ceil(seconds / every_s)))[: round(seconds * 1000)]


def stop(seconds: float) -> Levels:
    """A damped stop: the level falls by 3 dB a millisecond, and then nothing."""
    return np.full(round(seconds * 1000), SILENT)


def envelopes(
    folder: Path,
    parts: list[Levels],
    *,
    hiss_db: float = SILENT,
    bleed: Levels | None = None,
    seed: int = 0,
    rate: int = 48_000,
    performance: str = "left",
) -> KeyEnvelopes:
    """Key envelopes of one mic that plays `parts` one after the other over steady hiss and optional bleed.

    Band-limited noise of 5 kHz has about 10 degrees of freedom in 1 ms: its power flutters as chi-square /
    10.
    """
    rng = np.random.default_rng(seed)
    level = np.concatenate(parts)
    damped = -3.0 * np.arange(level.size)
    # A fall of more than 3 dB in a frame is a hand on the strings: the level follows at 3 dB a frame.
    level = np.maximum.accumulate(level - damped) + damped
    power = 10.0 ** (level / 10)
    for noise_db in (np.full(level.size, hiss_db), bleed):
        if noise_db is not None:
            power = power + 10.0 ** (noise_db[: level.size] / 10) * rng.chisquare(10, level.size) / 10
    return keys_of(performance, power[None], ("dynamic",), folder, rate)


def drum_bleed(seconds: float, peak_db: float, *, every_s: float = 0.25, decay_s: float = 0.2) -> Levels:
    """Drums in the stops: hits that fall 60 dB in `decay_s`, every `every_s`."""
    hits = peak_db - 60.0 * (np.arange(round(every_s * 1000)) / 1000) / decay_s
    return np.tile(hits, int(np.ceil(seconds / every_s)))[: round(seconds * 1000)]
