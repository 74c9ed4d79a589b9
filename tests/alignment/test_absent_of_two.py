"""Two close mics, one of which is not always there: the riff is what the other plays, and the delay that of both.

From files to what is decided and told. A third mic has a majority; two have none.
"""

import re
from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.model.song import Song
from premix.pipeline import prepare
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.sessions import write_song

RATE = 48000
SECONDS = 24.0
AT_S, BACK_S = 9.0, 15.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(61, rate=RATE, seconds=SECONDS, n_close=2, noise_db=-60.0, hum_db=-60.0)


def heard(folder: Path, rig: Rig, signals: FloatArray) -> Song:
    """The song of these tracks, decided; the first mic is the reference."""
    mics = "".join(f"  {mic.name}: {{role: {mic.role}}}\n" for mic in rig.mics[: len(signals)])
    recipe = f"format: 1\nmics:\n{mics}performances:\n  left: {{bus: left}}\nalignment: {{refused: mute}}\n"
    files = write_song(folder, recipe, {f"left_{m.name}": s for m, s in zip(rig.mics, signals, strict=False)})
    with prepare(files.recipe, files.tracks) as prepared:
        return prepared.song


def without(rig: Rig, m: int, from_s: float, to_s: float, count: int = 2) -> FloatArray:
    """The first `count` tracks; mic m has only its preamplifier's noise, 70 dB down, from one second to another."""
    signals = rig.signals[:count].copy()
    noise = 10.0 ** (-70.0 / 20.0) * signals[m].std() * np.random.default_rng(7).standard_normal(signals.shape[1])
    gone = slice(round(from_s * RATE), round(to_s * RATE))
    signals[m, gone] = noise[gone]
    return signals


@pytest.fixture(scope="module")
def whole(rig: Rig, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Both mics are there all through."""
    return heard(tmp_path_factory.mktemp("whole"), rig, rig.signals[:2])


def told(song: Song) -> dict[str, tuple[str, str]]:
    """Mic -> slug and words of what is told of it."""
    found = (f for f in song.findings if f.slug.startswith("alignment-"))
    return {f.subject.removeprefix("left/"): (f.slug, f.message) for f in found}


@pytest.mark.parametrize("m", [0, 1])
@pytest.mark.parametrize(
    ("from_s", "to_s", "words"),
    [
        (0.0, 18.0, ("joins in at 0:1[78]",)),
        (AT_S, SECONDS, ("falls silent at 0:0[89]",)),
        (AT_S, BACK_S, ("falls silent at 0:0[89]", "joins in at 0:1[45]")),
    ],
)
def test_a_mic_of_two_that_is_gone_for_a_while_is_told_and_aligned(
    rig: Rig, whole: Song, tmp_path: Path, m: int, from_s: float, to_s: float, words: tuple[str, ...]
) -> None:
    """It alone, with the places; the delay is that of the whole take to 0.2 samples, 9 degrees at 6 kHz.

    No passage sums to more than all of its mics.
    """
    song = heard(tmp_path, rig, without(rig, m, from_s, to_s))
    name = rig.names[m]
    assert {mic: slug for mic, (slug, _) in told(song).items()} == {name: "alignment-dropout"}
    for part in words:
        assert re.search(part, told(song)[name][1])
    for ours, theirs in zip(song.mics, whole.mics, strict=True):
        assert (ours.decision.refusal, ours.decision.polarity) == (None, theirs.decision.polarity)
        assert ours.decision.delay_samples == pytest.approx(theirs.decision.delay_samples, abs=0.2)
        assert not ours.decision.passages
    efficiency = song.performances[0].efficiency
    assert efficiency.after_db <= 0.0
    assert efficiency.worst_passage_db is not None and efficiency.worst_passage_db <= 0.0


@pytest.mark.parametrize("above_db", [-10.0, 0.0, 10.0])
@pytest.mark.parametrize("kind", ["hum", "noise"])
def test_a_hum_or_a_noise_in_one_of_two_mics_plays_no_riff(
    rig: Rig, tmp_path: Path, kind: str, above_db: float
) -> None:
    """Of 8 s before the riff, and 8 s after it, no frame is riff."""
    rest = np.zeros((2, 8 * RATE)) + 1e-4 * np.random.default_rng(2).standard_normal((2, 8 * RATE))
    signals = np.concatenate([rest, rig.signals[:2], rest], axis=1)
    time_s = np.arange(signals.shape[1]) / RATE
    hum = np.stack([np.sin(2.0 * np.pi * 50.0 * k * time_s + k) / k for k in range(1, 40)]).sum(axis=0)
    noise = hum if kind == "hum" else np.asarray(np.random.default_rng(3).standard_normal(signals.shape[1]))
    signals[1] += noise / noise.std() * rig.signals[1].std() * 10.0 ** (above_db / 20.0)
    windows = heard(tmp_path, rig, 0.2 * signals / np.abs(signals).max()).performances[0].windows
    assert windows is not None
    riff = windows.levels_db >= windows.riff_db
    at_s = windows.start_s + windows.frame_s * np.arange(len(riff))
    inside = (at_s > 8.0 - 2.0 * windows.frame_s) & (at_s < 8.0 + SECONDS)
    assert not riff[~inside].any()
    assert riff[inside].mean() > 0.7
