"""The manifest: the fields its format promises, the figures of the files, the same on every run."""

import hashlib
import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from premix.delivery.documents import json_text, manifest, read_manifest, to_plain, write_json
from premix.errors import UserError
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


def test_what_is_read_back_is_what_the_run_told(rendered: Rendered) -> None:
    """Every record as it was, of a file that names each key in the type's order."""
    found = read_manifest(rendered.out)
    assert found == read_manifest(rendered.out / "manifest.json")
    assert replace(found, written=()) == manifest(rendered.run)
    assert (rendered.out / "manifest.json").read_text("utf-8") == json_text(found) + "\n"


def test_spans_of_the_gate_are_the_records_own(rendered: Rendered) -> None:
    """An hour has tens of thousands: neither the manifest nor what is written of it copies them."""
    told, performances = manifest(rendered.run), rendered.run.song.performances
    plain = to_plain(told)
    for entry, written, performance in zip(told.gate, plain["gate"], performances, strict=True):
        [room] = performance.rooms
        assert entry.riff is written["riff"] is performance.riff.spans
        assert entry.open is room.room.open


def test_later_keys_are_passed_over_and_earlier_manifests_read(document: dict[str, Any], tmp_path: Path) -> None:
    """Later versions add keys; what an earlier one lacked is as if there were none of it."""
    added = {**document, "weather": "rain", "files": [{**entry, "smell": "oil"} for entry in document["files"]]}
    for key in ("sheet", "chain_files", "buses", "onset_spread", "takes", "extra_trim_db", "written"):
        del added[key]
    (tmp_path / "manifest.json").write_text(json.dumps(added))
    found = read_manifest(tmp_path)
    assert to_plain(found.files) == document["files"]
    assert (found.sheet, found.chain_files, found.buses, found.extra_trim_db, found.written) == (None, (), (), 0.0, ())


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"premix": "1"}', "not json", "\udcff"])
def test_what_is_no_manifest_is_refused(tmp_path: Path, content: str) -> None:
    """One clear problem of one line, whatever stands in the file; the same for a missing one."""
    path = tmp_path / "manifest.json"
    path.write_bytes(content.encode("utf-8", "surrogateescape"))
    for place in (path, tmp_path, tmp_path / "nowhere"):
        with pytest.raises(UserError) as caught:
            read_manifest(place)
        (problem,) = caught.value.problems
        assert (problem.slug, problem.where) == ("not-a-manifest", str(place))
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("files", 0, "sha256"), None),
        (("files", 0, "frames"), "100"),
        (("alignment", 0, "origin"), "a guess"),
        (("gate", 0, "riff", 0), [1.0]),
        (("rate",), 48000.5),
        (("findings",), {}),
    ],
)
def test_a_malformed_entry_is_named(
    document: dict[str, Any], tmp_path: Path, place: tuple[str | int, ...], value: object
) -> None:
    """By its place in the document; nothing is taken for what it is not."""
    broken = json.loads(json.dumps(document))
    at = broken
    for step in place[:-1]:
        at = at[step]
    at[place[-1]] = value
    (tmp_path / "manifest.json").write_text(json.dumps(broken))
    with pytest.raises(UserError, match=re.escape(".".join(map(str, place)))):
        read_manifest(tmp_path)


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
    made = json.loads(json.dumps(to_plain(value), allow_nan=False))
    assert made == plain
    assert type(made) is type(plain)


def test_nan_is_never_written(tmp_path: Path) -> None:
    """Python would write 'NaN', which most readers refuse."""
    write_json(tmp_path / "a.json", {"a": math.nan, "b": (0.5, -math.inf)})
    assert json.loads((tmp_path / "a.json").read_text()) == {"a": None, "b": [0.5, None]}
