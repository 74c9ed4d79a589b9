"""What a stretch may say of a mic: a band in which nobody plays says nothing, and a sub mic alone nothing against the
reference."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfiltfilt

from premix.model.song import Song
from premix.pipeline import prepare
from tests.rigs.cabinets import random_cabinet
from tests.rigs.faults import shifted, spliced
from tests.rigs.noises import drums
from tests.rigs.sessions import write_song

RATE = 48000
SECONDS = 20.0
Signal = np.ndarray


def aligned(folder: Path, roles: dict[str, str], signals: dict[str, Signal]) -> Song:
    mics = ", ".join(f"{name}: {{role: {role}}}" for name, role in roles.items())
    loudest = max(float(np.abs(signal).max()) for signal in signals.values())
    recipe = f"format: 1\nmics: {{{mics}}}\nperformances: {{left: {{bus: left}}}}\n"
    files = write_song(folder, recipe, {f"left_{name}": 0.5 * x / loudest for name, x in signals.items()})
    with prepare(files.recipe, files.tracks) as prepared:
        return prepared.song


def told(song: Song) -> dict[str, str]:
    """Mic -> slug of what is told of it."""
    return {f.subject.split("/")[1]: f.slug for f in song.findings if f.slug.startswith("alignment-")}


def low_notes_rest(seed: int) -> dict[str, Signal]:
    """Three mics on a noise that plays as a riff does, with stops, each with a rumble of its own 55 dB below. From 7 to
    15 s nothing is played below 110 Hz, so that there the lowest bands hold the rumble alone."""
    rng = np.random.default_rng(seed)
    times = np.arange(round(SECONDS * RATE)) / RATE
    played = ((times % 0.4 < 0.37) & (times % 2.0 < 1.5)) * rng.standard_normal(len(times))
    source = sosfilt(butter(1, 3000.0, fs=RATE, output="sos"), played)
    high = sosfiltfilt(butter(8, 110.0, "high", fs=RATE, output="sos"), source)
    source = spliced(spliced(source, high, 7 * RATE, 480), source, 15 * RATE, 480)
    mics = {"dynamic": source, "condenser": shifted(source, 40.0), "ribbon": 0.8 * shifted(source, 21.0)}
    rumble = sosfilt(butter(2, 70.0, fs=RATE, output="sos"), rng.standard_normal((len(mics), len(times))))
    rumble *= 10.0 ** (-55.0 / 20.0) * source.std() / rumble.std()
    return {name: x + own for own, (name, x) in zip(rumble, mics.items(), strict=True)}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_band_in_which_nobody_plays_says_nothing(tmp_path: Path, seed: int) -> None:
    """What chance leaves of the noise there is 60 dB and more from one stretch or mic to the next. A tenth of a dB is
    what a riff's notes move the level of a mic by."""
    song = aligned(tmp_path, dict.fromkeys(("dynamic", "condenser", "ribbon"), "close"), low_notes_rest(seed))
    assert told(song) == {}
    levels = np.array([trail.level_db for trail in song.performances[0].steadiness])
    assert np.abs(levels).max() < 0.1


@pytest.mark.parametrize("seed", [5, 8])
def test_a_sub_mic_turns_against_a_reference_alone(tmp_path: Path, seed: int) -> None:
    """One close mic, whose sum with the sub is all there is to hold anybody against; the room is in no sum."""
    rig = random_cabinet(seed, seconds=SECONDS, n_close=1, room=True, via="pyroomacoustics")
    signals = dict(zip(rig.names, rig.signals, strict=True))
    turned = spliced(signals["sub"], -signals["sub"], 6 * RATE, 0)
    signals["sub"] = spliced(turned, signals["sub"], 11 * RATE, 0)
    song = aligned(tmp_path, {mic.name: mic.role for mic in rig.mics}, signals)
    assert told(song) == {"sub": "alignment-turned"}


@pytest.mark.parametrize(("seed", "db"), [(0, -11.0), (0, -6.0), (1, -11.0)])
def test_drums_after_the_guitar_move_nobody(tmp_path: Path, seed: int, db: float) -> None:
    """Drums, which come to every mic by a way of their own, go on for two seconds after the riff."""
    rig = random_cabinet(seed, seconds=SECONDS, sub=False, bleed_db=None)
    stop, rng = round((SECONDS - 2.2) * RATE), np.random.default_rng(seed)
    hits = drums(rig.signals.shape[1], RATE, np.random.default_rng(seed))
    signals = {}
    for name, x in zip(rig.names, rig.signals, strict=True):
        late = round(rng.uniform(0.005, 0.02) * RATE)
        heard = sosfilt(butter(1, rng.uniform(2000.0, 9000.0), fs=RATE, output="sos"), np.roll(hits, late))
        played = spliced(x, np.zeros(len(x)), stop, 480)
        signals[name] = played + 10.0 ** (db / 20.0) * x[:stop].std() * heard
    assert told(aligned(tmp_path, dict.fromkeys(rig.names, "close"), signals)) == {}
