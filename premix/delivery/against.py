"""The null test of two files, or of two output folders file by file.

`--expect`: a render held against an approved manifest: are the samples the same, and if not, what changed.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.delivery.package import MANIFEST
from premix.errors import Problem, RecipeError, TracksError, UserError
from premix.measures.null import NullResult, null_test
from premix.messages import FROM_TABLE
from premix.model.finding import Finding
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
    return RecipeError(Problem(slug, where, what))


def read_manifest(path: Path) -> dict[str, Any]:
    """A manifest, or the manifest.json of an output folder. Raises RecipeError where there is none."""
    file = path / "manifest.json" if path.is_dir() else path
    try:
        document = json.loads(file.read_text("utf-8"))
    except (OSError, ValueError):
        document = None
    if not isinstance(document, dict) or "premix" not in document or not isinstance(document.get("files"), list):
        raise RecipeError(
            Problem(
                "not-a-manifest", str(path), "no premix manifest can be read here", "manifest.json of an output folder"
            )
        )
    return document


def compare(expected: Mapping[str, Any], rendered: Mapping[str, Any]) -> tuple[Finding, ...]:
    """What differs in the samples of the files, and the causes that the manifests know of; empty: identical."""
    old, new = (_hashes(m["files"], ("part",)) for m in (expected, rendered))
    found = [
        _finding("expect-file-differs", "error", part, _difference(old.get(part), new.get(part)))
        for part in dict.fromkeys([*old, *new])
        if old.get(part) != new.get(part)
    ]
    return (*found, *_causes(expected, rendered)) if found else ()


def _difference(old: str | None, new: str | None) -> str:
    if old is None:
        return "is new"
    return "is no longer rendered" if new is None else "has other samples"


def _causes(expected: Mapping[str, Any], rendered: Mapping[str, Any]) -> list[Finding]:
    causes = []
    old, new = (_hashes(m.get("inputs", []), ("performance", "mic")) for m in (expected, rendered))
    for track in dict.fromkeys([*old, *new]):
        if old.get(track) != new.get(track):
            causes.append(("input " + track, _difference(old.get(track), new.get(track)).replace("rendered", "there")))
    old, new = (_hashes(m.get("chain_files", []), ("where",)) for m in (expected, rendered))
    causes += [(where, "names a file of other content") for where in old if old[where] != new.get(where, old[where])]
    if expected.get("recipe", {}).get("sha256") != rendered.get("recipe", {}).get("sha256"):
        causes.append(("recipe", "says something else"))
    versions = [(n, expected.get("libraries", {}).get(n), v) for n, v in rendered.get("libraries", {}).items()]
    for name, before, now in [("premix", expected.get("premix"), rendered.get("premix")), *versions]:
        if before != now:
            causes.append((name, f"version {now} instead of {before}"))
    if expected.get("alignment") != rendered.get("alignment") and not causes:
        causes.append(("alignment", "was decided otherwise"))
    return [_finding("expect-cause", "warning", subject, what) for subject, what in causes]


def _hashes(entries: list[Mapping[str, Any]], names: tuple[str, ...]) -> dict[str, str | None]:
    return {"/".join(str(entry.get(n)) for n in names): entry.get("sha256") for entry in entries}


def _finding(slug: str, severity: str, subject: str, message: str) -> Finding:
    return Finding(slug, severity, subject, message, FROM_TABLE if slug == "expect-cause" else "")  # type: ignore[arg-type]
