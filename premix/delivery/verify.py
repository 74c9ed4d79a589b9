"""A delivered folder held against its own manifest: which files were changed, lost or added since.

Audio counts by the hash of its samples, its form and its start, as the manifest has them; documents by the hash of
their bytes in the checksum file. That has one line a file, '<SHA-256 in hex>  <path>', as the coreutils' `sha256sum -c`
and `shasum -a 256 -c` read it, so that nobody needs premix to check a folder.
"""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pydantic import ValidationError

from premix.audio.headers import read_header
from premix.audio.reader import sample_hash
from premix.delivery.documents import MANIFEST, from_json, manifest_bytes, read_manifest
from premix.delivery.file_names import document_name
from premix.errors import Finding, Problem, RecipeError, UserError
from premix.model.manifest import ComparisonManifest, Manifest
from premix.model.tracks import AudioHeader

SYSTEM_FILES = {".DS_Store", "Thumbs.db", "desktop.ini"}
"""What file browsers leave behind; it belongs to nobody."""
KEPT = ".kept"
"""Folder in an output folder with what the next render can take over; no part of what is delivered."""
_SUMS = "sha256"


@dataclass(frozen=True, slots=True)
class Verified:
    """How a folder was found. files: how many its manifest names. findings: errors for what was changed, lost or added;
    infos for other bytes around the same samples."""

    folder: Path
    files: int
    findings: tuple[Finding, ...]

    @property
    def holds(self) -> bool:
        return not any(finding.severity == "error" for finding in self.findings)


@dataclass(frozen=True, slots=True)
class _Audio:
    """What a manifest says of one audio file; None: it does not say."""

    rate: int
    channels: int
    frames: int
    bits: int
    sha256: str
    start: int | None
    size_bytes: int | None


def verify(folder: Path, *, samples: bool = True) -> Verified:
    """Hold every file below `folder` against the folder's manifest. Raises RecipeError where it has none.

    samples: read every sample. False: only sizes and headers of audio files; documents are read all the same.
    """
    manifest = read_delivered(folder)
    sums = _read_sums(folder, manifest)
    audio = _audio_of(manifest)
    found: list[Finding] = []
    delivered = [path for path in manifest.written if not path.startswith(f"{KEPT}/")]
    for path in delivered:
        if not _inside(path):
            found.append(Finding("verify-changed", "error", MANIFEST, f"names a file outside of its folder: {path!r}"))
        elif not (folder / path).is_file():
            found.append(Finding("verify-lost", "error", path, "is not there any more"))
        elif (entry := audio.get(path)) is not None:
            found.extend(_check_audio(folder, path, entry, sums.get(path), samples=samples))
        elif path in sums and _hash(folder / path) != sums[path]:
            found.append(Finding("verify-changed", "error", path, "is not as it was delivered"))
    known = set(manifest.written)
    added = (path for path in files_below(folder) if path not in known)
    found.extend(Finding("verify-added", "error", path, "is no file of this delivery") for path in added)
    return Verified(folder, len(delivered), tuple(found))


def read_delivered(folder: Path) -> Manifest | ComparisonManifest:
    """The manifest of a folder that `render` or `compare` made. Raises RecipeError where there is none."""
    try:
        return read_manifest(folder)
    except RecipeError as error:
        try:
            return from_json(ComparisonManifest, manifest_bytes(folder))
        except (OSError, ValidationError):
            raise error from None


def delivered_folders(folder: Path) -> tuple[Path, ...]:
    """The folder itself where it has a manifest, else those directly below that have one: the songs of a batch.

    Raises RecipeError where there is none.
    """
    if (folder / MANIFEST).is_file():
        return (folder,)
    below = tuple(sorted(path.parent for path in folder.glob(f"*/{MANIFEST}")))
    if not below:
        what = f"no {MANIFEST} of premix is here, nor in a folder below"
        raise RecipeError(Problem("not-a-manifest", str(folder), what))
    return below


def sums_name(song: str) -> str:
    """Name of the checksum file at the top of the output folder."""
    return document_name(song, "checksums", _SUMS)


def write_sums(folder: Path, song: str, paths: Iterable[str]) -> None:
    """Write the checksum file of the files below `folder`, '/' between; its own line is left out."""
    own = sums_name(song)
    lines = (
        f"{_hash(folder / path)}  {path}\n" for path in sorted(paths) if path != own and not path.startswith(f"{KEPT}/")
    )
    (folder / own).write_text("".join(lines), "utf-8", "surrogateescape", newline="\n")


def files_below(folder: Path) -> list[str]:
    """All files below a folder, relative, with '/' between; what file browsers leave is not counted."""
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if (path.is_symlink() or not path.is_dir()) and path.name not in SYSTEM_FILES
    )


def _inside(path: str) -> bool:
    """Whether a path of a manifest, which anybody may have written, stays below its folder."""
    return not PurePosixPath(path).is_absolute() and ".." not in PurePosixPath(path).parts


def _audio_of(manifest: Manifest | ComparisonManifest) -> dict[str, _Audio]:
    """Path -> what the manifest says of it, for every audio file."""
    if isinstance(manifest, Manifest):
        reference = manifest.time_reference or 0
        return {
            f.path: _Audio(
                f.rate, f.channels, f.frames, f.bits, f.sha256, round(reference * f.rate / manifest.rate), f.size_bytes
            )
            for f in manifest.files
        }
    return {v.path: _Audio(manifest.rate, 2, v.frames, v.bits, v.sha256, None, v.size_bytes) for v in manifest.variants}


def _read_sums(folder: Path, manifest: Manifest | ComparisonManifest) -> dict[str, str]:
    """Path -> hash of its bytes; {} where the delivery has no checksum file, or it is lost."""
    name = sums_name(manifest.song)
    if name not in manifest.written or not (folder / name).is_file():
        return {}
    lines = (folder / name).read_text("utf-8", "replace").splitlines()
    pairs = (line.partition("  ") for line in lines)
    return {path: sha256 for sha256, _, path in pairs if path}


def _check_audio(folder: Path, path: str, entry: _Audio, sha256: str | None, *, samples: bool) -> Iterator[Finding]:
    """What is no more as the manifest has it; the first thing that says so."""
    try:
        header = read_header(folder / path)
        what = _other_form(header, entry)
        if not what and samples and sample_hash(header) != entry.sha256:
            what = "has other samples"
    except UserError as error:
        what = error.problems[0].what
    other_size = entry.size_bytes is not None and (folder / path).stat().st_size != entry.size_bytes
    if what:
        yield Finding("verify-changed", "error", path, what)
    elif samples and sha256 is not None and _hash(folder / path) != sha256:
        yield Finding("verify-rewritten", "info", path, "the same samples and start, in a file of other bytes")
    elif not samples and other_size:
        what = f"has {(folder / path).stat().st_size} bytes instead of {entry.size_bytes}"
        yield Finding("verify-changed", "error", path, what)


def _other_form(header: AudioHeader, entry: _Audio) -> str:
    """In words what the file says of itself and the manifest does not; '' where they agree."""
    pairs = (
        ("{} Hz", header.rate, entry.rate),
        ("{} channels", header.channels, entry.channels),
        ("{} bits", header.bits, entry.bits),
        ("{} samples", header.frames, entry.frames),
        ("start at sample {}", header.time_reference, entry.start),
    )
    told = (
        f"{form.format(here)} instead of {was}" for form, here, was in pairs if None not in (here, was) and here != was
    )
    return ", ".join(told)


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
