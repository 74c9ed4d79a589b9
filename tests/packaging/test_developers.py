"""DEVELOPERS.md as a newcomer reads it: the places that it sends to are there."""

import re
from pathlib import Path

TOP = Path(__file__).parents[2]
TEXT = (TOP / "DEVELOPERS.md").read_text("utf-8")


def test_every_file_that_is_named_is_there() -> None:
    """Paths in code marks: from the top, or from premix/."""
    named = {name for name in re.findall(r"`([\w/.]+/[\w/.]*)`", TEXT) if not name.startswith(".venv")}
    missing = {name for name in named if not any((place / name).exists() for place in (TOP, TOP / "premix"))}
    assert missing == set()
    assert len(named) > 40


def test_every_room_stands_in_the_map() -> None:
    """The folders of premix/."""
    rooms = {path.parent.name for path in (TOP / "premix").glob("*/__init__.py")}
    assert {room for room in rooms if f"`{room}/`" not in TEXT} == set()
