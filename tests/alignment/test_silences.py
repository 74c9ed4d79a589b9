"""Silences of one to three seconds inside the riff: told with the mic and both ends, whatever trails make of them."""

import re
from pathlib import Path

import numpy as np
import pytest

from tests.alignment.test_absent_of_two import RATE, heard, rig, told, without
from tests.rigs.cabinets import Rig

__all__ = ["rig"]
AT_S = 9.0


def seconds(clock: str) -> float:
    minutes, rest = clock.split(":")
    return 60.0 * int(minutes) + float(rest)


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("length_s", [1.5, 2.0, 3.0])
def test_a_short_silence_is_told_with_both_ends(rig: Rig, tmp_path: Path, count: int, length_s: float) -> None:
    """To 0.5 s: a stop at its edge belongs to it or not, nobody can tell."""
    song = heard(tmp_path, rig, without(rig, 1, AT_S, AT_S + length_s, count))
    found = told(song)
    assert {mic: slug for mic, (slug, _) in found.items()} == {rig.names[1]: "alignment-dropout"}
    ends = re.fullmatch(r"falls silent at ([\d:.]+), joins in at ([\d:.]+)", found[rig.names[1]][1])
    assert ends is not None
    assert [seconds(end) for end in ends.groups()] == pytest.approx([AT_S, AT_S + length_s], abs=0.5)
    assert not any(mic.decision.passages for mic in song.mics)


def test_a_gate_on_one_mic_is_no_silence(rig: Rig, tmp_path: Path) -> None:
    """It shuts in every stop, where the others hear the tails of notes."""
    signals = rig.signals[:2].copy()
    block = RATE // 100
    power = np.convolve(signals[1] ** 2, np.ones(block) / block, mode="same")
    signals[1, power < 1e-3 * power.max()] = 0.0
    assert told(heard(tmp_path, rig, signals)) == {}
