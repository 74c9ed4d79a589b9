"""A render held against an approved one: null test of folders and files, and what changed by the manifests."""

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest
import soundfile

from premix.delivery.against import compare, null
from premix.delivery.documents import read_manifest
from premix.errors import UserError
from premix.model.manifest import FileEntry, InputEntry, Manifest
from premix.model.mix import ChainFile
from premix.model.song import RecipeEntry
from tests.conftest import RenderedDemo
from tests.delivery.conftest import Rendered

Hashed = TypeVar("Hashed", FileEntry, InputEntry, RecipeEntry, ChainFile)


@pytest.fixture(scope="module")
def manifest(rendered: Rendered) -> Manifest:
    """As it was approved: two files, one input."""
    whole = read_manifest(rendered.out)
    return replace(whole, inputs=whole.inputs[:1], files=(whole.files[0], whole.files[-1]))


def other(entry: Hashed) -> Hashed:
    """The same file with other content."""
    return replace(entry, sha256="other")


def told(expected: Manifest, rendered: Manifest) -> list[tuple[str, str]]:
    return [(f.slug, f.subject) for f in compare(expected, rendered)]


def test_the_same_samples_need_no_excuse(manifest: Manifest) -> None:
    """Other versions alone are no difference."""
    assert told(manifest, replace(manifest, premix="2")) == []


def test_the_file_that_differs_is_named_with_the_cause(manifest: Manifest) -> None:
    """Input, recipe, version: each cause the manifests know of; a part that is gone and one that is new."""
    stem, guitars = manifest.files
    rendered = replace(
        manifest,
        files=(other(stem), replace(guitars, part="bus_left")),
        premix="2",
        recipe=other(manifest.recipe),
        inputs=(other(manifest.inputs[0]),),
        libraries=manifest.libraries | {"numpy": "0"},
        alignment=(),
    )
    found = compare(manifest, rendered)
    assert [(f.slug, f.subject, f.message) for f in found] == [
        ("expect-file-differs", "stem_left", "has other samples"),
        ("expect-file-differs", "guitars", "is no longer rendered"),
        ("expect-file-differs", "bus_left", "is new"),
        ("expect-cause", "recipe", "the same keys, with other defaults or in another order"),
        ("expect-cause", "input left/dynamic", "has other samples"),
        ("expect-cause", "premix", f"version 2 instead of {manifest.premix}"),
        ("expect-cause", "numpy", f"version 0 instead of {manifest.libraries['numpy']}"),
    ]


def test_another_alignment_is_a_cause_where_no_other_is(manifest: Manifest) -> None:
    """A decision follows from the tracks and the recipe: it is told only where neither differs."""
    rendered = replace(manifest, files=tuple(map(other, manifest.files)), alignment=())
    assert told(manifest, rendered)[-1] == ("expect-cause", "alignment")
    assert ("expect-cause", "alignment") not in told(manifest, replace(rendered, premix="2"))


def test_an_edited_impulse_response_is_a_cause(manifest: Manifest) -> None:
    """By its place in the recipe; a chain that is new or gone is the recipe's doing."""
    file = ChainFile("mics.ribbon.chain[0].convolution.file", "small.wav", "a")
    old = replace(manifest, chain_files=(file,))
    changed = replace(old, files=(other(manifest.files[0]), manifest.files[1]))
    stem = ("expect-file-differs", "stem_left")
    assert told(old, replace(changed, chain_files=(other(file),))) == [stem, ("expect-cause", file.where)]
    moved = replace(file, where="guitar_bus.chain[0].convolution.file")
    rendered = replace(changed, chain_files=(moved,), recipe=other(manifest.recipe))
    assert told(old, rendered) == [stem, ("expect-cause", "recipe")]


def test_a_render_nulls_against_itself(rendered_demo: RenderedDemo, tmp_path: Path) -> None:
    """Every part, to digital zero."""
    copy = tmp_path / "copy"
    shutil.copytree(rendered_demo.out, copy)
    pairs = null(rendered_demo.out, copy)
    assert len(pairs) == len(rendered_demo.outcome.rendered.rendering.files)
    assert all(pair.result is not None and pair.result.identical for pair in pairs)


def test_one_step_of_24_bits_is_found_with_its_time(rendered_demo: RenderedDemo, tmp_path: Path) -> None:
    """One sample at 1.5 s changed by 2^-23: -138.5 dBFS, first difference to the sample."""
    copy = tmp_path / "copy"
    shutil.copytree(rendered_demo.out, copy)
    path = copy / rendered_demo.outcome.rendered.rendering.files[0].path
    samples, rate = soundfile.read(path, dtype="int32")
    samples[round(1.5 * rate)] ^= 1 << 8
    soundfile.write(path, samples, rate, subtype="PCM_24")
    first = null(rendered_demo.out, copy)[0].result
    assert first is not None
    assert first.first_difference_s == pytest.approx(1.5, abs=0.5 / rate)
    assert first.residual_peak_dbfs == pytest.approx(20 * np.log10(2.0**-23), abs=0.01)
    assert not first.holds(-140.0)
    assert first.holds(-138.0)


def test_a_missing_part_and_things_that_do_not_compare(rendered_demo: RenderedDemo, tmp_path: Path) -> None:
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
    stem = rendered_demo.out / rendered_demo.outcome.rendered.rendering.files[0].path
    for a, b in ((stem, copy), (stem, other)):
        with pytest.raises(UserError) as caught:
            null(a, b)
        assert caught.value.problems[0].slug == "null-mixed"
