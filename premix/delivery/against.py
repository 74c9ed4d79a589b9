"""A render held against another: the null test of files or output folders, and what changed by their manifests."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from premix.audio.headers import read_header
from premix.audio.reader import read_blocks
from premix.delivery.documents import MANIFEST, read_manifest
from premix.errors import Finding, Problem, RecipeError, TracksError, UserError
from premix.measures.residual import NullResult, null_test
from premix.model.manifest import Manifest


@dataclass(frozen=True, slots=True)
class NulledPair:
    """One file against its counterpart; result None: it has none, and `missing_in` says where."""

    name: str
    result: NullResult | None
    missing_in: str = ""


def null(a: Path, b: Path) -> list[NulledPair]:
    """Null two audio files, or every part of two output folders. Raises UserError for what cannot be compared."""
    if a.is_dir() != b.is_dir():
        raise TracksError(Problem("null-mixed", f"{a} and {b}", "one is a folder and the other is not"))
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
        return {file.part: folder / file.path for file in read_manifest(folder).files}
    except RecipeError:
        what = f"no {MANIFEST} of premix can be read here"
        raise RecipeError(Problem("not-a-manifest", str(folder), what)) from None


def _null_files(a: Path, b: Path) -> NullResult:
    head_a, head_b = read_header(a), read_header(b)
    for what in ("rate", "channels"):
        one, other = getattr(head_a, what), getattr(head_b, what)
        if one != other:
            raise TracksError(Problem("null-mixed", f"{a} and {b}", f"{what} {one} against {other}"))
    return null_test(read_blocks(head_a), read_blocks(head_b), head_a.rate, head_a.channels)


def same_samples(one: Manifest, other: Manifest) -> bool:
    """Whether two renders have the same parts with the same samples."""
    return {file.part: file.sha256 for file in one.files} == {file.part: file.sha256 for file in other.files}


def is_approved(expected: Manifest, out: Path) -> bool:
    """Whether the folder `out` holds the render that is expected, which no other one may replace."""
    try:
        return same_samples(expected, read_manifest(out))
    except RecipeError:
        return False


def compare(expected: Manifest, rendered: Manifest) -> tuple[Finding, ...]:
    """What differs in the samples of the files, and the causes that the manifests know of; empty: identical."""
    old, new = ({file.part: file.sha256 for file in m.files} for m in (expected, rendered))
    differing = _differences(old, new, "rendered")
    found = [Finding("expect-file-differs", "error", part, what, hint="") for part, what in differing]
    return (*found, *_causes(expected, rendered)) if found else ()


def _differences(old: Mapping[str, str], new: Mapping[str, str], there: str) -> Iterator[tuple[str, str]]:
    """What has another hash, with words for it; there: what something is no longer."""
    for name in dict.fromkeys([*old, *new]):
        if name not in old:
            yield name, "is new"
        elif old[name] != new.get(name):
            yield name, "has other samples" if name in new else f"is no longer {there}"


def _causes(expected: Manifest, rendered: Manifest) -> Iterator[Finding]:
    old, new = ({f"input {i.performance}/{i.mic}": i.sha256 for i in m.inputs} for m in (expected, rendered))
    causes = list(_differences(old, new, "there"))
    old, new = ({file.where: file.sha256 for file in m.chain_files} for m in (expected, rendered))
    causes += [(where, "names a file of other content") for where in old if old[where] != new.get(where, old[where])]
    if expected.recipe.sha256 != rendered.recipe.sha256:
        causes.append(("recipe", "says something else"))
    before = {"premix": expected.premix, **expected.libraries}
    now = {"premix": rendered.premix, **rendered.libraries}
    causes += [(n, f"version {v} instead of {before.get(n)}") for n, v in now.items() if v != before.get(n)]
    if expected.alignment != rendered.alignment and not causes:
        causes.append(("alignment", "was decided otherwise"))
    return (Finding("expect-cause", "warning", subject, what) for subject, what in causes)
