"""Real electric-guitar samples, clipped, through simulated cabinets and mics: the whole render runs and aligns right.

The samples are CC0 (tests/fixtures/guitar/CREDITS.md).
"""

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import pytest

from premix.pipeline import render
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.riffs import amped, arrange, stop_and_go
from tests.rigs.sessions import decided, manifest_of, parts_of, riff, samples, write_song

RATE = 48000


def recipe_of(roles: Mapping[str, str], performances: Iterable[str]) -> str:
    """Mics by role, at 0 dB; performances on the bus that their names begin with."""
    mics = "\n".join(f"  {name}: {{role: {role}}}" for name, role in roles.items())
    parts = "\n".join(f"  {p}: {{bus: {p.split('_')[0]}}}" for p in performances)
    return f"format: 1\nsong: Real\nmics:\n{mics}\nperformances:\n{parts}\n"


@pytest.fixture(scope="module")
def cabinet(tmp_path_factory: pytest.TempPathFactory) -> tuple[Rig, Path]:
    """Two takes of a real guitar through one set-up: three close mics, a sub and a room mic. Gives rig and OUT."""
    rigs = {}
    for take, name in enumerate(("left", "right")):
        rng = np.random.default_rng([take, 21])
        arrangement = arrange(rng, 120.0, 2)
        amp = amped(arrangement, round(arrangement.seconds * RATE), RATE, rng, "real")
        rigs[name] = random_cabinet(4, take=take, source=amp, room=True, n_speakers=1)
    tracks = {f"{name}_{mic}": s for name, rig in rigs.items() for mic, s in zip(rig.names, rig.signals, strict=True)}
    roles = dict(zip(rigs["left"].names, rigs["left"].roles, strict=True))
    song = write_song(tmp_path_factory.mktemp("real"), recipe_of(roles, rigs), tracks)
    render(song.recipe, song.tracks, song.out())
    return rigs["left"], song.out()


def test_whole_set_is_written_and_sounds(cabinet: tuple[Rig, Path]) -> None:
    """Stems, rooms, buses and guitar bus of both performances, none silent, none over the ceiling."""
    _, out = cabinet
    parts = parts_of(out)
    kinds = {f"{kind}_{name}" for kind in ("stem", "room", "bus") for name in ("left", "right")}
    assert set(parts) == kinds | {"guitars"}
    for part, entry in parts.items():
        assert 0.003 < np.max(np.abs(samples(out, part))) < 1.0
        assert entry["true_peak_dbtp"] <= -1.0


def test_polarities_are_those_of_the_wiring(cabinet: tuple[Rig, Path]) -> None:
    """Close, sub and room mics of both performances, against the rig's truth."""
    rig, out = cabinet
    found = decided(out)
    for performance in ("left", "right"):
        assert [found[performance, mic]["polarity"] for mic in rig.names] == rig.polarities.tolist()
    assert set(rig.polarities.tolist()) == {1, -1}


def test_close_mics_are_where_they_stand(cabinet: tuple[Rig, Path]) -> None:
    """Within 3 samples of distance and converter, for broadband mics: mild colours have a phase of their own."""
    rig, out = cabinet
    found = decided(out)
    for mic, role, delay in zip(rig.names, rig.roles, rig.delays, strict=True):
        if role == "close":
            assert found["left", mic]["delay_samples"] == pytest.approx(delay, abs=3.0)


def test_sum_gains_what_alignment_can_give(cabinet: tuple[Rig, Path]) -> None:
    """From some dB below the limit to within 1 dB of it, for both performances."""
    _, out = cabinet
    for entry in manifest_of(out)["sum_efficiency_db"]:
        assert entry["after"] > -1.0
        assert entry["after"] - entry["before"] > 1.5


def test_riff_of_a_real_guitar_is_found(tmp_path: Path) -> None:
    """Every start and stop within 10 ms of when the pick sounds and the hand mutes; F = 1.00.

    A long sustain that has decayed by 30 dB ends nearer to the hiss: its stop may be 25 ms off.
    """
    played = stop_and_go(3, n_bars=3, sustain_db=-12.0)
    tracks = {f"left_{mic}": 0.5 * s for mic, s in zip(played.key_mics, played.key, strict=True)}
    tracks["left_room"] = 0.5 * played.room
    roles = {**dict.fromkeys(played.key_mics, "close"), "room": "room"}
    peak = max(np.max(np.abs(s)) for s in tracks.values())
    song = write_song(tmp_path, recipe_of(roles, ["left"]), {name: 0.8 * s / peak for name, s in tracks.items()})
    render(song.recipe, song.tracks, song.out())
    (gate,) = manifest_of(song.out())["gate"]
    assert len(gate["riff"]) == len(played.spans) >= 4
    for (on, off), (true_on, true_off) in zip(gate["riff"], played.spans, strict=True):
        assert on == pytest.approx(true_on, abs=0.010)
        assert off == pytest.approx(true_off, abs=0.010)
    assert gate["reduction_db"] > 15.0


def test_two_takes_are_not_taken_for_one(cabinet: tuple[Rig, Path], tmp_path: Path) -> None:
    """Different performances of one riff are no copies of each other; a copied file is found out."""
    _, out = cabinet
    assert not [f for f in manifest_of(out)["findings"] if f["slug"] == "same-take"]
    take = riff(1, 2 * RATE)
    song = write_song(
        tmp_path, recipe_of({"dynamic": "close"}, ["left", "right"]), {"left_dynamic": take, "right_dynamic": take}
    )
    render(song.recipe, song.tracks, song.out())
    assert [f["slug"] for f in manifest_of(song.out())["findings"] if f["slug"] == "same-take"] == ["same-take"]
