"""Sessions that are more than one mic a mono file: a DI, a stereo room, two amps; unedited from a draft to a render."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.cli.main import run
from premix.demo.session import write_demo
from premix.draft.house import drafted
from premix.recipe.read import read_recipe
from premix.recipe.record import Recipe
from tests.draft.sources import RATE, in_room, late, performance, proposed, write_mics
from tests.rigs.sessions import FloatArray, parts_of, samples, write_track


@pytest.fixture(scope="module")
def rigs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's other set-ups, three seconds each; their song.yaml taken away, so that the draft is all there is."""
    top = tmp_path_factory.mktemp("rigs")
    for rig in ("di", "stereo_room", "two_amps"):
        write_demo(top / rig, seconds=3.0, rig=rig)
        (top / rig / "song.yaml").unlink()
    return {folder.name: folder for folder in top.iterdir()}


def rendered(tracks: Path, top: Path) -> tuple[Recipe, Path]:
    """The recipe of an unedited draft, and what it renders."""
    assert run(["draft", str(tracks), "--save", str(top / "recipe.yaml")]) == 0
    assert run(["render", str(top / "recipe.yaml"), str(tracks), "--out", str(top / "out"), "--no-report"]) == 0
    return read_recipe(top / "recipe.yaml").recipe, top / "out"


def renamed(tracks: Path, folder: Path, name: Callable[[str], str]) -> Path:
    """The tracks under other names."""
    folder.mkdir()
    for path in tracks.glob("*.wav"):
        (folder / f"{name(path.stem)}.wav").write_bytes(path.read_bytes())
    return folder


@pytest.mark.parametrize("word", ["di", "raw"], ids=["by name", "by sound"])
def test_a_di_is_delivered_and_in_no_sum(word: str, rigs: dict[str, Path], tmp_path: Path) -> None:
    """Called DI or not: of role di, asked for where only the audio says so, and delivered sample for sample."""
    tracks = renamed(rigs["di"], tmp_path / "song", lambda name: name.replace("_di", f"_{word}"))
    recipe, out = rendered(tracks, tmp_path)
    assert {name: mic.role for name, mic in recipe.mics.items()} == {
        "dynamic": "close", "ribbon": "close", "room": "room", word: "di"
    }  # fmt: skip
    dis = [part for part, entry in parts_of(out).items() if entry["kind"] == "di"]
    assert len(dis) == 3
    recorded, _ = soundfile.read(tracks / f"left_a_{word}.wav")
    assert np.array_equal(samples(out, next(part for part in dis if "left_a" in part))[0], recorded)
    text = (tmp_path / "recipe.yaml").read_text("utf-8")
    assert (f"? {word}: is it a DI" in text) == (word == "raw")


@pytest.mark.parametrize(("source", "role"), [("own", "di"), ("other", "close")])
def test_another_takes_clean_file_is_no_di(source: str, role: str, tmp_path: Path) -> None:
    """High peaks alone are none, where the file plays at other times than the mics beside it."""
    tracks: dict[str, FloatArray] = {}
    for number, side in enumerate(("left", "right")):
        played = performance(number)
        clean = played if source == "own" else performance(number + 5)[::-1]
        # Of a Gaussian signal, the 99.9th percentile is 10 dB above the rms; of its power of 2.5, 18 dB.
        clean = np.sign(clean) * np.abs(clean / np.max(np.abs(clean))) ** 2.5
        tracks |= {f"{side}_one": played, f"{side}_two": late(played, 0.4), f"{side}_three": clean}
    assert {mic.name: mic.role for mic in proposed(write_mics(tmp_path / "song", tracks)).mics}["three"] == role


@pytest.mark.parametrize(
    ("word", "split"), [("room", False), ("hall", False), ("room", True)], ids=["by name", "by sound", "two mono files"]
)
def test_a_stereo_room_stands_on_buses_of_its_own(
    word: str, split: bool, rigs: dict[str, Path], tmp_path: Path
) -> None:
    """One two-channel file or two mono ones: two room mics, left and right, each on its own bus."""
    tracks = renamed(rigs["stereo_room"], tmp_path / "song", lambda name: name.replace("room", word))
    for path in list(tracks.glob(f"*{word}.wav")) if split else []:
        data, _ = soundfile.read(path, always_2d=True)
        for channel, end in enumerate("LR"):
            write_track(path.with_stem(f"{path.stem}_{end}"), data[:, channel])
        path.unlink()
    recipe, out = rendered(tracks, tmp_path)
    rooms = {mic.bus: mic.channel for mic in recipe.mics.values() if mic.role == "room"}
    assert rooms == ({"room_left": None, "room_right": None} if split else {"room_left": "left", "room_right": "right"})
    assert {"bus_room_left", "bus_room_right"} <= set(parts_of(out))
    left, right = samples(out, "bus_room_left")[0], samples(out, "bus_room_right")[0]
    assert np.max(np.abs(left)) > 0.0 and not np.array_equal(left, right)


def test_two_channels_of_a_close_mics_file_are_two_mics(tmp_path: Path) -> None:
    """They are summed with the others, and asked for; a stereo file that belongs to nothing stays out."""
    for number, side in enumerate(("left", "right")):
        played = performance(number)
        write_mics(tmp_path / "song", {f"{side}_one": played, f"{side}_room": in_room(played, number, decay_s=0.5)})
        both = np.stack([late(played, 0.3), 0.5 * late(played, 0.8)], axis=1)
        soundfile.write(tmp_path / "song" / f"{side}_edge.wav", both, RATE, "PCM_24")
    soundfile.write(
        tmp_path / "song" / "everything.wav", np.stack([performance(8), performance(9)], axis=1), RATE, "PCM_24"
    )
    proposal = proposed(tmp_path / "song")
    assert {mic.name: (mic.role, mic.channel) for mic in proposal.mics} == {
        "one": ("close", None), "edge_1": ("close", 1), "edge_2": ("close", 2), "room": ("room", None)
    }  # fmt: skip
    assert [item.file for item in proposal.left_out] == ["everything.wav"]
    assert "? edge_1: are its two channels two mics? 'left_edge.wav', 'right_edge.wav'" in drafted([proposal]).recipe
    recipe, _ = rendered(tmp_path / "song", tmp_path)
    assert sorted(recipe.mics) == ["edge_1", "edge_2", "one", "room"]


@pytest.mark.parametrize("by", ["sound", "name"])
def test_two_amps_have_a_stem_each(by: str, rigs: dict[str, Path], tmp_path: Path) -> None:
    """Mics of one amp are coherent to 1.00, those of two to 0.97, or the names say it: a group and a stem each."""
    words = {"_a_": " Amp1 ", "_b_": " Amp2 "} if by == "name" else {}

    def name(old: str) -> str:
        for word, new in words.items():
            old = old.replace(word, new)
        return old

    recipe, out = rendered(renamed(rigs["two_amps"], tmp_path / "song", name), tmp_path)
    own = {group: {mic.rpartition("_")[2] for mic in entry.mics} for group, entry in recipe.groups.items()}
    one, two = ("amp_1", "amp_2") if by == "name" else ("amp_a", "amp_b")
    assert own == {one: {"dynamic", "ribbon"}, two: {"dynamic", "condenser"}}
    stems = [part for part, entry in parts_of(out).items() if entry["kind"] == "stem"]
    assert len(stems) == 4


def test_mics_of_one_amp_make_no_groups(tmp_path: Path) -> None:
    """Two pairs of mics with a letter each at one amp are alike, and share a stem."""
    tracks = {}
    for number, side in enumerate(("left", "right")):
        played = performance(number)
        for index, mic in enumerate(("x_dyn", "x_cond", "y_dyn", "y_cond")):
            tracks[f"{side}_{mic}"] = late(played, 0.2 * index)
    proposal = proposed(write_mics(tmp_path / "song", tracks))
    assert len(proposal.mics) == 4 and not proposal.groups
