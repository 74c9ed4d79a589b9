"""A width worked out from a limit is the widest that keeps it, as the rendered file shows."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from premix.arrays import FloatArray
from premix.audio.gains import apply_width
from premix.errors import RecipeError
from premix.measures.stereo import StereoSums
from premix.mixdown.widest import MidSide
from premix.model.settings import WidthLimit
from premix.pipeline import Outcome, compare, render
from tests.rigs.sessions import Song, read, riff, write_song

RECIPE = """\
format: 1
song: Wide
mics:
  dynamic: {polarity: normal, delay: none}
  room: {role: room, gain_db: -9, polarity: normal}
performances:
  left: {bus: left}
  right: {bus: right, gain_db: -4}
  centre: {bus: centre, gain_db: 6}
deliver: {bits: 32, files: [guitar_bus]}
"""


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Two sides of unequal level and a loud centre."""
    takes = {
        f"{name}_{mic}": riff(seed, 96_000, peak=0.3)
        for seed, name in enumerate(("left", "right", "centre"))
        for mic in ("dynamic", "room")
    }
    return write_song(tmp_path_factory.mktemp("wide"), RECIPE, takes)


def rendered(song: Song, name: str, *settings: str) -> tuple[Outcome, FloatArray]:
    """The run, and the guitar bus as it was written."""
    out = song.out(name)
    outcome = render(song.recipe, song.tracks, out, settings=settings)
    return outcome, read(out / outcome.manifest.files[0].path)


def fold_db(stereo: FloatArray) -> float:
    """Energy of (L+R)/2 against the mean of both channels, straight from the definition."""
    return 10.0 * math.log10(float(np.sum((0.5 * stereo.sum(axis=0)) ** 2)) / float(0.5 * np.sum(stereo**2)))


@pytest.mark.parametrize("limit_db", [-1.0, -2.0, -3.5])
def test_the_file_folds_to_mono_as_the_limit_says(song: Song, limit_db: float) -> None:
    """Within 0.00002 dB: 32-bit floats round each sample by 3e-8 of itself."""
    outcome, stereo = rendered(song, f"fold{limit_db}", f"guitar_bus.width={{mono_fold_db: {limit_db}}}")
    assert fold_db(stereo) == pytest.approx(limit_db, abs=2e-5)
    assert outcome.manifest.guitar_bus is not None
    (told,) = [f for f in outcome.manifest.findings if f.slug == "width-kept"]
    assert told.message.startswith(f"{outcome.manifest.guitar_bus.width:.4f} ")


@pytest.mark.parametrize("limit", [0.35, 0.0, -0.3])
def test_the_channels_correlate_as_the_limit_says(song: Song, limit: float) -> None:
    """numpy's own coefficient, which takes the mean out, is not used: the measure is of the samples as they are."""
    _, (left, right) = rendered(song, f"rho{limit}", f"guitar_bus.width={{correlation: {limit}}}")
    assert float(left @ right / math.sqrt((left @ left) * (right @ right))) == pytest.approx(limit, abs=5e-6)


def test_a_width_that_no_limit_bounds_ends_at_the_widest_there_is(song: Song) -> None:
    outcome, stereo = rendered(song, "widest", "guitar_bus.width={mono_fold_db: -30}")
    assert outcome.manifest.guitar_bus is not None
    assert outcome.manifest.guitar_bus.width == 2.0
    assert fold_db(stereo) > -30.0
    (told,) = [f for f in outcome.manifest.findings if f.slug == "width-kept"]
    assert "2 is the widest there is" in told.message


def test_the_number_itself_gives_the_same_samples(song: Song) -> None:
    """What is told can be written down: the width in the manifest, to the last bit."""
    outcome, asked = rendered(song, "asked", "guitar_bus.width={mono_fold_db: -2}")
    assert outcome.manifest.guitar_bus is not None
    _, given = rendered(song, "given", f"guitar_bus.width={outcome.manifest.guitar_bus.width!r}")
    assert np.array_equal(asked, given)


def test_one_signal_in_the_middle_has_no_width(song: Song) -> None:
    mutes = ("performances.left.mute=true", "performances.right.mute=true")
    outcome, _ = rendered(song, "middle", "guitar_bus.width={correlation: 0.5}", *mutes)
    assert [f.slug for f in outcome.manifest.findings if f.slug.startswith("width")] == ["width-no-side"]
    assert outcome.manifest.guitar_bus is not None
    assert outcome.manifest.guitar_bus.width == 1.0


def test_every_variant_keeps_the_limit_by_a_width_of_its_own(song: Song) -> None:
    settings = ("guitar_bus.width={mono_fold_db: -2}", "variants.no_centre={performances: {centre: {mute: true}}}")
    document = compare(song.recipe, song.tracks, song.out("variants"), settings=settings, report=False)
    folds = [fold_db(read(song.out("variants") / variant.path)) for variant in document.variants]
    assert folds == pytest.approx([-2.0, -2.0], abs=2e-4)
    assert len({seen.message for f in document.findings if f.slug == "width-kept" for seen in f.each}) == 2


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    "limit", [{"mono_fold_db": -2.5}, {"correlation": 0.1}, {"correlation": -0.6}, {"correlation": 0.8}]
)
def test_the_closed_form_is_what_a_search_finds(seed: int, limit: dict[str, float]) -> None:
    """scipy.optimize.brentq on the stereo meter's own sums, over random correlated channels of unequal level."""
    rng = np.random.default_rng(seed)
    common, own = rng.standard_normal(4000), rng.standard_normal((2, 4000))
    stereo = rng.uniform(0.3, 2.0, (2, 1)) * own + rng.uniform(0.2, 1.5) * common

    def excess(width: float) -> float:
        wide = stereo.copy()
        apply_width(wide, width)
        left, right = wide
        sums = StereoSums(float(left @ left), float(right @ right), float(left @ right))
        found = sums.fold_db() if "mono_fold_db" in limit else sums.correlation()
        assert found is not None
        return found - next(iter(limit.values()))

    sums = MidSide()
    for block in np.array_split(stereo, 7, axis=1):
        sums.take({"guitars": block})
    assert sums.widest(WidthLimit(**limit)) == pytest.approx(brentq(excess, 1e-6, 60.0, xtol=1e-12), rel=1e-9)


@pytest.mark.parametrize(("rho", "width"), [(1.0, 0.0), (-1.0, math.inf)])
def test_the_ends_of_the_range_are_mono_and_any_width(rho: float, width: float) -> None:
    assert MidSide(2.0, 1.0, 0.3).widest(WidthLimit(correlation=rho)) == width


@pytest.mark.parametrize(
    ("settings", "what"),
    [
        (["guitar_bus.width={mono_fold_db: -2, correlation: 0.1}"], "2 figures"),
        (["guitar_bus.width={}"], "0 figures"),
        (["guitar_bus.width={mono_fold_db: -2}", "guitar_bus.chain=[polarity]"], "has a chain"),
    ],
)
def test_a_limit_that_cannot_be_kept_is_refused(song: Song, settings: Sequence[str], what: str, tmp_path: Path) -> None:
    with pytest.raises(RecipeError) as refused:
        render(song.recipe, song.tracks, tmp_path / "out", settings=settings)
    assert any(problem.slug == "recipe-width" and what in problem.what for problem in refused.value.problems)
    assert not (tmp_path / "out").exists()
