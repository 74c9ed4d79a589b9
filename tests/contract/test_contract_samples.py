"""Not one sample changes: every file of every render, by its hash, or by its levels where the machine is another."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.contract import stored
from tests.contract.samples import differences, sounds
from tests.contract.workshop import HEARD, RENDERS, Workshop, sounds_of

EXPECTED = stored.read(stored.HASHES)["files"]
SCHEMA = jsonschema.Draft202012Validator(stored.read(stored.SCHEMA))


def _faults(manifest: dict[str, Any], files: set[str]) -> Iterator[str]:
    """What is wrong with a manifest's shape, or between it and the folder."""
    for error in SCHEMA.iter_errors(manifest):
        yield f"{error.json_path}: {error.message[:200]}"
    if {file["path"] for file in manifest["files"]} != files:
        yield "its files are not those of the folder"
    if not files <= set(manifest["written"]):
        yield "not all files are among those written"


def test_the_schema_is_one() -> None:
    """Of JSON Schema 2020-12; and everything that is made is expected."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA.schema)
    assert list(EXPECTED) == list(HEARD)


@pytest.mark.parametrize("name", HEARD)
def test_every_sample_is_what_it_was(shop: Workshop, to_the_bit: bool, name: str) -> None:
    """Names, formats, start times and samples of all files; a render's manifest has the shape it had."""
    found = sounds_of(shop, name)
    assert differences(EXPECTED[name], found, to_the_bit=to_the_bit) == []
    if name in RENDERS:
        assert list(_faults(shop.manifest(name), set(found))) == []


def test_threads_change_nothing(shop: Workshop) -> None:
    """Two threads, on this machine: bit for bit."""
    one, two = (sounds_of(shop, name) for name in ("chains", "two_threads"))
    assert differences(one, two, to_the_bit=True) == []


def test_batch_renders_what_render_renders(shop: Workshop) -> None:
    """Song by song, bit for bit; the broken one leaves nothing; a page of the summary is there."""
    assert shop.batch("batch").code == 1
    for song in ("dunlin", "sanderling"):
        said = shop.run(
            "render", "_in/recipes/batch.yaml", f"_in/songs/{song}", "--out", f"alone_{song}", "--no-report"
        )
        assert said.code == 0, said
        alone, batch = sounds(shop.top / f"alone_{song}"), sounds(shop.top / "batch" / song)
        assert len(alone) == 10
        assert differences(alone, batch, to_the_bit=True) == []
    assert not (shop.top / "batch" / "knot").exists()
    assert sorted(path.name for path in (shop.top / "batch").iterdir() if path.is_file()) == [
        "index.html",
        "summary.csv",
        "summary.json",
    ]


def test_pages_are_written(shop: Workshop) -> None:
    """A page of a render with its pictures, and one of a comparison; the samples are those without a page."""
    words = ["render", "_in/recipes/gate_off.yaml", "_in/plain", "--out", "paged", "--pictures", "shown"]
    assert shop.run(*words).code == 0
    assert differences(sounds(shop.render("gate_off")), sounds(shop.top / "paged"), to_the_bit=True) == []
    words = ["compare", "_in/recipes/variants.yaml", "_in/plain", "--out", "paged_comparison"]
    assert shop.run(*words).code == 0
    pages = [_size(shop.top / "paged"), _size(shop.top / "paged_comparison")]
    assert [name for page in pages for name in page] == ["Saltmarsh_report.html", "Saltmarsh_comparison.html"]
    assert all(size > 10_000 for page in pages for size in page.values())
    pictures = {path.suffix for path in (shop.top / "shown").iterdir()}
    assert pictures == {".svg", ".png"}


def _size(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_size for path in folder.glob("*.html")}
