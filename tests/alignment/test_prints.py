"""The set-up's print, held against transfer functions that are known, and against another estimator of them."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy.signal import stft

from premix.alignment.prints import _response
from premix.measures.pooled import set_up_of
from premix.model.set_up import MicPrint, SetUp
from premix.model.song import Song
from premix.pipeline import prepare
from tests.rigs.moved_rigs import RATE, STEADY, State, responses, stands, write_moved_recipe, write_moved_song

FloatArray = npt.NDArray[np.float64]
SPEED_MM_S = 343_200.0
"""Speed of sound at 20 degrees (ISO 9613-1:1993)."""


@lru_cache(maxsize=4)
def song_of(folder: Path, rig: int, number: int, seconds: float = 12.0) -> Song:
    recipe = write_moved_recipe(folder / "house.yaml")
    with prepare(recipe, write_moved_song(folder / f"song_{number}", rig, number, STEADY, seconds=seconds)) as prepared:
        # What lies in the scratch folder is gone with it; the prints are in the tree.
        return prepared.song


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("prints")


@pytest.fixture(scope="module")
def setup(folder: Path) -> SetUp:
    found = set_up_of(song_of(folder, 3, 0))
    assert found is not None
    return found


def mic_of(setup: SetUp, name: str) -> MicPrint:
    assert setup.pooled is not None
    mic = setup.pooled.mic(name)
    assert mic is not None
    return mic


@pytest.mark.parametrize("name", ["condenser", "ribbon"])
def in_bins(values: npt.NDArray[np.complex128], freqs: FloatArray, edges: FloatArray) -> npt.NDArray[np.complex128]:
    """Sums of values in the bins between edges."""
    return np.add.reduceat(values, np.searchsorted(freqs, edges[:-1]))


@pytest.mark.parametrize("name", ["condenser", "ribbon"])
def test_levels_and_phases_are_those_of_the_impulse_responses(setup: SetUp, name: str) -> None:
    """Of the impulse responses themselves, in bins of 23 Hz as white noise would show them, and third octaves of these.

    Within four of the errors that are told, and 0.5 dB and 4 degrees: a bin between two notes weighs less.
    """
    heard = responses(3, STEADY)
    size = 1 << 17
    one, other = (np.fft.rfft(heard[mic], size) for mic in ("dynamic", name))
    freqs: FloatArray = np.asarray(np.fft.rfftfreq(size, 1.0 / RATE), np.float64)
    mic = mic_of(setup, name)
    edges: FloatArray = np.arange(30.0, 7000.0, 8 * RATE / 16384, dtype=np.float64)
    turned = other * one.conj() * np.exp(2j * np.pi * freqs / RATE * (mic.delay_samples or 0.0))
    cross, own, reference = (in_bins(v, freqs, edges) for v in (turned, np.abs(other) ** 2, np.abs(one) ** 2))
    weight = (np.abs(cross) ** 2 / (own * reference)).real ** 2
    middles, checked = 0.5 * (edges[:-1] + edges[1:]), 0
    for b, centre in enumerate(setup.centres_hz):
        level, phase = mic.levels_db[b], mic.phases_deg[b]
        if centre < 300.0 or level is None or phase is None:
            continue
        part = (middles >= centre * 10**-0.05) & (middles < centre * 10**0.05)
        wanted = mic.polarity * np.average((cross / reference)[part], weights=weight[part])
        assert level == pytest.approx(20 * np.log10(abs(wanted)), abs=0.5 + 4 * (mic.level_errors_db[b] or 0.0))
        off = (phase - np.degrees(np.angle(wanted)) + 180.0) % 360.0 - 180.0
        assert abs(off) < 4.0 + 4 * (mic.phase_errors_deg[b] or 0.0)
        checked += 1
    assert checked > 10


def test_cohens_estimator_says_the_same(folder: Path, setup: SetUp) -> None:
    """Cohen, IEEE Trans. Speech and Audio Processing 12(5), 2004: the relative transfer function as the slope of a
    least squares fit of cross- over auto-spectra of segments, which leaves stationary noise out. Within 1 dB from
    300 Hz, and 0.3 dB in the middle of the bands: his bins weigh by their level, here by their coherence."""
    song_of(folder, 3, 0)
    tracks = {n: soundfile.read(folder / "song_0" / f"p0_{n}.wav")[0] for n in ("dynamic", "ribbon")}
    freqs, _, reference = stft(tracks["dynamic"], RATE, nperseg=16384)
    _, _, other = stft(tracks["ribbon"], RATE, nperseg=16384)
    segments = np.array_split(np.arange(reference.shape[1]), 16)
    auto = np.array([(np.abs(reference[:, s]) ** 2).mean(axis=1) for s in segments])
    cross = np.array([(other[:, s] * reference[:, s].conj()).mean(axis=1) for s in segments])
    slope = (auto * cross).mean(axis=0) - auto.mean(axis=0) * cross.mean(axis=0)
    slope /= (auto**2).mean(axis=0) - auto.mean(axis=0) ** 2
    mic = mic_of(setup, "ribbon")
    aligned = slope * np.exp(2j * np.pi * freqs / RATE * (mic.delay_samples or 0.0))
    off = []
    for b, centre in enumerate(setup.centres_hz):
        level = mic.levels_db[b]
        if centre > 300.0 and level is not None:
            inside = (freqs >= centre * 10**-0.05) & (freqs < centre * 10**0.05)
            off.append(abs(level - 20 * np.log10(abs(np.mean(aligned[inside])))))
    assert np.median(off) < 0.3
    assert max(off) < 1.0


def test_delays_are_the_distances(setup: SetUp) -> None:
    """Of a mic without a converter, its own colour turns the phase by less than 10 mm of path."""
    own = {stand.name: stand for stand in stands(3)}
    for name in ("ribbon",):
        wanted = own[name].way_m(STEADY) - own["dynamic"].way_m(STEADY)
        assert mic_of(setup, name).delay_mm == pytest.approx(1000.0 * wanted, abs=10.0)
        samples = mic_of(setup, name).delay_samples or 0.0
        assert mic_of(setup, name).delay_mm == pytest.approx(samples / RATE * SPEED_MM_S, abs=0.01)


def test_other_notes_say_the_same_within_the_errors(folder: Path, setup: SetUp) -> None:
    other = set_up_of(song_of(folder, 3, 1))
    assert other is not None
    for name in ("condenser", "ribbon"):
        a, b = mic_of(setup, name), mic_of(other, name)
        assert abs((a.delay_mm or 0.0) - (b.delay_mm or 0.0)) < 0.4
        assert abs((a.level_db or 0.0) - (b.level_db or 0.0)) < 0.2
        off = [
            abs(x - y) / np.hypot(e, f)
            for x, y, e, f in zip(a.levels_db, b.levels_db, a.level_errors_db, b.level_errors_db, strict=True)
            if x is not None and y is not None and e is not None and f is not None
        ]
        assert np.median(off) < 2.0


def test_errors_shrink_with_the_riff(folder: Path) -> None:
    """Four times the riff: half the error, by chance of the notes 0.2 to 1."""
    short, long = (set_up_of(song_of(folder, 3, 5, seconds)) for seconds in (5.0, 18.0))
    assert short is not None
    assert long is not None
    errors = [[e for e in mic_of(s, "ribbon").level_errors_db if e is not None] for s in (short, long)]
    assert np.median(errors[1]) < np.median(errors[0])


def test_a_song_without_riff_has_no_print(folder: Path) -> None:
    song = song_of(folder, 3, 0)
    silent = replace(song, performances=tuple(replace(p, set_up=None) for p in song.performances))
    assert set_up_of(silent) is None


def test_a_nudge_is_read(folder: Path, setup: SetUp) -> None:
    """5 mm of path, which the room's reflections change by 0.3 mm at most."""
    recipe = write_moved_recipe(folder / "house.yaml")
    tracks = write_moved_song(folder / "nudged", 3, 7, State(nudges_mm={"ribbon": 5.0}), seconds=12.0)
    with prepare(recipe, tracks) as prepared:
        found = set_up_of(prepared.song)
    assert found is not None
    moved = (mic_of(found, "ribbon").delay_mm or 0.0) - (mic_of(setup, "ribbon").delay_mm or 0.0)
    assert moved == pytest.approx(5.0, abs=0.3)


def test_a_bin_that_noise_was_taken_from_to_the_last_counts_as_coherent() -> None:
    """What is left of the cross-spectrum there is chance, and may be more than any power: 1, and no overflow."""
    freqs_hz = np.arange(30.0, 11_000.0, 10.0)
    nothing = np.zeros((1, len(freqs_hz)))
    response = _response(np.full(nothing.shape, 1e6 + 0j), nothing, nothing, freqs_hz, nothing[0])
    held = np.isfinite(response.log)
    assert held.any() and (response.coherence[held] == 1.0).all()
