"""A render held against another: the null test of files or output folders, and what changed by how much, and why.

What changed is told by the manifests: the keys of the recipe with their old and new values, tracks, decisions,
versions. By how much is measured on the files of both renders, where those of the old one are still there and as its
manifest says; else only levels are told, from the manifests.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from premix.audio.headers import read_header
from premix.audio.reader import read_blocks, sample_hash
from premix.delivery.documents import MANIFEST, read_manifest
from premix.errors import Finding, Problem, RecipeError, TracksError, UserError
from premix.measures.residual import NullResult, null_test
from premix.measures.sound_change import SoundChange, sound_change
from premix.model.manifest import DecisionEntry, FileEntry, Manifest

_TOLD_SAMPLES = 0.001
"""Delays that differ by less move nothing that is heard; noise alone does that."""


@dataclass(frozen=True, slots=True)
class NulledPair:
    """One file against its counterpart; result None: it has none, and `missing_in` says where."""

    name: str
    result: NullResult | None
    missing_in: str = ""


def null(a: Path, b: Path) -> list[NulledPair]:
    """Null two audio files, or every part of two output folders. Raises UserError for what cannot be compared."""
    missing = [path for path in dict.fromkeys((a, b)) if not path.exists()]
    if len(missing) == 2 or (missing and (a.is_dir() or b.is_dir())):  # of two files, reading tells the one
        raise TracksError(Problem("null-missing", str(path), "there is no such file or folder") for path in missing)
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


class Render(NamedTuple):
    """A render to be compared: its manifest, and the folder its files lie in; None: they are not at hand."""

    manifest: Manifest
    folder: Path | None = None


@dataclass(frozen=True, slots=True)
class FileChange:
    """One part that is not what it was. what: in words. sound: as measured on both files; None: not measured.

    level_db: change of its level; by the manifests where `sound` is None.
    """

    part: str
    what: str
    level_db: float | None = None
    sound: SoundChange | None = None

    def finding(self) -> Finding:
        return Finding("expect-file-differs", "error", self.part, self.what, hint="")


@dataclass(frozen=True, slots=True)
class Changes:
    """What differs between two renders, and the causes that the manifests know of. No files: the same samples."""

    files: tuple[FileChange, ...]
    causes: tuple[Finding, ...]

    def findings(self) -> tuple[Finding, ...]:
        """The files that differ, then the causes; empty for the same samples."""
        return (*(file.finding() for file in self.files), *self.causes) if self.files else ()

    def line(self) -> str:
        """The changes of all files as one line."""
        if not self.files:
            return "no sample changed"
        told = [file for file in self.files if file.sound is not None and file.sound.level_db is not None]
        if not told:
            return f"{len(self.files)} files changed"
        loudest = max(told, key=lambda file: abs(file.level_db or 0.0))
        widest = max(told, key=lambda file: abs((file.sound and file.sound.band_db) or 0.0))
        assert widest.sound is not None and loudest.level_db is not None
        line = f"{len(self.files)} files changed: level at most {loudest.level_db:+.2f} dB ({loudest.part})"
        if widest.sound.band_hz is not None:
            line += f", third octave {widest.sound.band_db:+.2f} dB at {widest.sound.band_hz:.0f} Hz ({widest.part})"
        return line


def compare(expected: Manifest, rendered: Manifest) -> tuple[Finding, ...]:
    """What differs in the samples of the files, and the causes that the manifests know of; empty: identical."""
    return changes(Render(expected), Render(rendered)).findings()


def changes(old: Render, new: Render) -> Changes:
    """What differs in the samples of two renders, by how much, and why."""
    before, after = ({file.part: file for file in render.manifest.files} for render in (old, new))
    files = tuple(_file_changes(old.folder, new.folder, before, after))
    return Changes(files, tuple(_causes(old.manifest, new.manifest)) if files else ())


def _file_changes(
    old: Path | None, new: Path | None, before: Mapping[str, FileEntry], after: Mapping[str, FileEntry]
) -> Iterator[FileChange]:
    for part in dict.fromkeys([*before, *after]):
        one, other = before.get(part), after.get(part)
        if one is None:
            yield FileChange(part, "is new")
        elif other is None:
            yield FileChange(part, "is no longer rendered")
        elif one.sha256 != other.sha256:
            yield _file_change(old, new, one, other)


def _file_change(old: Path | None, new: Path | None, before: FileEntry, after: FileEntry) -> FileChange:
    """A part whose samples differ: measured where both files can be."""
    forms = [(f"{was} {unit}", f"{now} {unit}") for was, now, unit in _forms(before, after) if was != now]
    if forms:
        was, now = (", ".join(texts) for texts in zip(*forms, strict=True))
        return FileChange(before.part, f"has {now} instead of {was}")
    try:
        if old is not None and new is not None:
            heads = [read_header(folder / entry.path) for folder, entry in ((old, before), (new, after))]
            if sample_hash(heads[0]) == before.sha256:
                sound = sound_change(read_blocks(heads[0]), read_blocks(heads[1]), heads[0].rate)
                return FileChange(before.part, f"has other samples: {sound.told()}", sound.level_db, sound)
    except UserError:
        pass
    if old is None or before.rms_dbfs is None or after.rms_dbfs is None:
        return FileChange(before.part, "has other samples")
    level_db = after.rms_dbfs - before.rms_dbfs
    what = f"has other samples: level {level_db:+.2f} dB by the manifests; the earlier file is not there as they say"
    return FileChange(before.part, what, level_db)


def _forms(before: FileEntry, after: FileEntry) -> Iterator[tuple[int, int, str]]:
    yield before.rate, after.rate, "Hz"
    yield before.channels, after.channels, "channels"
    yield before.frames, after.frames, "samples"


def _causes(old: Manifest, new: Manifest) -> Iterator[Finding]:
    causes = [*_recipe(old, new), *_hashes(old, new), *_versions(old, new), *_decisions(old, new)]
    if abs(new.trim_db - old.trim_db) > 1e-9:
        causes.append(("common gain", f"{new.trim_db:+.2f} dB instead of {old.trim_db:+.2f} dB"))
    if old.alignment != new.alignment and not causes:
        causes.append(("alignment", "was decided otherwise"))
    return (Finding("expect-cause", "warning", subject, what) for subject, what in causes)


def _recipe(old: Manifest, new: Manifest) -> Iterator[tuple[str, str]]:
    """The keys that say something else, with both values."""
    if old.recipe.sha256 == new.recipe.sha256:
        return
    before, after = _flat(old.recipe.merged), _flat(new.recipe.merged)
    names = [key for key in dict.fromkeys([*before, *after]) if before.get(key) != after.get(key)]
    names = [key for key in names if not any(other.startswith(f"{key}.") for other in names)]  # {} became something
    for key in names:
        was, now = (_spoken(values[key]) if key in values else "not there" for values in (before, after))
        yield f"recipe {key}", f"{now} instead of {was}"
    if not names:
        yield "recipe", "the same keys, with other defaults or in another order"


def _flat(value: Any, path: str = "") -> dict[str, Any]:
    """Plain data as 'mics.sub.gain_db' -> its value; a list is one value."""
    if not isinstance(value, Mapping) or not value:
        return {path: value} if path else {}
    return {
        key: end for name, child in value.items() for key, end in _flat(child, f"{path}.{name}".lstrip(".")).items()
    }


def _spoken(value: Any) -> str:
    """A value of a recipe as it would be written."""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _hashes(old: Manifest, new: Manifest) -> Iterator[tuple[str, str]]:
    """Tracks, and files that chains name."""
    before, after = ({f"input {i.performance}/{i.mic}": i.sha256 for i in m.inputs} for m in (old, new))
    for name in dict.fromkeys([*before, *after]):
        if name not in before:
            yield name, "is new"
        elif before[name] != after.get(name):
            yield name, "has other samples" if name in after else "is no longer there"
    before, after = ({file.where: file.sha256 for file in m.chain_files} for m in (old, new))
    yield from (
        (where, "names a file of other content") for where in before if before[where] != after.get(where, before[where])
    )


def _versions(old: Manifest, new: Manifest) -> Iterator[tuple[str, str]]:
    before, after = ({"premix": m.premix, **m.libraries} for m in (old, new))
    yield from (
        (name, f"version {v} instead of {before.get(name)}") for name, v in after.items() if v != before.get(name)
    )


def _decisions(old: Manifest, new: Manifest) -> Iterator[tuple[str, str]]:
    """What was decided otherwise, mic by mic."""
    before, after = ({(d.performance, d.mic): d for d in m.alignment} for m in (old, new))
    for key, now in after.items():
        was = before.get(key)
        if was is not None and (words := ", ".join(_decided_otherwise(was, now))):
            yield f"alignment {'/'.join(key)}", words


def _decided_otherwise(was: DecisionEntry, now: DecisionEntry) -> Iterator[str]:
    if abs(apart := now.delay_samples - was.delay_samples) >= _TOLD_SAMPLES:
        yield f"delay {now.delay_samples:+.3f} samples instead of {was.delay_samples:+.3f} ({apart:+.3f})"
    names = {1: "normal", -1: "inverted"}
    if was.polarity != now.polarity:
        yield f"polarity {names[now.polarity]} instead of {names[was.polarity]}"
    if was.summed != now.summed:
        yield "summed" if now.summed else "not summed any more"
    if was.rotation != now.rotation:
        yield "rotated otherwise"
