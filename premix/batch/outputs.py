"""Whether a song's files in OUT are still those that its render wrote.

Sizes and headers are looked at always; every sample where a file's size, times or inode are not those that the batch
noted when it last knew the file to be right, or where it is asked for. The notes lie in OUT, one file a song, and are
never needed: without one, all is read.
"""

import contextlib
import hashlib
import json
from pathlib import Path

from premix.delivery.documents import MANIFEST
from premix.delivery.holdings import MOST_FILES
from premix.delivery.verify import verify
from premix.delivery.whole import write_text_file
from premix.errors import DeliveryError, Problem, RecipeError, listed

NOTES = ".noted"
"""Folder in OUT with the notes of its songs."""


def ruined(out: Path, *, every_sample: bool = False) -> Problem | None:
    """What is wrong with the files of a song's folder, to be told; None where they are as they were delivered.

    every_sample: whatever the notes say.
    """
    noted = not every_sample and _read_note(out) == _stamps(out)
    try:
        found = verify(out, samples=not noted).findings
    except (RecipeError, OSError):
        return Problem("batch-outputs-changed", str(out), f"its {MANIFEST} cannot be read")
    wrong = [f for f in found if f.severity == "error" and f.slug != "verify-added"]
    if wrong:
        what = f"since it was rendered, files were changed or lost: {listed((f.subject for f in wrong), MOST_FILES)}"
        return Problem("batch-outputs-changed", str(out), f"{what}; it is rendered again")
    if not noted:
        note(out)
    return None


def note(out: Path) -> None:
    """Note that the files of a song's folder are right, as they are at this moment."""
    path = _note_of(out)
    with contextlib.suppress(OSError, DeliveryError):  # a note that cannot be written costs a later look, no more
        path.parent.mkdir(exist_ok=True)
        write_text_file(path, json.dumps(_stamps(out)))


def _note_of(out: Path) -> Path:
    return out.parent / NOTES / f"{out.name}.json"


def _read_note(out: Path) -> dict[str, object] | None:
    try:
        found = json.loads(_note_of(out).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _stamps(out: Path) -> dict[str, object]:
    """File -> what shows that somebody had it in hands; the manifest by its content."""
    found: dict[str, object] = {}
    for path in sorted(out.rglob("*")):
        if path.is_file():
            status = path.stat()
            found[path.relative_to(out).as_posix()] = [
                status.st_size,
                status.st_mtime_ns,
                status.st_ctime_ns,
                status.st_ino,
            ]
    manifest = out / MANIFEST
    if manifest.is_file():
        found[MANIFEST] = hashlib.sha256(manifest.read_bytes()).hexdigest()
    return found
