"""The schema of what is written for programs: current, true of real documents, and strict enough to tell."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from premix.delivery import documents
from premix.delivery.documents import alignment_document, intake_document, json_text
from premix.model.tracks import TrackLook
from tests.delivery.conftest import SMALL, Rendered


def faults(document: object, place: str | None = None) -> list[str]:
    """What a general validator has against a document, as a manifest or as one of the `$defs`."""
    schema = json.loads(documents.SCHEMA.read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    if place is not None:
        schema = {"$ref": f"#/$defs/{place}", "$defs": schema["$defs"]}
    return [error.message for error in Draft202012Validator(schema).iter_errors(document)]


def test_the_committed_schema_is_that_of_the_types(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And an old one is told, with the command that renews it."""
    assert documents.main(["--check"]) == 0
    monkeypatch.setattr(documents, "SCHEMA", tmp_path / "manifest.schema.json")
    assert documents.main(["--check"]) == 1
    assert "python -m premix.delivery.documents --write" in capsys.readouterr().err
    assert [documents.main(["--write"]), documents.main(["--check"]), documents.main([])] == [0, 0, 2]


def test_what_is_written_and_printed_is_as_the_schema_says(rendered: Rendered) -> None:
    """A render's manifest, a comparison's, and what align and inspect print."""
    assert faults(json.loads((rendered.out / "manifest.json").read_text("utf-8"))) == []
    assert faults(json.loads(json_text(SMALL))) == []
    song = rendered.run.song
    assert faults(json.loads(json_text(alignment_document(song))), "AlignmentDocument") == []
    looks = [TrackLook(mic.levels, None, -70.0) for mic in song.mics]
    assert faults(json.loads(json_text(intake_document(song, looks, ()))), "IntakeDocument") == []


@pytest.mark.parametrize("key", ["sheet", "rate", "gate", "written"])
def test_every_key_is_promised(rendered: Rendered, key: str) -> None:
    """Those that may be missing in earlier versions too; further ones may stand beside them."""
    document: dict[str, Any] = json.loads((rendered.out / "manifest.json").read_text("utf-8"))
    assert faults({**document, "weather": "rain"}) == []
    del document[key]
    assert faults(document)
    assert faults(json.loads(json_text(replace(SMALL, kind="mix"))))  # type: ignore[arg-type]
