"""What each song of a batch is aligned with: its alignment sheet, its approved render, or one approved for all.

A set-up outlives its songs: of one approved render every song borrows. A sheet holds the decisions of one song's own
tracks, so it is never for all.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from premix.alignment.approved import Approved
from premix.batch.songs import SongFolder
from premix.delivery.documents import MANIFEST
from premix.errors import Problem, RecipeError
from premix.pipeline import given_decisions

ALLOWED = "FOLDER/SONG.yaml, FOLDER/SONG.json, FOLDER/SONG/manifest.json, or FOLDER/manifest.json for all songs"


def sheets_of(place: Path, songs: Sequence[SongFolder]) -> Mapping[str, Path]:
    """Song -> the sheet or approved render that it is aligned with.

    place: one approved render for all songs, as a manifest's file or a folder with one; or a folder that holds for each
    song `<song>.yaml` (a sheet), `<song>.json` (a manifest) or `<song>/manifest.json` (a render, as a batch leaves it).
    What is a song's own comes before what is for all. Raises RecipeError with every song that has none, or several, and
    where what is for all is no approved render.
    """
    common = _common(place)
    found: dict[str, Path] = {}
    problems: list[Problem] = []
    for song in songs:
        own = _own(place, song.name)
        if len(own) > 1:
            listed = " and ".join(map(str, own))
            problems.append(Problem("batch-two-sheets", song.name, f"{listed} are both there"))
        elif own or common is not None:
            found[song.name] = own[0] if own else common or place
        else:
            what = f"there is no alignment sheet and no approved render for it in {place}"
            problems.append(Problem("batch-no-sheet", song.name, what, ALLOWED))
    if problems:
        raise RecipeError(problems)
    if common is not None and common in found.values():
        given = given_decisions(common)  # once and here, not by every song
        if isinstance(given, Approved):
            given.print_held()
    return found


def _common(place: Path) -> Path | None:
    """The approved render for all songs, None where there is none."""
    if place.suffix.lower() == ".json" and not place.is_dir():
        return place
    return place / MANIFEST if (place / MANIFEST).is_file() else None


def _own(place: Path, name: str) -> list[Path]:
    """What there is for one song."""
    candidates = (place / f"{name}.yaml", place / f"{name}.json", place / name / MANIFEST)
    return [path for path in candidates if path.is_file()]
