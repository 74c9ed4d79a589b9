"""`--expect`: a render held against an approved manifest: are the samples the same, and if not, what changed."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from premix.errors import Problem, RecipeError
from premix.messages.delivery import SLUGS
from premix.model.finding import Finding


def read_manifest(path: Path) -> dict[str, Any]:
    """A manifest, or the manifest.json of an output folder. Raises RecipeError where there is none."""
    file = path / "manifest.json" if path.is_dir() else path
    try:
        document = json.loads(file.read_text("utf-8"))
    except (OSError, ValueError):
        document = None
    if not isinstance(document, dict) or "premix" not in document or not isinstance(document.get("files"), list):
        raise RecipeError(Problem(
            "not-a-manifest", str(path), "no premix manifest can be read here", "manifest.json of an output folder",
            SLUGS["not-a-manifest"],
        ))
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
    hint = SLUGS[slug] if slug == "expect-cause" else ""
    return Finding(slug, severity, subject, message, hint)  # type: ignore[arg-type]
