"""Passages in which a mic does not belong to the others: put right where that can be, and never passed over.

Each fault is put into simulated tracks by a line of numpy here, so that its place is known to the sample.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.errors import Finding
from tests.alignment.test_alive import RATE, aligned
from tests.rigs.cabinets import Rig, random_cabinet

SECONDS = 24.0
MIC = 1


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(73, rate=RATE, seconds=SECONDS, n_close=3, noise_db=-60.0, hum_db=-60.0)


def between(signals: FloatArray, from_s: float, to_s: float) -> slice:
    return slice(round(from_s * RATE), round(to_s * RATE))


def found(folder: Path, rig: Rig, signals: FloatArray, slug: str) -> list[Finding]:
    song, _ = aligned(folder, rig, signals)
    return [f for f in song.findings if f.slug == slug]


@pytest.mark.parametrize("length_s", [1.5, 2.0, 3.0])
def test_a_mic_turned_for_a_moment_is_turned_back(rig: Rig, tmp_path: Path, length_s: float) -> None:
    """A turn no longer than a stretch of what is followed, in its place: as near as the stops around it allow."""
    signals = rig.signals.copy()
    signals[MIC, between(signals, 10.3, 10.3 + length_s)] *= -1.0
    song, decisions = aligned(tmp_path, rig, signals)
    name = rig.names[MIC]
    assert [f.subject for f in song.findings if f.slug == "alignment-turned"] == [f"left/{name}"]
    before, turned, after = decisions[name].passages
    assert before.polarity == after.polarity == -turned.polarity
    gap = 0.35  # a change lies anywhere in the stop that holds it
    assert turned.from_s == pytest.approx(10.3, abs=gap)
    assert turned.to_s == pytest.approx(10.3 + length_s, abs=gap)


@pytest.mark.parametrize(
    ("mic", "samples", "to_s"),
    [(MIC, 1024, 15.0), (MIC, 2048, SECONDS), (MIC, -1500, 15.0), (MIC, 7200, 15.0), (0, 1024, 15.0), (0, 7200, 15.0)],
)
def test_a_part_that_slipped_is_put_back(rig: Rig, tmp_path: Path, mic: int, samples: int, to_s: float) -> None:
    """A punch-in whose latency was not made up for: a buffer or two of an interface (common practice, no source), more
    than windows see, of any mic, the reference too; for a while or to the end."""
    signals = rig.signals.copy()
    held = between(signals, 9.0, to_s)
    signals[mic, held] = np.roll(rig.signals[mic], samples)[held]
    song, decisions = aligned(tmp_path, rig, signals)
    name = rig.names[mic]
    assert [f.subject for f in song.findings if f.slug == "alignment-jump" and "followed" in f.message] == [
        f"left/{name}"
    ]
    assert not [f for f in song.findings if f.slug in ("alignment-astray", "alignment-unsteady", "alignment-dropout")]
    before, slipped, *after = decisions[name].passages
    assert slipped.delay_samples - before.delay_samples == pytest.approx(samples, abs=1.0)
    assert slipped.from_s == pytest.approx(9.0, abs=0.35) and len(after) == (to_s < SECONDS)
    efficiency = song.performances[0].efficiency
    assert efficiency.worst_passage_db == pytest.approx(efficiency.after_db, abs=0.6)
    (trail,) = [trail for trail in song.performances[0].steadiness if trail.mic == name]
    for time_s, delay in zip(trail.times_s, trail.delay_samples, strict=True):  # windows err by a whole turn of theirs
        own = next(p for p in decisions[name].passages if p.from_s <= time_s < p.to_s)
        assert delay == pytest.approx(own.delay_samples, abs=200.0)


def backwards(signal: FloatArray, held: slice) -> FloatArray:
    return signal[held][::-1]


def another_take(signal: FloatArray, held: slice) -> FloatArray:
    return np.roll(signal, 5 * RATE + 1234)[held]


def turned_twice(signal: FloatArray, held: slice) -> FloatArray:
    """Over and back every 0.3 s: too fast to follow."""
    over = (np.arange(held.stop - held.start) // round(0.3 * RATE)) % 2
    return signal[held] * (1.0 - 2.0 * over)


@pytest.mark.parametrize("fault", [backwards, another_take, turned_twice])
def test_what_cannot_be_followed_is_told_with_mic_and_place(
    rig: Rig, tmp_path: Path, fault: Callable[[FloatArray, slice], FloatArray]
) -> None:
    signals = rig.signals.copy()
    held = between(signals, 8.0, 15.0)
    signals[MIC, held] = fault(rig.signals[MIC], held)
    song, decisions = aligned(tmp_path, rig, signals)
    (finding,) = [f for f in song.findings if f.slug == "alignment-astray"]
    assert not any(decision.passages for decision in decisions.values())  # nowhere is a place made up
    assert finding.subject == f"left/{rig.names[MIC]}" and finding.severity == "warning"
    assert finding.at_s == pytest.approx(8.0, abs=1.5)  # to a stretch of riff
    assert finding.size is not None and finding.size > 0.6


@pytest.mark.parametrize("length_s", [14.0, 5.0])
@pytest.mark.parametrize("late", [None, 37, -700])
def test_a_soft_passage_is_not_passed_over(rig: Rig, tmp_path: Path, length_s: float, late: int | None) -> None:
    """30 dB down is under what trails follow; a mic that is turned over there, or elsewhere, is put right all the same.
    Within half a second: beside the riff, the first strokes of the verse hardly count."""
    signals = rig.signals.copy()
    held = between(signals, 4.0, 4.0 + length_s)
    signals[:, held] *= 10.0 ** (-30.0 / 20.0)
    signals[MIC, held] = -signals[MIC, held] if late is None else np.roll(signals[MIC], late)[held]
    song, decisions = aligned(tmp_path, rig, signals)
    (finding,) = [f for f in song.findings if f.slug.startswith("alignment-")]
    assert finding.slug == ("alignment-turned" if late is None else "alignment-jump")
    assert finding.subject == f"left/{rig.names[MIC]}"
    before, soft, after = decisions[rig.names[MIC]].passages
    assert soft.from_s == pytest.approx(4.0, abs=0.6) and soft.to_s == pytest.approx(4.0 + length_s, abs=0.7)
    assert before.polarity == after.polarity == (-soft.polarity if late is None else soft.polarity)
    assert soft.delay_samples - before.delay_samples == pytest.approx(late or 0, abs=1.0)


@pytest.mark.parametrize("what", ["nothing", "soft", "from elsewhere"])
def test_nothing_is_told_where_all_mics_belong_together(rig: Rig, tmp_path: Path, what: str) -> None:
    """A song as it is, one with a soft verse, one that begins with what others play, 30 dB down, at other delays."""
    signals = rig.signals.copy()
    held = between(signals, 0.0, 10.0)
    if what != "nothing":
        signals[:, held] *= 10.0 ** (-30.0 / 20.0)
    if what == "from elsewhere":
        rng = np.random.default_rng(5)
        guitar = np.roll(rig.signals[0], 7 * RATE)[held]
        for m in range(len(signals)):
            late = int(rng.integers(0, 200))
            signals[m, held] = 10.0 ** (-30.0 / 20.0) * np.roll(guitar, late) * rng.choice([-1.0, 1.0])
    assert not found(tmp_path, rig, signals, "alignment-astray")
