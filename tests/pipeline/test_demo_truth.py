"""The demo session through the whole run, against its truth file and against exhaustion."""

import numpy as np
import pytest

from premix.alignment.case import build_case
from premix.alignment.kernel import build_kernel
from premix.pipeline import prepare
from tests.conftest import Demo, RenderedDemo
from tests.rigs.brute import brute_force
from tests.rigs.sessions import decided, manifest_of

PERFORMANCES = ("left_a", "right_a")


def test_every_polarity_is_right(demo: Demo, rendered_demo: RenderedDemo) -> None:
    """As truth.json has the mics wired, the room's too."""
    found = {key: d["polarity"] for key, d in decided(rendered_demo.out).items()}
    assert found == {(t.performance, t.mic): t.polarity for t in demo.truth.tracks}
    assert -1 in found.values()


@pytest.mark.parametrize("performance", PERFORMANCES)
def test_delays_follow_distance_and_converter(demo: Demo, rendered_demo: RenderedDemo, performance: str) -> None:
    """Condenser and ribbon within 3 samples of their true arrival: their colours have a phase of their own.

    The sub mic comes later than its distance by what its band-pass and the recipe's low-pass hold back: between
    sqrt(2) / (2 pi 180 Hz) = 1.25 ms, the low-pass alone, and 3.7 ms, the group delay of both at 80 Hz.
    """
    found = decided(rendered_demo.out)
    for mic, bound in (("dynamic", 0.0), ("condenser", 3.0), ("ribbon", 3.0)):
        late = found[performance, mic]["delay_samples"] - demo.truth.track(performance, mic).delay_samples
        assert abs(late) <= bound, mic
    sub = found[performance, "sub"]["delay_samples"] - demo.truth.track(performance, "sub").delay_samples
    assert 0.00125 * demo.truth.rate < sub < 0.0037 * demo.truth.rate
    assert found[performance, "room"]["delay_samples"] == 0.0
    room = found[performance, "room"]["arrival_samples"] - demo.truth.track(performance, "room").delay_samples
    assert abs(room) < 0.001 * demo.truth.rate  # when its gate opens, a millisecond is near enough


@pytest.mark.parametrize("performance", PERFORMANCES)
def test_riff_times_are_found_within_10_ms(demo: Demo, rendered_demo: RenderedDemo, performance: str) -> None:
    """Every start and stop of truth.json, one to one: none missed, none added (F = 1.00), 10 ms at most apart."""
    (gate,) = [g for g in manifest_of(rendered_demo.out)["gate"] if g["performance"] == performance]
    truth = np.array(demo.truth.riff(performance))
    found = np.array(gate["riff"])
    assert found.shape == truth.shape
    assert np.max(np.abs(found - truth)) < 0.010
    assert len(truth) >= 3


def test_sum_efficiency_is_that_of_exhaustion(demo: Demo) -> None:
    """Within 0.02 dB of the best delays and polarities that a search over a grid, refined by scipy, finds.

    Three mics against the reference; the grid of 2 samples is finer than half a period of 6.3 kHz (3.8 samples).
    """
    with prepare(demo.song.recipe, demo.song.tracks, settings=["alignment.pool=false"]) as ready:
        song = ready.song
        left = song.performance("left_a")
        case = build_case(song, left)
    kernel = build_kernel(case.signal, case.chosen)
    anchor, search = case.index("dynamic"), song.alignment.search_ms * song.rate / 1000
    assert anchor is not None
    free = [m for m in np.flatnonzero(case.chosen).tolist() if m != anchor]
    best = brute_force(kernel.matrix, kernel.freqs_hz, song.rate, anchor, free, search, 2)
    assert len(free) == 3
    assert left.efficiency.after_db == pytest.approx(10.0 * np.log10(best), abs=0.02)
    assert left.efficiency.before_db < left.efficiency.after_db - 3.0


def test_pooling_costs_no_efficiency_worth_hearing(rendered_demo: RenderedDemo) -> None:
    """Aligned together the performances stay near the limit of 0 dB; as recorded they lost 3 dB and more."""
    for entry in manifest_of(rendered_demo.out)["sum_efficiency_db"]:
        assert entry["before"] < -3.0
        assert -1.0 < entry["after"] <= 0.0


def test_manifest_tells_the_inputs_apart(demo: Demo, rendered_demo: RenderedDemo) -> None:
    """Every track once, by the names of truth.json."""
    inputs = manifest_of(rendered_demo.out)["inputs"]
    assert {(i["performance"], i["mic"], i["path"]) for i in inputs} == {
        (t.performance, t.mic, t.path) for t in demo.truth.tracks
    }
    assert {i["frames"] for i in inputs} == {demo.truth.frames}
