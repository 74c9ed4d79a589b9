"""The manifest: the fields its format promises, the figures of the files, the same on every run."""

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from premix.delivery.manifest import manifest, to_plain
from premix.delivery.package import add_to_json, write_json
from premix.pipeline import render
from tests.delivery.conftest import FRAMES, LATE, RATE, START, Rendered

PROMISED = {
    "premix",
    "recipe",
    "rate",
    "inputs",
    "alignment",
    "sum_efficiency_db",
    "gate",
    "files",
    "mono",
    "trim_db",
    "findings",
    "format",
}
PROMISED_WITHIN = {
    "inputs": {"performance", "mic", "path", "sha256", "frames"},
    "alignment": {
        "performance",
        "mic",
        "reference",
        "delay_samples",
        "delay_ms",
        "distance_cm",
        "polarity",
        "origin",
        "margin_db",
        "coherence",
    },
    "sum_efficiency_db": {"performance", "before", "after"},
    "gate": {"performance", "threshold_db", "riff", "open"},
    "files": {
        "part",
        "kind",
        "performance",
        "bus",
        "path",
        "channels",
        "frames",
        "bits",
        "sha256",
        "sample_peak_dbfs",
        "true_peak_dbtp",
        "loudness_lufs",
    },
}


@pytest.fixture(scope="module")
def document(rendered: Rendered) -> dict[str, Any]:
    """The manifest as any program reads it."""
    document: dict[str, Any] = json.loads((rendered.out / "manifest.json").read_text("utf-8"))
    return document


def test_promised_fields_are_there(document: dict[str, Any]) -> None:
    """What the format names at least."""
    assert document.keys() >= PROMISED
    assert document["format"] == 1
    assert document["recipe"].keys() >= {"merged", "sha256"}
    assert document["mono"].keys() >= {"correlation", "fold_db"}
    for key, fields in PROMISED_WITHIN.items():
        assert document[key]
        for entry in document[key]:
            assert entry.keys() >= fields


def test_inputs_are_as_recorded(document: dict[str, Any], rendered: Rendered) -> None:
    """Path below the tracks folder, start, and the hash of the data chunk."""
    for entry in document["inputs"]:
        content = (rendered.tracks / entry["path"]).read_bytes()
        data = content.index(b"data") + 8
        assert entry["sha256"] == hashlib.sha256(content[data : data + 3 * FRAMES]).hexdigest()
        assert entry["start_samples"] == (LATE if entry["performance"] == "right" else 0)
    assert document["time_reference"] == START
    assert document["frames"] == FRAMES + LATE


def test_files_are_as_said(document: dict[str, Any], rendered: Rendered) -> None:
    """Each part's file exists once, is as long as all, and has the channels, the peak and the hash that are said."""
    parts = [entry["part"] for entry in document["files"]]
    assert sorted(parts) == sorted({*parts})
    assert {entry["kind"] for entry in document["files"]} == {"stem", "room", "bus", "guitar_bus"}
    for entry in document["files"]:
        samples, rate = soundfile.read(rendered.out / entry["path"], dtype="float32", always_2d=True)
        assert (rate, samples.shape) == (RATE, (FRAMES + LATE, entry["channels"]))
        assert entry["sha256"] == hashlib.sha256(samples.astype("<f4").tobytes()).hexdigest()
        peak_dbfs = 20 * math.log10(np.abs(samples).max())
        assert entry["sample_peak_dbfs"] == pytest.approx(peak_dbfs, abs=1e-5)  # 32-bit rounding: 5e-7 dB
        assert entry["overs"] == 0


def test_stated_gains_null_stems_and_rooms_against_buses(document: dict[str, Any], rendered: Rendered) -> None:
    """Files at `gain_to_bus_db`, read by soundfile: each bus is its stems and rooms; and the guitar bus is the
    buses at the pan gains, the width and the gain that are stated."""
    audio = {e["part"]: soundfile.read(rendered.out / e["path"], always_2d=True)[0].T for e in document["files"]}
    mid, side = np.zeros(FRAMES + LATE), np.zeros(FRAMES + LATE)
    for bus in document["buses"]:
        fed = sum(
            10 ** (e["gain_to_bus_db"] / 20) * audio[e["part"]][0]
            for e in document["files"]
            if e["bus"] == bus["bus"] and e["kind"] in ("stem", "room")
        )
        written = audio[f"bus_{bus['bus']}"][0]
        # each float file rounds to 2^-24 of its level, about -160 dB here
        assert np.abs(fed - written).max() < 10 ** (-140 / 20)
        mid += (bus["left_gain"] + bus["right_gain"]) / 2 * written
        side += (bus["left_gain"] - bus["right_gain"]) / 2 * written
    side *= document["guitar_bus"]["width"]
    stereo = 10 ** (document["guitar_bus"]["gain_db"] / 20) * np.stack([mid + side, mid - side])
    assert np.abs(stereo - audio["guitars"]).max() < 10 ** (-140 / 20)


def test_all_files_of_the_folder_are_listed(document: dict[str, Any], rendered: Rendered) -> None:
    """So that the next run knows what it may replace."""
    there = {p.relative_to(rendered.out).as_posix() for p in rendered.out.rglob("*") if p.is_file()}
    assert set(document["written"]) == there


def test_rerun_writes_the_same_manifest_and_samples(rendered: Rendered, tmp_path: Path) -> None:
    """No clock, no absolute path, no order that changes: byte for byte, the audio files too."""
    render(rendered.tracks.parent / "recipe.yaml", rendered.tracks, tmp_path / "out")
    for path in rendered.out.rglob("*"):
        if path.is_file():
            assert (tmp_path / "out" / path.relative_to(rendered.out)).read_bytes() == path.read_bytes()
    assert str(tmp_path) not in (tmp_path / "out" / "manifest.json").read_text()
    assert str(rendered.tracks) not in (tmp_path / "out" / "manifest.json").read_text()


def test_manifest_of_the_run_is_what_was_written(document: dict[str, Any], rendered: Rendered) -> None:
    """`--json` prints the same as the file holds, but for the list of files."""
    printed = json.loads(json.dumps(manifest(rendered.run)))
    assert printed == {key: value for key, value in document.items() if key != "written"}


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (np.float64(0.1), 0.1),
        (np.int64(3), 3),
        (np.bool_(True), True),
        (float("nan"), None),
        (-math.inf, None),
        (np.float64("inf"), None),
        ((1, (2.5,)), [1, [2.5]]),
        (Path("a") / "b", "a/b"),
        ({1: (None,)}, {"1": [None]}),
        (True, True),
        ("text", "text"),
    ],
)
def test_values_become_what_json_knows(value: object, plain: object) -> None:
    """NaN is no JSON; numpy's numbers are not Python's."""
    made = to_plain(value)
    assert made == plain
    assert type(made) is type(plain)


def test_nan_is_never_written(tmp_path: Path) -> None:
    """Python would write 'NaN', which most readers refuse."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json(tmp_path / "a.json", {"a": math.nan})


def test_a_key_added_at_the_end_is_as_if_it_had_been_there(tmp_path: Path) -> None:
    """The same bytes as of the whole document; what somebody else wrote is left alone."""
    document = {"song": "Ebb – Flut", "spans": [[0.5, 1.25]], "none": {}}
    write_json(tmp_path / "whole.json", {**document, "written": ["a.wav", "stems/ß.wav"]})
    write_json(tmp_path / "added.json", document)
    add_to_json(tmp_path / "added.json", "written", ["a.wav", "stems/ß.wav"])
    assert (tmp_path / "added.json").read_bytes() == (tmp_path / "whole.json").read_bytes()
    (tmp_path / "other.json").write_text('{"a": 1}')
    with pytest.raises(ValueError, match=r"other\.json"):
        add_to_json(tmp_path / "other.json", "written", [])
