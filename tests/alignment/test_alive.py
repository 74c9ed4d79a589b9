"""Songs in which a mic, or the guitar itself, is not there all the time: each is judged on what it played."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.model.alignment import MicDecision
from premix.model.song import Song
from premix.pipeline import prepare
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.sessions import write_song

RATE = 48000
SECONDS = 24.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(61, rate=RATE, seconds=SECONDS, n_close=2, noise_db=-60.0, hum_db=-60.0)


def aligned(folder: Path, rig: Rig, signals: FloatArray) -> tuple[Song, dict[str, MicDecision]]:
    """The song of these tracks, from files to decisions."""
    mics = "".join(f"  {mic.name}: {{role: {mic.role}}}\n" for mic in rig.mics)
    recipe = f"format: 1\nmics:\n{mics}performances:\n  left: {{bus: left}}\nalignment: {{refused: mute}}\n"
    files = write_song(folder, recipe, {f"left_{m.name}": s for m, s in zip(rig.mics, signals, strict=True)})
    with prepare(files.recipe, files.tracks) as prepared:
        return prepared.song, {mic.name: mic.decision for mic in prepared.song.mics}


@pytest.fixture(scope="module")
def whole(rig: Rig, tmp_path_factory: pytest.TempPathFactory) -> dict[str, MicDecision]:
    """What is decided where every mic is there all through."""
    return aligned(tmp_path_factory.mktemp("whole"), rig, rig.signals)[1]


@pytest.mark.parametrize(("from_s", "to_s"), [(19.0, 24.0), (0.0, 5.0), (10.0, 15.0), (8.0, 24.0)])
def test_a_mic_that_is_there_for_a_part_is_judged_on_it(
    rig: Rig, whole: dict[str, MicDecision], tmp_path: Path, from_s: float, to_s: float
) -> None:
    """A fifth of the song is enough: neither refused as another performance, nor aligned by what it did not play.

    Within a tenth of a sample of what the whole take gives; its own noise is there all through.
    """
    signals = rig.signals.copy()
    noise = 10.0 ** (-70.0 / 20.0) * signals[1].std() * np.random.default_rng(7).standard_normal(signals.shape[1])
    there = np.zeros(signals.shape[1], np.bool_)
    there[round(from_s * RATE) : round(to_s * RATE)] = True
    signals[1] = np.where(there, signals[1], noise)
    song, found = aligned(tmp_path, rig, signals)
    name = rig.names[1]
    assert found[name].refusal is None
    assert found[name].polarity == whole[name].polarity
    assert found[name].delay_samples == pytest.approx(whole[name].delay_samples, abs=0.2)  # 9 degrees at 6 kHz
    assert f"left/{name}" in {f.subject for f in song.findings if f.slug == "alignment-dropout"}


def test_bleed_before_the_guitar_enters_does_not_decide(
    rig: Rig, whole: dict[str, MicDecision], tmp_path: Path
) -> None:
    """80 s of another guitar 40 dB down, from elsewhere in the room, before the riff: as if it had not been there."""
    other = random_cabinet(99, rate=RATE, seconds=80.0, n_close=2, other_song=True).signals
    level = 10.0 ** (-40.0 / 20.0) * rig.signals.std(axis=1, keepdims=True) / other.std(axis=1, keepdims=True)
    bleed = other * level
    bleed[1], bleed[2] = np.roll(bleed[1], 300), -np.roll(bleed[2], 500)
    _, found = aligned(tmp_path, rig, np.concatenate([bleed, rig.signals], axis=1))
    for name, decision in whole.items():
        assert (found[name].refusal, found[name].polarity) == (None, decision.polarity)
        assert found[name].delay_samples == pytest.approx(decision.delay_samples, abs=0.5)


def test_preamplifier_noise_before_the_riff_refuses_nobody(
    rig: Rig, whole: dict[str, MicDecision], tmp_path: Path
) -> None:
    """75 s of noise at -80 dBFS, each mic its own, then the riff."""
    noise = 1e-4 * np.random.default_rng(8).standard_normal((len(rig.mics), 75 * RATE))
    _, found = aligned(tmp_path, rig, np.concatenate([noise, rig.signals], axis=1))
    for name, decision in whole.items():
        assert (found[name].refusal, found[name].polarity) == (None, decision.polarity)
        assert found[name].delay_samples == pytest.approx(decision.delay_samples, abs=0.5)
