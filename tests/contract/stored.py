"""Where the expected things are stored, and how they are written."""

import json
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
HASHES = HERE / "hashes.json"
SCHEMA = HERE / "manifest.schema.json"
EXPECTED = HERE / "expected"


def read(path: Path) -> Any:
    """A stored document."""
    return json.loads(path.read_text("utf-8"))


def write(path: Path, document: Any) -> None:
    """Store a document: a line an entry where that is short, so that a change is seen in a diff."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(_laid_out(document) + "\n", "utf-8")


def _laid_out(value: Any, deep: int = 0) -> str:
    short = json.dumps(value, ensure_ascii=False)
    if not isinstance(value, (dict, list)) or not value or len(short) <= 110:
        return short
    pad = " " * (deep + 1)
    if isinstance(value, list):
        inner = [pad + _laid_out(entry, deep + 1) for entry in value]
        return "[\n" + ",\n".join(inner) + "\n" + " " * deep + "]"
    entries = ((json.dumps(key, ensure_ascii=False), entry) for key, entry in value.items())
    inner = [f"{pad}{key}: {_laid_out(entry, deep + 1)}" for key, entry in entries]
    return "{\n" + ",\n".join(inner) + "\n" + " " * deep + "}"
