"""A render held against an approved one: null test of folders and files, and what changed by the manifests."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.delivery.against import compare, null, read_manifest
from premix.errors import UserError


def manifest_of(**changes):
    """A small manifest with two files, one input."""
    plain = {
        "premix": "1",
        "libraries": {"numpy": "2"},
        "recipe": {"sha256": "r"},
        "alignment": [],
        "inputs": [{"performance": "left_a", "mic": "ribbon", "sha256": "i"}],
        "files": [{"part": "stem_left_a", "sha256": "s"}, {"part": "guitars", "sha256": "g"}],
    }
    return json.loads(json.dumps({**plain, **changes}))


def told(expected, rendered):
    return [(f.slug, f.subject) for f in compare(expected, rendered)]


def test_the_same_samples_need_no_excuse():
    """Other versions alone are no difference."""
    assert told(manifest_of(), manifest_of(premix="2")) == []


def test_the_file_that_differs_is_named_with_the_cause():
    """Input, recipe, version: each cause the manifests know of; a part that is gone and one that is new."""
    changed = [{"part": "stem_left_a", "sha256": "other"}, {"part": "bus_left", "sha256": "b"}]
    rendered = manifest_of(
        files=changed,
        premix="2",
        recipe={"sha256": "q"},
        inputs=[{"performance": "left_a", "mic": "ribbon", "sha256": "j"}],
    )
    assert told(manifest_of(), rendered) == [
        ("expect-file-differs", "stem_left_a"),
        ("expect-file-differs", "guitars"),
        ("expect-file-differs", "bus_left"),
        ("expect-cause", "input left_a/ribbon"),
        ("expect-cause", "recipe"),
        ("expect-cause", "premix"),
    ]


def test_an_edited_impulse_response_is_a_cause():
    """By its place in the recipe; a chain that is new or gone is the recipe's doing."""
    where, other = "mics.ribbon.chain[0].convolution.file", "guitar_bus.chain[0].convolution.file"
    old, edited = ([{"where": where, "name": "small.wav", "sha256": sha}] for sha in ("a", "b"))
    changed = [{"part": "stem_left_a", "sha256": "other"}, {"part": "guitars", "sha256": "g"}]
    stem = ("expect-file-differs", "stem_left_a")
    assert told(manifest_of(chain_files=old), manifest_of(chain_files=edited, files=changed)) == [
        stem,
        ("expect-cause", where),
    ]
    moved = [{"where": other, "name": "small.wav", "sha256": "a"}]
    rendered = manifest_of(chain_files=moved, files=changed, recipe={"sha256": "q"})
    assert told(manifest_of(chain_files=old), rendered) == [stem, ("expect-cause", "recipe")]


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"premix": "1"}', "not json"])
def test_what_is_no_manifest_is_refused(tmp_path: Path, content: str):
    """One clear problem, whatever stands in the file; the same for a missing one."""
    path = tmp_path / "manifest.json"
    path.write_text(content)
    for place in (path, tmp_path, tmp_path / "nowhere"):
        with pytest.raises(UserError) as caught:
            read_manifest(place)
        assert [p.slug for p in caught.value.problems] == ["not-a-manifest"]


def test_a_render_nulls_against_itself(rendered_demo, tmp_path: Path):
    """Every part, to digital zero."""
    copy = tmp_path / "copy"
    shutil.copytree(rendered_demo.out, copy)
    pairs = null(rendered_demo.out, copy)
    assert len(pairs) == len(rendered_demo.outcome.run.rendering.files)
    assert all(pair.result is not None and pair.result.identical for pair in pairs)


def test_one_step_of_24_bits_is_found_with_its_time(rendered_demo, tmp_path: Path):
    """One sample at 1.5 s changed by 2^-23: -138.5 dBFS, first difference to the sample."""
    copy = tmp_path / "copy"
    shutil.copytree(rendered_demo.out, copy)
    path = copy / rendered_demo.outcome.run.rendering.files[0].path
    samples, rate = soundfile.read(path, dtype="int32")
    samples[round(1.5 * rate)] ^= 1 << 8
    soundfile.write(path, samples, rate, subtype="PCM_24")
    first = null(rendered_demo.out, copy)[0].result
    assert first.first_difference_s == pytest.approx(1.5, abs=0.5 / rate)
    assert first.residual_peak_dbfs == pytest.approx(20 * np.log10(2.0**-23), abs=0.01)
    assert not first.holds(-140.0)
    assert first.holds(-138.0)


def test_a_missing_part_and_things_that_do_not_compare(rendered_demo, tmp_path: Path):
    """A part without its counterpart is told; a file against a folder and other rates are refused."""
    copy = tmp_path / "copy"
    shutil.copytree(rendered_demo.out, copy)
    document = json.loads((copy / "manifest.json").read_text())
    gone = document["files"].pop()
    (copy / "manifest.json").write_text(json.dumps(document))
    missing = [pair for pair in null(rendered_demo.out, copy) if pair.result is None]
    assert [(pair.name, pair.missing_in) for pair in missing] == [(gone["part"], str(copy))]
    other = tmp_path / "other.wav"
    soundfile.write(other, np.zeros(100), 44100, subtype="PCM_24")
    stem = rendered_demo.out / rendered_demo.outcome.run.rendering.files[0].path
    for a, b in ((stem, copy), (stem, other)):
        with pytest.raises(UserError) as caught:
            null(a, b)
        assert caught.value.problems[0].slug == "null-mixed"
