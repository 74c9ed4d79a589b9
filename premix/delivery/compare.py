"""The null test of two files, or of two output folders file by file."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from premix.audiofile.headers import read_header
from premix.audiofile.reader import TrackReader
from premix.delivery.package import MANIFEST
from premix.errors import Problem, RecipeError, TracksError, UserError
from premix.measures.null import null_test
from premix.messages.delivery import SLUGS
from premix.model.analysis import FloatArray
from premix.model.null import NullResult
from premix.model.tracks import AudioHeader, Track

BLOCK = 65536


@dataclass(frozen=True, slots=True)
class NulledPair:
    """One file against its counterpart; result None: it has none, and `missing_in` says where."""

    name: str
    result: NullResult | None
    missing_in: str = ""


def null(a: Path, b: Path) -> list[NulledPair]:
    """Null two audio files, or every part of two output folders. Raises UserError for what cannot be compared."""
    if a.is_dir() != b.is_dir():
        raise _problem("null-mixed", f"{a} and {b}", "one is a folder and the other is not")
    if not a.is_dir():
        return [NulledPair(a.name, _null_files(a, b))]
    parts_a, parts_b = _parts(a), _parts(b)
    pairs: list[NulledPair] = []
    problems: list[Problem] = []
    for part in dict.fromkeys([*parts_a, *parts_b]):
        if part not in parts_a or part not in parts_b:
            pairs.append(NulledPair(part, None, str(b if part in parts_a else a)))
            continue
        try:
            pairs.append(NulledPair(part, _null_files(parts_a[part], parts_b[part])))
        except UserError as error:
            problems.extend(error.problems)
    if problems:
        raise TracksError(problems)
    return pairs


def _parts(folder: Path) -> dict[str, Path]:
    """Part -> file of an output folder, by its manifest."""
    try:
        files = json.loads((folder / MANIFEST).read_text("utf-8"))["files"]
        return {str(file["part"]): folder / file["path"] for file in files}
    except (OSError, ValueError, KeyError, TypeError):
        raise _problem("not-a-manifest", str(folder), f"no {MANIFEST} of premix can be read here") from None


def _null_files(a: Path, b: Path) -> NullResult:
    head_a, head_b = read_header(a), read_header(b)
    for what in ("rate", "channels"):
        one, other = getattr(head_a, what), getattr(head_b, what)
        if one != other:
            raise _problem("null-mixed", f"{a} and {b}", f"{what} {one} against {other}")
    return null_test(_blocks(head_a), _blocks(head_b), head_a.rate, head_a.channels)


def _blocks(header: AudioHeader) -> Iterator[FloatArray]:
    readers = [TrackReader(Track("", "", header, channel=c)) for c in range(header.channels)]
    try:
        for start in range(0, header.frames, BLOCK):
            block = np.empty((header.channels, min(BLOCK, header.frames - start)))
            for row, reader in zip(block, readers, strict=True):
                reader.read(start, row)
            yield block
    finally:
        for reader in readers:
            reader.close()


def _problem(slug: str, where: str, what: str) -> RecipeError:
    return RecipeError(Problem(slug, where, what, remedy=SLUGS[slug]))
