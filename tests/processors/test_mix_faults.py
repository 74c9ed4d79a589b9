"""Chains that do not fit the tracks, keys that nobody hears, plug-ins that crash: told, and nothing is written."""

import shutil

import pytest

from premix.errors import RecipeError
from premix.pipeline import render
from tests.rigs.sessions import Song, write_recipe

from .mixing import named, recipe, rendered


@pytest.mark.usefixtures("stand_in")
@pytest.mark.parametrize("place", ["dynamic", "performance", "bus", "guitar_bus"])
def test_a_plug_in_that_crashes_in_a_render_leaves_nothing(place: str, song: Song) -> None:
    """One problem, and no output folder, wherever it stands."""
    (song.recipe.parent / "dies_later.vst3").write_text("stand-in")
    text = recipe(**{place: "[{plug_in: {file: dies_later.vst3}}]"})
    with pytest.raises(RecipeError, match=r"\[plug-in-crashed\]$"):
        rendered(song, text)
    assert not song.out(named(text)).exists()


FAULTS = {
    "[{low_pass: {cutoff_hz: 23000}}]": "chain[0].low_pass.cutoff_hz: 23000 Hz is too high for tracks at 48000 Hz; "
    "allowed: at most 21600 Hz [chain-range]",
    "[polarity, {convolution: {file: none.wav}}]": "chain[1].convolution.file: there is no file '",
    "[{expander: {threshold_db: -40, key: dynamc}}]": "chain[0].expander.key: 'dynamc' is no performance that is heard",
}


@pytest.mark.parametrize("chain", FAULTS)
@pytest.mark.parametrize("place", ["ribbon", "performance", "bus", "guitar_bus"])
def test_a_chain_that_does_not_fit_the_tracks_is_refused_at_its_line(place: str, chain: str, song: Song) -> None:
    """File, line and key of the step, before any audio is read."""
    with pytest.raises(RecipeError) as caught:
        rendered(song, recipe(**{place: chain}))
    (problem,) = caught.value.problems
    assert FAULTS[chain] in problem.line()
    line = next(n for n, text in enumerate(recipe(**{place: chain}).splitlines(), 1) if chain in text)
    assert f".yaml:{line}:" in problem.where


@pytest.mark.parametrize("place", ["bus", "guitar_bus"])
def test_a_mic_is_no_key_on_a_bus(place: str, song: Song) -> None:
    """Of which performance would it be? The performances are named instead."""
    with pytest.raises(RecipeError) as caught:
        rendered(song, recipe(**{place: "[{expander: {threshold_db: -40, key: dynamic}}]"}))
    (problem,) = caught.value.problems
    assert "'dynamic' is no performance that is heard; allowed: left, right" in problem.line()


def test_a_key_that_a_performance_does_not_have_is_named_with_it(song: Song) -> None:
    """The right performance's ribbon is missing and optional: nothing could open the right room."""
    tracks = song.tracks.parent / "without_ribbon"
    shutil.copytree(song.tracks, tracks)
    next(tracks.glob("right_ribbon.*")).unlink()
    text = recipe(room="[{expander: {threshold_db: -40, key: ribbon}}]")
    text = text.replace("ribbon: {gain_db", "ribbon: {optional: true, gain_db")
    path = write_recipe(song.recipe.parent, text, "optional.yaml")
    with pytest.raises(RecipeError) as caught:
        render(path, tracks, song.out("none"))
    (problem,) = caught.value.problems
    assert "'ribbon' is no performance that is heard, and no mic of right; allowed: left, right" in problem.line()
