"""The demo's other sessions: what stands in truth.json is what a render finds, for two amps, a stereo room and a DI."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.cli.main import run
from premix.demo.line_ups import LINE_UPS, RigName
from premix.demo.session import DemoTruth, write_demo
from premix.pipeline import render
from premix.recipe.reference import FOLDER
from tests.rigs.sessions import decided, manifest_of, parts_of, samples


@pytest.fixture(scope="module")
def top(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rigs")


@pytest.fixture(scope="module")
def truths(top: Path) -> dict[str, DemoTruth]:
    """Each session, and what is true of it; rendered after the recipe of its name into <rig>_out."""
    made = {}
    for rig in ("two_amps", "stereo_room", "di"):
        made[rig] = write_demo(top / rig, seconds=5.0, rig=rig)
        render(FOLDER / f"{rig}.yaml", top / rig, top / f"{rig}_out", settings=["deliver.bits=32"])
    return made


@pytest.mark.parametrize("rig", ["two_amps", "stereo_room", "di"])
def test_polarity_and_delay_of_every_close_mic_are_the_truths(
    rig: str, truths: dict[str, DemoTruth], top: Path
) -> None:
    """Within 0.4 ms: a mic's colour adds its own group delay to the distance, and the second amp's cabinet its own."""
    found = decided(top / f"{rig}_out")
    for track in truths[rig].tracks:
        if track.role == "close":
            decision = found[track.performance, track.mic]
            assert decision["polarity"] == track.polarity, track.mic
            assert decision["delay_samples"] == pytest.approx(track.delay_samples, abs=0.0004 * 48000), track.mic
    assert not [f for f in manifest_of(top / f"{rig}_out")["findings"] if f["severity"] != "info"]


def test_two_amps_fold_into_mono_as_one_take_does(truths: dict[str, DemoTruth], top: Path) -> None:
    """In one performance nothing combs; as two performances, which nothing aligns, the fold loses some dB more, and
    a warning says why."""
    fold_db = manifest_of(top / "two_amps_out")["mono"]["fold_db"]
    apart = top / "apart.yaml"
    apart.write_text(
        "format: 1\nmics: {dynamic: {}}\nperformances:\n"
        "  a: {bus: left, mics: {dynamic: {file: first_a_dynamic.wav}}}\n"
        "  b: {bus: right, mics: {dynamic: {file: first_b_dynamic.wav}}}\n",
        "utf-8",
    )
    render(apart, top / "two_amps", top / "apart_out")
    (told,) = [f for f in manifest_of(top / "apart_out")["findings"] if f["slug"] == "same-take"]
    assert "one take through two amps" in told["message"] and told["severity"] == "warning"
    assert fold_db > -0.6
    assert manifest_of(top / "apart_out")["mono"]["fold_db"] < fold_db - 3.0


def test_one_amp_on_the_left_only_and_the_other_on_the_right(truths: dict[str, DemoTruth], top: Path) -> None:
    """`without`: each performance is aligned to its own first close mic, and nothing seems to have moved or turned."""
    recipe = top / "one_amp_each.yaml"
    recipe.write_text(
        (FOLDER / "two_amps.yaml").read_text("utf-8").partition("performances:")[0] + "performances:\n"
        "  first: {bus: left, without: [amp_b]}\n"
        "  second: {bus: right, without: [amp_a]}\n",
        "utf-8",
    )
    out = top / "one_amp_each_out"
    render(recipe, top / "two_amps", out)
    document, found = manifest_of(out), decided(out)
    assert {p["part"] for p in document["files"] if p["kind"] == "stem"} == {"stem_first_amp_a", "stem_second_amp_b"}
    assert {mic for (_, mic), d in found.items() if d["mic"] == d["reference"]} == {"a_dynamic", "b_dynamic"}
    ribbon, condenser = found["first", "a_ribbon"], found["second", "b_condenser"]
    truth = truths["two_amps"]
    assert ribbon["polarity"] == truth.track("first", "a_ribbon").polarity
    apart = [truth.track("second", mic) for mic in ("b_dynamic", "b_condenser")]
    assert condenser["polarity"] == apart[0].polarity * apart[1].polarity
    late_samples = apart[1].delay_samples - apart[0].delay_samples
    assert condenser["delay_samples"] == pytest.approx(late_samples, abs=0.0004 * 48000)
    assert [f["slug"] for f in document["findings"] if f["severity"] != "info"] == []
    assert document["roll_call"]["left_out"] == []


def test_each_side_of_the_stereo_room_is_its_own_channel(truths: dict[str, DemoTruth], top: Path) -> None:
    """Its file is what the mic of that side heard, at its gain and its bus's; the two sides differ."""
    out = top / "stereo_room_out"
    file, _ = soundfile.read(top / "stereo_room" / "left_a_room.wav")
    gain = 10.0 ** ((-3.0 - 3.0 + manifest_of(out)["trim_db"]) / 20.0)  # the mic, its bus, the trim
    for channel, side in enumerate(("left", "right")):
        delivered = samples(out, f"room_left_a_room_{side}")[0]
        open_ = np.abs(delivered) > 1e-3  # the gate is wide open where it is this loud, but for its ramps
        ratio = delivered[open_] / file[open_, channel] / gain
        assert np.median(np.abs(ratio)) == pytest.approx(1.0, abs=1e-3)
    assert {p["bus"] for p in parts_of(out).values() if p["kind"] == "room"} == {"room_left", "room_right"}


def test_the_di_is_the_file(truths: dict[str, DemoTruth], top: Path) -> None:
    """Sample for sample."""
    for performance in LINE_UPS["di"].performances:
        file, _ = soundfile.read(top / "di" / f"{performance}_di.wav")
        assert np.array_equal(samples(top / "di_out", f"di_{performance}")[0], file)


@pytest.mark.parametrize("rig", list(LINE_UPS))
def test_the_command_writes_each_rig(rig: RigName, tmp_path: Path) -> None:
    """premix demo DIR --rig NAME; a second time over the first."""
    words = ["demo", str(tmp_path / "s"), "--rig", rig, "--seconds", "3"]
    assert run(words) == run(words) == 0
    truth = DemoTruth.from_json((tmp_path / "s" / "truth.json").read_text("utf-8"))
    assert {(t.performance, t.mic) for t in truth.tracks} == {
        (p, m.name) for p in LINE_UPS[rig].performances for m in LINE_UPS[rig].mics
    }
    assert {t.path for t in truth.tracks} == {path.name for path in (tmp_path / "s").glob("*.wav")}
