"""What a draft hears: subs, rooms, silence, doubles, and tracks that belong elsewhere, each at the edge of its rule."""

from pathlib import Path

import numpy as np
import pytest

from premix.draft.write import recipe_text
from tests.draft.sources import RATE, in_room, late, performance, proposed, with_lows, write_mics
from tests.rigs.sessions import FloatArray


def roles(folder: Path) -> dict[str, str]:
    """Role by mic."""
    return {mic.name: mic.role for mic in proposed(folder).mics}


@pytest.mark.parametrize(
    ("own", "others", "role"),
    [(0.6, 0.05, "sub"), (0.2, 0.02, "sub"), (0.4, 0.3, "close"), (0.08, 0.005, "close")],
    ids=["both", "both, barely", "lows like the others", "few lows"],
)
def test_a_sub_has_many_lows_and_more_than_the_others(own: float, others: float, role: str, tmp_path: Path) -> None:
    """Neither a large share of power below 150 Hz alone makes a sub mic, nor a large ratio to the other mics alone."""
    played = {side: performance(number) for number, side in enumerate(("left", "right"))}
    lateness = {"one": 0.0, "two": 0.4, "three": 0.9}
    shares = {"one": others, "two": others, "three": own}
    tracks = {
        f"{side}_{mic}": late(with_lows(signal, share), lateness[mic])
        for side, signal in played.items()
        for mic, share in shares.items()
    }
    assert roles(write_mics(tmp_path / "song", tracks)) == {"one": "close", "two": "close", "three": role}


@pytest.mark.parametrize("decay_s", [0.3, 0.9, 1.8])
def test_a_room_is_heard_by_its_late_energy_and_never_muted(decay_s: float, tmp_path: Path) -> None:
    """From a dry room to one so live that little of it is coherent: a room mic, nothing muted, nothing asked."""
    tracks: dict[str, FloatArray] = {}
    for number, side in enumerate(("left", "right")):
        played = performance(number)
        tracks[f"{side}_one"] = played
        tracks[f"{side}_two"] = late(played, 0.6)
        tracks[f"{side}_three"] = in_room(played, number, decay_s=decay_s)
    proposal = proposed(write_mics(tmp_path / "song", tracks))
    assert {mic.name: mic.role for mic in proposal.mics} == {"one": "close", "two": "close", "three": "room"}
    assert "mute" not in recipe_text(proposal) and "# ?" not in recipe_text(proposal)


def test_late_alone_is_no_room(tmp_path: Path) -> None:
    """A close mic whose file starts 7 ms late has no late energy, and stays a close mic."""
    played = {side: performance(number) for number, side in enumerate(("left", "right"))}
    tracks = {
        f"{side}_{mic}": late(x, ms)
        for side, x in played.items()
        for mic, ms in (("one", 0), ("two", 0.5), ("three", 7))
    }
    assert set(roles(write_mics(tmp_path / "song", tracks)).values()) == {"close"}


@pytest.mark.parametrize(("far", "role"), [("close", "close"), ("room", "room")])
def test_far_is_a_weak_word(far: str, role: str, tmp_path: Path) -> None:
    """A mic called far is the farther of two close mics or a room mic, as the audio says."""
    tracks: dict[str, FloatArray] = {}
    for number, side in enumerate(("left", "right")):
        played = performance(number)
        tracks |= {f"{side}_near": played, f"{side}_edge": late(played, 0.1)}
        tracks[f"{side}_far"] = late(played, 1.2) if far == "close" else in_room(played, number, decay_s=0.6)
    assert roles(write_mics(tmp_path / "song", tracks))["far"] == role


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_files_of_16_bits_and_more_are_tracks(subtype: str, tmp_path: Path) -> None:
    """16 bits, as the shipped demo stems have them, are enough; nothing is left out."""
    tracks = {f"{side}_{mic}": performance(n) for n, side in enumerate(("left", "right")) for mic in ("one",)}
    proposal = proposed(write_mics(tmp_path / "song", tracks, subtype))
    assert len(proposal.tracks) == 2 and not proposal.left_out


def test_files_of_8_bits_are_none(tmp_path: Path) -> None:
    """Eight bits are left out, and told."""
    write_mics(tmp_path / "song", {"left_one": performance(1), "right_one": performance(2)})
    import soundfile

    soundfile.write(tmp_path / "song" / "left_two.wav", performance(1), RATE, "PCM_U8")
    assert [(item.file, item.why) for item in proposed(tmp_path / "song").left_out] == [
        ("left_two.wav", "its samples have 8 bits")
    ]


def outside_the_windows(seconds: float = 20.0) -> slice:
    """The first second: the windows that a draft reads of 20 seconds begin later."""
    return slice(0, RATE)


def test_a_track_that_sounds_once_is_not_silent(tmp_path: Path) -> None:
    """A mic that is heard only outside the windows is no dead one; one that never sounds is."""
    played = performance(3, 20.0)
    once = np.zeros(len(played))
    once[outside_the_windows()] = played[outside_the_windows()]
    tracks = {"left_one": played, "left_two": late(played, 0.4), "left_three": once, "left_four": np.zeros(len(played))}
    muted = {track.mic: track.note for track in proposed(write_mics(tmp_path / "song", tracks)).tracks if track.mute}
    assert set(muted) == {"four"} and muted["four"].startswith("silent from start to end")


def test_files_that_are_equal_in_the_windows_alone_are_two(tmp_path: Path) -> None:
    """Two files that differ outside the windows are two tracks; equal from start to end, one is left out."""
    played = performance(4, 20.0)
    other = played.copy()
    other[outside_the_windows()] *= 0.5
    tracks = {
        "left_one": played,
        "left_two": other,
        "right_one": performance(5, 20.0),
        "right_two": performance(5, 20.0),
    }
    proposal = proposed(write_mics(tmp_path / "song", tracks))
    assert [item.file for item in proposal.left_out] == ["right_two.wav"]
    assert {track.file for track in proposal.tracks} == {"left_one.wav", "left_two.wav", "right_one.wav"}


def test_which_of_two_is_the_stranger_needs_a_third(tmp_path: Path) -> None:
    """Two tracks that do not cohere: neither is muted, both are asked for. A third says which one is the odd one."""
    left, other, right = performance(6), performance(7), performance(8)
    tracks = {"left_one": left, "left_two": other, "right_one": right, "right_two": late(right, 0.5)}
    two = proposed(write_mics(tmp_path / "two", tracks))
    assert len(two.tracks) == 4 and not any(track.mute for track in two.tracks)
    assert "'left_one.wav', 'left_two.wav' are one performance by their names, two by their sound" in recipe_text(two)
    tracks |= {"left_three": late(left, 0.3), "right_three": late(right, 0.3)}
    three = proposed(write_mics(tmp_path / "three", tracks))
    assert [(track.performance, track.mic) for track in three.tracks if track.mute] == [("left", "two")]


def test_a_room_mic_that_hears_something_else_is_asked_for(tmp_path: Path) -> None:
    """Noise under a room's name is kept and asked for; another performance's room is muted and named."""
    rng = np.random.default_rng(10)
    tracks: dict[str, FloatArray] = {}
    for number, side in enumerate(("left", "right", "centre")):
        played = performance(20 + number)
        tracks |= {f"{side}_one": played, f"{side}_two": late(played, 0.3)}
        tracks[f"{side}_room"] = in_room(played, number, decay_s=0.4)
    tracks["left_room"] = 0.1 * rng.standard_normal(len(tracks["left_one"]))
    tracks["right_room"] = 0.9 * tracks["centre_room"]
    rows = {(track.performance, track.mic): track for track in proposed(write_mics(tmp_path / "song", tracks)).tracks}
    assert "it hears nothing of its own performance" in rows["left", "room"].note and not rows["left", "room"].mute
    assert "it sounds like a track of centre" in rows["right", "room"].note and rows["right", "room"].mute


def test_every_question_names_its_files(tmp_path: Path) -> None:
    """Doubtful names, a silent track, a role that the sound denies, a side that nothing tells: each with its file."""
    one, two = performance(11), performance(12)
    tracks = {
        "A dyn": one, "A cond": late(one, 0.3), "A room": late(one, 0.5), "A ribbon": two,
        "B dyn": two, "B cond": late(two, 0.3), "B room": late(two, 0.5), "B ribbon": np.zeros(len(two)),
        "B DI": performance(13), "A dyn copy": one,
    }  # fmt: skip
    text = recipe_text(proposed(write_mics(tmp_path / "song", tracks)))
    asked = [line for line in text.splitlines() if line.lstrip().startswith("# ?")]
    assert len(asked) >= 5
    assert all(".wav'" in line or "? no file of " in line for line in asked), asked
