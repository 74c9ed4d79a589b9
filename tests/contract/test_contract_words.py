"""What the commands print and write, their exit codes and their options."""

import json
from pathlib import Path

import pytest

from tests.contract import stored
from tests.contract.command import REPOSITORY
from tests.contract.holding import broken, same_words
from tests.contract.mistakes import MISTAKES, told
from tests.contract.printed import VALUES, WRITTEN, documents, help_of, texts, values
from tests.contract.samples import machine
from tests.contract.workshop import Workshop

TEXTS = stored.read(stored.EXPECTED / "texts.json")
FAULTS = stored.read(stored.EXPECTED / "mistakes.json")
SHEETS = stored.read(stored.EXPECTED / "written.json")
DOCUMENTS = sorted(path.stem for path in (stored.EXPECTED / "documents").glob("*.json"))
CLICK = stored.read(stored.HASHES)["machine"]["click"]


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_told_as_it_was(song_to_spoil: Path, tmp_path: Path, name: str) -> None:
    """Exit code, every word and the order of the lines. Words of usage errors are click's own, by version."""
    found = told(song_to_spoil, tmp_path / name, name).plain()
    expected = FAULTS[name]
    if expected["code"] == 2 and machine()["click"] != CLICK:
        assert (found["code"], found["out"]) == (2, "")
    else:
        assert found == expected


@pytest.mark.parametrize("name", TEXTS)
def test_text_is_what_it_was(shop: Workshop, name: str) -> None:
    """Exit code, standard output and standard error; figures to their last digit."""
    expected, found = TEXTS[name], texts(shop)[name]().plain()
    assert found["code"] == expected["code"]
    for stream in ("out", "err"):
        assert same_words(expected[stream], str(found[stream])), (expected[stream], found[stream])


@pytest.mark.parametrize("name", VALUES)
def test_manifest_says_what_it_said(shop: Workshop, name: str) -> None:
    """Decisions, gates, levels and findings, value by value."""
    assert list(broken(stored.read(stored.EXPECTED / "values" / f"{name}.json"), values(shop, name))) == []


@pytest.mark.parametrize("name", DOCUMENTS)
def test_json_says_what_it_said(shop: Workshop, name: str) -> None:
    """Every field of a command's JSON is there, with its value."""
    expected = stored.read(stored.EXPECTED / "documents" / f"{name}.json")
    assert list(broken(expected, documents(shop)[name]())) == []


@pytest.mark.parametrize("name", WRITTEN)
def test_written_text_is_what_it_was(shop: Workshop, name: str) -> None:
    """The track sheets."""
    render, file = WRITTEN[name]
    assert same_words(SHEETS[name], (shop.render(render) / file).read_text("utf-8"))


def test_commands_and_options_are_what_they_were(shop: Workshop) -> None:
    """By their names."""
    assert help_of(shop) == stored.read(stored.EXPECTED / "help.json")


def test_schema_is_the_shipped_one(shop: Workshop) -> None:
    """`premix schema` prints the file beside the recipes."""
    said = shop.run("schema")
    assert (said.code, said.err) == (0, "")
    assert json.loads(said.out) == stored.read(REPOSITORY / "recipes" / "premix.schema.json")


def test_everything_expected_is_looked_at(shop: Workshop) -> None:
    """No stored text is left over, and none is missing."""
    assert list(TEXTS) == list(texts(shop))
    assert list(FAULTS) == list(MISTAKES)
    assert list(SHEETS) == list(WRITTEN)
    assert sorted(documents(shop)) == DOCUMENTS
    assert {path.stem for path in (stored.EXPECTED / "values").glob("*.json")} == set(VALUES)
