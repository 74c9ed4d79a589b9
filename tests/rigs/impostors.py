"""Rigs with one channel that does not belong: another take, another song, a dead channel."""

from typing import Any, Literal

import numpy as np

from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.noises import at_level, hiss, hum

Kind = Literal["other_take", "other_song", "hum", "noise", "silence"]
KINDS: tuple[Kind, ...] = ("other_take", "other_song", "hum", "noise", "silence")
DEAD_DB = -55.0
"""Level of a dead channel's hum or noise, dBFS rms."""


def spoiled(seed: int, index: int, kind: Kind, **settings: Any) -> Rig:
    """The rig of `random_cabinet(seed, **settings)` with mic `index` replaced.

    other_take: the same mic's file of another performance of the same riff, at the same tempo. other_song: of
    another song. hum: a dead channel with mains hum and hiss. noise: hiss alone. silence: zeros.
    """
    rig = random_cabinet(seed, **settings)
    frames = rig.signals.shape[1]
    rng = np.random.default_rng([seed, index, 14])
    if kind == "other_take":
        signal = random_cabinet(seed, **{**settings, "take": settings.get("take", 0) + 1}).signals[index]
    elif kind == "other_song":
        signal = random_cabinet(seed, **{**settings, "other_song": True}).signals[index]
    elif kind == "hum":
        mains = hum(frames, rig.rate, rng, rig.mains_hz)
        signal = at_level(mains, DEAD_DB) + at_level(hiss(frames, rng), DEAD_DB - 10.0)
    elif kind == "noise":
        signal = at_level(hiss(frames, rng), DEAD_DB)
    else:
        signal = np.zeros(frames)
    return rig.with_channel(index, signal)
