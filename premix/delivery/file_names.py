"""File names of the parts: ASCII, by the recipe's template, the same on every system, never two the same.

Letters, digits, '_' and '-' only, as delivery recommendations ask (Recording Academy P&E Wing: no spaces,
accents or punctuation).
"""

import re
import string
import unicodedata
from collections.abc import Sequence

from premix.errors import DeliveryError, Problem
from premix.model.mix import Part, PartKind
from premix.model.names import is_reserved

FOLDERS: dict[PartKind, str] = {
    "stem": "stems/",
    "room": "rooms/",
    "bus": "buses/",
    "aligned_mic": "mics/",
    "guitar_bus": "",
    "di": "di/",
}

_LONGEST = 200  # file systems allow 255 bytes; workstations add their own endings


def file_names(parts: Sequence[Part], song: str, template: str, extension: str) -> dict[str, str]:
    """Path of each part below the output folder, with '/' between, by the part's name.

    template: with {song} and {part}. extension: 'wav' or 'flac'. Raises DeliveryError where the template has
    other fields, or names would be the same, reserved or too long.
    """
    _check_template(template)
    names = {p.part: safe(template.format(song=_song(song), part=safe(p.part))) for p in parts}
    problems = [problem for part, name in names.items() if (problem := _fault(part, name))]
    paths = {p.part: f"{FOLDERS[p.kind]}{names[p.part]}.{extension}" for p in parts}
    taken: dict[str, str] = {}
    for part, path in paths.items():
        first = taken.setdefault(path.casefold(), part)
        if first != part:
            problems.append(Problem("names-collide", part, f"its file would be {path}, as that of {first}"))
    if problems:
        raise DeliveryError(problems)
    return paths


def document_name(song: str, what: str, extension: str) -> str:
    """Name of a document at the top of the output folder: <song>_<what>.<extension>."""
    return f"{_song(song)}_{what}.{extension}"


def variant_path(song: str, variant: str, extension: str) -> str:
    """Path of a variant's file below the output folder of a comparison."""
    return f"variants/{_song(song)}_variant_{safe(variant)}.{extension}"


def safe(text: str) -> str:
    """Text as part of a file name: accents dropped, everything else but [A-Za-z0-9_-] becomes one '_'."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"_{2,}", "_", re.sub(r"[^A-Za-z0-9_-]+", "_", plain)).strip("_-")


def _song(name: str) -> str:
    return safe(name) or "song"


def _check_template(template: str) -> None:
    try:
        fields = {name for _, name, _, _ in string.Formatter().parse(template) if name is not None}
        plain = not fields - {"song", "part"} and template.format(song="a", part="b") != ""
    except (ValueError, KeyError, IndexError, AttributeError):
        plain = False
    if not plain:
        what = f"the template {template!r} cannot be filled in"
        raise DeliveryError(Problem("name-template", "deliver.name", what, "{song}, {part} and plain text"))


def _fault(part: str, name: str) -> Problem | None:
    if not name:
        return Problem("name-template", part, "its file name would be empty")
    if is_reserved(name):
        return Problem("reserved-name", part, f"its file name would be {name!r}, which Windows keeps for a device")
    if len(name) > _LONGEST:
        return Problem("name-too-long", part, f"its file name would have {len(name)} letters", f"up to {_LONGEST}")
    return None
