"""Intake: every file's header, all problems at once, and the tracks on one time line."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from premix.audiofile.formats import fits
from premix.audiofile.headers import read_header
from premix.audiofile.reader import first_difference
from premix.errors import Problem, TracksError
from premix.messages.tracks import SLUGS
from premix.model.finding import Finding
from premix.model.recipe import Recipe
from premix.model.tracks import AudioHeader, FoundTrack, Track, TrackSet
from premix.tracks.timeline import place

_LINEAR = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAC_16", "ALAC_20", "ALAC_24", "ALAC_32")


def take_in(found: Sequence[FoundTrack], recipe: Recipe, folder: Path, *, recover: bool = False) -> TrackSet:
    """Read the headers of all files and put the tracks on one time line.

    Tracks keep the order of `found`. recover: read what is there of truncated or never finalised files.
    Raises TracksError with every problem of every file.
    """
    problems: list[Problem] = [*_used_twice(found, folder)]
    findings: list[Finding] = []
    tracks: list[Track] = []
    for item in found:
        try:
            header = read_header(item.path, recover=recover)
            _check_samples(header)
        except TracksError as error:
            problems += [replace(p, where=_where(item, folder)) for p in error.problems]
            continue
        findings += _file_findings(item, header)
        tracks.append(Track(item.performance, item.mic, header))
    problems += _mixed_rates(tracks, folder)
    if not found:
        problems.append(Problem("no-tracks", str(folder), "no track was found", remedy=SLUGS["no-tracks"]))
    if problems:
        raise TracksError(problems)
    line = place(tracks)
    return TrackSet(
        song=recipe.song or folder.resolve().name,
        folder=folder,
        rate=tracks[0].header.rate,
        frames=line.frames,
        tracks=line.tracks,
        time_reference=line.time_reference,
        findings=(*findings, *line.findings),
    )


def _check_samples(header: AudioHeader) -> None:
    """TracksError where the file holds anything but one mic at a usable depth."""
    if header.channels > 2:
        raise _error("too-many-channels", header, f"it holds {header.channels} channels", "1 channel")
    if header.bits < 16:
        raise _error("eight-bit", header, f"its samples have {header.bits} bits", "16 bits or more, or float")
    if header.channels == 2 and (frame := first_difference(header)) is not None:
        what = f"it is stereo, and its channels differ from {frame / header.rate:.3f} s on"
        raise _error("channels-differ", header, what, "mono, or two equal channels")


def _file_findings(item: FoundTrack, header: AudioHeader) -> list[Finding]:
    subject = f"{item.performance}/{item.mic}"
    notes: list[tuple[str, str]] = []
    if header.recovered:
        text = f"its header is damaged; the {header.frames} frames that are there are used"
        notes.append(("recovered-file", text))
    if header.subtype not in _LINEAR:
        notes.append(("lossy-file", f"its samples are coded with loss ({header.subtype})"))
    if header.channels == 2:
        notes.append(("equal-channels", "stereo with two equal channels; the first is used"))
    if not fits(header.container, item.path.suffix):
        notes.append(("wrong-extension", f"named {item.path.name}, but its contents are {header.container}"))
    return [
        Finding(slug, "info" if slug == "equal-channels" else "warning", subject, text, SLUGS[slug])
        for slug, text in notes
    ]


def _used_twice(found: Sequence[FoundTrack], folder: Path) -> list[Problem]:
    """One problem for every file that stands for more than one track, whatever names lead to it."""
    owner: dict[object, FoundTrack] = {}
    problems = []
    for item in found:
        try:
            status = item.path.stat()
        except OSError:
            continue  # its header's problem tells
        first = owner.setdefault((status.st_dev, status.st_ino), item)
        if first is not item:
            what = f"the same file as {first.performance}/{first.mic}"
            problems.append(Problem("used-twice", _where(item, folder), what, remedy=SLUGS["used-twice"]))
    return problems


def _mixed_rates(tracks: Sequence[Track], folder: Path) -> list[Problem]:
    """One problem for every track that is not at the rate most have; for all where no rate has most."""
    counts = Counter(t.header.rate for t in tracks).most_common()
    if len(counts) < 2:
        return []
    (rate, most), (_, second) = counts[:2]
    usual = f"{most} of {len(tracks)} tracks are at {rate} Hz"
    return [
        Problem(
            "mixed-rates", _where(FoundTrack(t.performance, t.mic, t.header.path), folder),
            f"its sample rate is {t.header.rate} Hz; {usual}", remedy=SLUGS["mixed-rates"],
        )
        for t in tracks
        if t.header.rate != rate or most == second
    ]


def _where(item: FoundTrack, folder: Path) -> str:
    path = item.path.relative_to(folder) if item.path.is_relative_to(folder) else item.path
    return f"{item.performance}/{item.mic} ({path.as_posix()})"


def _error(slug: str, header: AudioHeader, what: str, allowed: str) -> TracksError:
    return TracksError(Problem(slug, str(header.path), what, allowed, SLUGS[slug]))
