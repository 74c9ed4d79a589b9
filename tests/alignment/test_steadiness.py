"""Mics that change in the song: found, named with place and size, read as if they had not, or told.

The faults are put in by tests/rigs/faults.py (soxr, scipy, splices), into cabinets simulated by pyroomacoustics' image
sources (Scheibler, Bezzam & Dokmanic, ICASSP 2018).
"""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from premix.alignment.steps import composed
from premix.errors import UserError
from premix.model.alignment import Passage
from premix.model.song import Song
from premix.pipeline import prepare, render
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.faults import drifted, shifted, spliced
from tests.rigs.sessions import Song as Files
from tests.rigs.sessions import write_song

RATE = 48000
SECONDS = 16.0
AT = 9 * RATE
Signal = np.ndarray


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(4, seconds=SECONDS, room=True, via="pyroomacoustics")


def jumping(samples: float, at: int = AT) -> Callable[[Signal], Signal]:
    return lambda x: spliced(x, shifted(x, samples), at, 0)


def turning(x: Signal) -> Signal:
    return spliced(x, -x, AT, 0)


def written(rig: Rig, folder: Path, changes: dict[str, Callable[[Signal], Signal]], alignment: str = "") -> Files:
    signals = rig.signals * 0.5 / np.abs(rig.signals).max()
    tracks = {f"left_{name}": changes.get(name, np.copy)(x) for name, x in zip(rig.names, signals, strict=True)}
    mics = ", ".join(f"{mic.name}: {{role: {mic.role}}}" for mic in rig.mics)
    recipe = f"format: 1\nmics: {{{mics}}}\nperformances: {{left: {{bus: left}}}}\n{alignment}"
    return write_song(folder, recipe, tracks)


def aligned(files: Files) -> Song:
    with prepare(files.recipe, files.tracks) as prepared:
        return prepared.song


def changing(song: Song) -> dict[str, tuple[Passage, ...]]:
    return {mic.name: mic.decision.passages for mic in song.mics if mic.decision.passages}


def told(song: Song) -> dict[str, str]:
    """Mic -> slug of what is told of it, hum and the like left out."""
    return {f.subject.split("/")[1]: f.slug for f in song.findings if f.slug.startswith("alignment-")}


def test_a_steady_song_has_no_passages(rig: Rig, tmp_path: Path) -> None:
    song = aligned(written(rig, tmp_path, {}))
    assert changing(song) == {}
    assert told(song) == {}
    efficiency = song.performances[0].efficiency
    assert efficiency.worst_passage_db is not None
    # A passage of 2 s holds other notes than the whole; a mic that is off would cost more.
    assert efficiency.after_db - 0.3 < efficiency.worst_passage_db < efficiency.after_db + 0.1


@pytest.mark.parametrize("samples", [2.0, 9.4, -37.25, 240.0])
def test_a_jump_is_found_placed_and_followed(rig: Rig, tmp_path: Path, samples: float) -> None:
    clean = aligned(written(rig, tmp_path / "clean", {}))
    song = aligned(written(rig, tmp_path / "jump", {"condenser": jumping(samples)}))
    assert told(song) == {"condenser": "alignment-jump"}
    (first, second), name = changing(song)["condenser"], "condenser"
    # 20 ms: what one stroke of the riff can tell.
    assert first.to_s == second.from_s == pytest.approx(AT / RATE, abs=0.02)
    # 0.05 sample is 3 degrees at 6 kHz.
    assert second.delay_samples - first.delay_samples == pytest.approx(samples, abs=0.05)
    home = clean.performance("left").mic(name)
    assert home is not None
    assert first.delay_samples == pytest.approx(home.decision.delay_samples, abs=0.1)
    assert {first.polarity, second.polarity} == {home.decision.polarity}
    after, before = song.performances[0].efficiency, clean.performances[0].efficiency
    assert after.after_db == pytest.approx(before.after_db, abs=0.02)
    assert after.worst_passage_db == pytest.approx(before.worst_passage_db, abs=0.1)


def test_a_turn_of_polarity_is_followed(rig: Rig, tmp_path: Path) -> None:
    song = aligned(written(rig, tmp_path, {"ribbon": turning}))
    assert told(song) == {"ribbon": "alignment-turned"}
    first, second = changing(song)["ribbon"]
    assert first.polarity == -second.polarity
    assert second.delay_samples == pytest.approx(first.delay_samples, abs=0.05)
    assert first.to_s == pytest.approx(AT / RATE, abs=0.02)


@pytest.mark.parametrize("ppm", [20.0, -80.0])
def test_a_drift_is_told_in_ppm_and_followed(rig: Rig, tmp_path: Path, ppm: float) -> None:
    song = aligned(written(rig, tmp_path, {"condenser": lambda x: drifted(x, RATE, ppm, 0)}))
    assert told(song) == {"condenser": "alignment-drift"}
    (passage,) = changing(song)["condenser"]
    # 0.5 ppm over these 16 s is a third of a sample.
    assert passage.ppm == pytest.approx(ppm, abs=0.5)
    worst = song.performances[0].efficiency.worst_passage_db
    assert worst is not None
    assert worst > song.performances[0].efficiency.after_db - 0.3


def test_what_all_others_share_is_the_references(rig: Rig, tmp_path: Path) -> None:
    """When the reference jumps, the others jump together the other way; it is the one that is told and put back."""
    song = aligned(written(rig, tmp_path, {"dynamic": jumping(40.0)}))
    assert told(song) == {"dynamic": "alignment-jump"}
    assert "the reference itself" in next(f.message for f in song.findings if f.slug == "alignment-jump")
    first, second = changing(song)["dynamic"]
    assert second.delay_samples - first.delay_samples == pytest.approx(40.0, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "words"), [("silent", "falls silent"), ("late", "joins in"), ("softer", "-[56].[019] dB")]
)
def test_a_mic_that_is_not_always_there_is_told_with_the_place(rig: Rig, tmp_path: Path, kind: str, words: str) -> None:
    def change(x: Signal) -> Signal:
        there = np.arange(len(x)) < AT
        return np.where(there if kind != "late" else ~there, x, x * (0.501187 if kind == "softer" else 1e-3))

    song = aligned(written(rig, tmp_path, {"condenser": change}))
    assert told(song) == {"condenser": "alignment-dropout"}
    message = next(f.message for f in song.findings if f.slug == "alignment-dropout")
    assert re.search(words, message)
    assert "0:09.0" in message or "0:08.9" in message
    assert changing(song) == {}


@pytest.mark.parametrize("share", [0.4, 0.15])
def test_a_mic_that_is_there_for_a_part_is_judged_on_that(rig: Rig, tmp_path: Path, share: float) -> None:
    """Over the whole song its coherence is far below what a stranger shows; it is no stranger."""

    def late(x: Signal) -> Signal:
        return np.where(np.arange(len(x)) > (1.0 - share) * len(x), x, x * 1e-3)

    clean = aligned(written(rig, tmp_path / "clean", {})).performance("left").mic("condenser")
    found = aligned(written(rig, tmp_path / "late", {"condenser": late})).performance("left").mic("condenser")
    assert clean is not None and found is not None
    assert found.decision.refusal is None
    assert found.decision.polarity == clean.decision.polarity
    assert found.decision.delay_samples == pytest.approx(clean.decision.delay_samples, abs=0.3)


def test_told_only_leaves_the_longest_passage(rig: Rig, tmp_path: Path) -> None:
    changes = {"condenser": jumping(30.0)}
    follow = aligned(written(rig, tmp_path / "follow", changes))
    tell = aligned(written(rig, tmp_path / "tell", changes, "alignment: {changes: tell}"))
    assert told(tell) == {"condenser": "alignment-jump"}
    assert changing(tell) == {}
    longest = changing(follow)["condenser"][0]
    mic = tell.performance("left").mic("condenser")
    assert mic is not None
    assert mic.decision.delay_samples == pytest.approx(longest.delay_samples, abs=1e-6)
    told_db, followed_db = (s.performances[0].efficiency.worst_passage_db for s in (tell, follow))
    assert told_db is not None and followed_db is not None
    assert told_db < followed_db - 0.5  # what is delivered is what is measured


def test_stop_refuses_the_song_with_the_place(rig: Rig, tmp_path: Path) -> None:
    files = written(rig, tmp_path, {"condenser": jumping(30.0)}, "alignment: {changes: stop, refused: mute}")
    with pytest.raises(UserError) as stopped:
        render(files.recipe, files.tracks, tmp_path / "out")
    (problem,) = stopped.value.problems
    assert problem.slug == "alignment-jump"
    assert "0:09.0" in problem.what
    assert not (tmp_path / "out").exists()


def test_a_worst_passage_can_be_a_limit(rig: Rig, tmp_path: Path) -> None:
    limit = "alignment: {changes: tell}\nlimits: {worst_passage_db: -1.5}"
    held = render(*_of(written(rig, tmp_path / "a", {}, limit)), tmp_path / "out_a")
    broken = render(*_of(written(rig, tmp_path / "b", {"condenser": turning}, limit)), tmp_path / "out_b")
    assert [f.slug for f in held.broken] == []
    assert [f.slug for f in broken.broken] == ["limit-worst-passage"]


def _of(files: Files) -> tuple[Path, Path]:
    return files.recipe, files.tracks


def test_steps_upon_steps_add_up() -> None:
    """Read through the first, then the second: delays add at every time, polarities multiply."""
    first = (Passage(0.0, 4.0, 0.0, 1), Passage(4.0, 10.0, 7.5, -1, 10.0))
    second = (Passage(0.0, 6.0, 1.0, 1, -5.0), Passage(6.0, 10.0, 0.0, -1))

    def at(steps: tuple[Passage, ...], t: float) -> tuple[float, int]:
        own = next(p for p in reversed(steps) if p.from_s <= t)
        return own.delay_samples + 1e-6 * own.ppm * (t - own.from_s) * RATE, own.polarity

    both = composed(first, second, "close", RATE)
    for t in (0.5, 3.9, 4.1, 5.9, 6.1, 9.9):
        (a, p), (b, q), (c, r) = at(first, t), at(second, t), at(both, t)
        assert c == pytest.approx(a + b, abs=1e-9)
        assert r == p * q


def test_what_is_not_worth_telling_apart_is_one_step() -> None:
    """A fifth of a sample, found when the song is read through its steps, leaves one jump where there is one: the mean
    of both sides, by how long they are."""
    first = (Passage(0.0, 4.0, 0.0, 1), Passage(4.0, 10.0, 1024.0, 1))
    second = (Passage(0.0, 3.0, 0.0, 1), Passage(3.0, 10.0, 0.2, 1))
    before, after = composed(first, second, "close", RATE)
    assert (before.from_s, before.to_s, after.from_s, after.to_s) == (0.0, 4.0, 4.0, 10.0)
    assert before.delay_samples == pytest.approx(0.05) and after.delay_samples == pytest.approx(1024.2)
