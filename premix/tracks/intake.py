"""Intake: every file's header, all problems at once, and the tracks on one time line.

Tracks are placed by their BWF start times (EBU Tech 3285), in whole samples. Before anything is delivered,
`check_unchanged` asks whether they are still those that were analysed.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from premix.audio.headers import fits, read_header, stamp_of
from premix.audio.reader import TrackReader, first_difference
from premix.errors import Finding, Problem, TracksError
from premix.model.names import as_text
from premix.model.song import Mic, Song
from premix.model.tracks import AudioHeader, FoundTrack, Track
from premix.units import samples_to_s

_LONGEST_GAP_S = 600.0  # no song rests that long: such start times are of different sessions
_CLEARLY_SHORT_S = 1.0


@dataclass(frozen=True, slots=True)
class TimeLine:
    """Tracks with their starts, the common length in frames, its BWF start time, and findings."""

    tracks: tuple[Track, ...]
    frames: int
    time_reference: int | None
    findings: tuple[Finding, ...]


def place(tracks: Sequence[Track]) -> TimeLine:
    """Put tracks on a common time line of the song's rate; every file starts at or after its first sample.

    A file without a start time is put at the common start, with a finding where others have one.
    Raises TracksError where the start times cannot be those of one song.
    """
    given = [None if (own := t.header.time_reference) is None else t.at_song_rate(own) for t in tracks]
    known = [r for r in given if r is not None]
    origin = min(known, default=None)
    placed = tuple(
        t if origin is None or reference is None else replace(t, start=reference - origin)
        for t, reference in zip(tracks, given, strict=True)
    )
    problems = [*_apart_in_performance(placed), *_long_gap(placed)]
    if problems:
        raise TracksError(problems)
    frames = max(t.end for t in placed)
    untimed = "has no start time while other tracks have one; it was put at the common start"
    findings = [
        Finding("no-start-time", "warning", t.name, untimed)
        for t in placed
        if origin is not None and t.header.time_reference is None
    ]
    findings += [f for t in placed for f in _padding(t, frames, placed)]
    return TimeLine(placed, frames, origin, tuple(findings))


def _apart_in_performance(tracks: Sequence[Track]) -> list[Problem]:
    """Mics of one performance recorded at the same time, so their files must overlap."""
    problems = []
    for track in tracks:
        mates = [t for t in tracks if t.performance == track.performance and t is not track]
        if mates and not any(track.start < mate.end and mate.start < track.end for mate in mates):
            begin_s = samples_to_s(track.start, track.converted_to or track.header.rate)
            what = f"by its start time it begins at {begin_s:.3f} s of the song, where no other mic of "
            problems.append(Problem("starts-apart", track.name, f"{what}{track.performance} is recorded"))
    return problems


def _long_gap(tracks: Sequence[Track]) -> list[Problem]:
    """A start time long after everything before has ended belongs to another session."""
    ordered = sorted(tracks, key=lambda t: t.start)
    end = ordered[0].end
    for track in ordered[1:]:
        gap_s = samples_to_s(track.start - end, track.converted_to or track.header.rate)
        if gap_s > _LONGEST_GAP_S:
            what = f"by its start time it begins {gap_s:.0f} s after all earlier tracks have ended"
            return [Problem("starts-apart", track.name, what)]
        end = max(end, track.end)
    return []


def _padding(track: Track, frames: int, tracks: Sequence[Track]) -> Iterator[Finding]:
    """How much silence a track gets before and after it, in samples and seconds."""
    rate = track.converted_to or track.header.rate
    if track.start:
        late_s = samples_to_s(track.start, rate)
        text = f"starts {track.start} samples ({late_s:.3f} s) after the common start"
        yield Finding("starts-late", "info", track.name, text)
    missing = frames - track.end
    if missing > 0:
        text = f"padded at the end by {missing} samples ({samples_to_s(missing, rate):.3f} s)"
        last = max(t.end for t in tracks if t.performance == track.performance)
        short = samples_to_s(last - track.end, rate) > _CLEARLY_SHORT_S
        yield Finding("padded", "warning" if short else "info", track.name, text)


_LINEAR = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAC_16", "ALAC_20", "ALAC_24", "ALAC_32")


def take_in(song: Song, found: Sequence[FoundTrack], folder: Path, *, recover: bool = False) -> Song:
    """Read the headers of all files and put them on one time line, each beside its mic.

    Mics and performances without a file are left out of the song. recover: read what is there of truncated or never
    finalised files. Raises TracksError with every problem of every file.
    """
    mics = {mic.label: mic for mic in song.mics}
    problems: list[Problem] = [*_used_twice(found, folder, mics)]
    findings: list[Finding] = []
    tracks: list[Track] = []
    for item in found:
        mic = mics[item.label]
        try:
            header = read_header(item.path, recover=recover)
            channel = _channel(header, mic)
        except TracksError as error:
            problems += [replace(p, where=_where(item, folder)) for p in error.problems]
            continue
        findings += _file_findings(item, header, mic)
        tracks.append(Track(item.performance, item.mic, header, channel=channel))
    if song.resample and tracks:
        tracks = _at_one_rate(tracks)
        findings += [_converted(track) for track in tracks if track.converted_to]
    problems += _mixed_rates(tracks, folder)
    if not found:
        problems.append(Problem("no-tracks", str(folder), "no track was found"))
    if problems:
        raise TracksError(problems)
    line = place(tracks)
    placed = {track.name: track for track in line.tracks}
    present = (
        replace(p, mics=tuple(replace(mic, track=placed[mic.label]) for mic in p.mics if mic.label in placed))
        for p in song.performances
    )
    song = replace(
        song,
        name=song.name or as_text(folder.resolve().name),
        performances=tuple(performance for performance in present if performance.mics),
        folder=folder,
        rate=tracks[0].converted_to or tracks[0].header.rate,
        frames=line.frames,
        time_reference=line.time_reference,
    )
    return song.tell(*findings, *line.findings)


def _channel(header: AudioHeader, mic: Mic) -> int | None:
    """The channel to read, from 0 (None: the mean of all).

    TracksError where the file is not at a usable depth, lacks that channel, or holds several and none is named.
    """
    if header.bits < 16:
        raise _error("eight-bit", header, f"its samples have {header.bits} bits", "16 bits or more, or float")
    if mic.channel == "mix":
        return None
    if mic.channel is not None:
        if mic.channel > header.channels:
            held = f"it holds {header.channels} channel{'s' * (header.channels > 1)}"
            what = f"{held}, and the recipe asks for channel {mic.channel}"
            raise _error("no-such-channel", header, what, f"1 to {header.channels}")
        return mic.channel - 1
    line = f"mics: {{{mic.name}: {{channel: 1}}}}"
    if header.channels > 2:
        allowed = f"1 channel; or name one: {line}"
        raise _error("too-many-channels", header, f"it holds {header.channels} channels", allowed)
    if header.channels == 2 and (frame := first_difference(header)) is not None:
        what = f"it is stereo, and its channels differ from {frame / header.rate:.3f} s on"
        allowed = f"two equal channels; or name one: {line} (or 2, or mix)"
        raise _error("channels-differ", header, what, allowed)
    return 0


def _file_findings(item: FoundTrack, header: AudioHeader, mic: Mic) -> list[Finding]:
    subject = item.label
    notes: list[tuple[str, str]] = []
    if header.recovered:
        text = f"its header is damaged; the {header.frames} frames that are there are used"
        notes.append(("recovered-file", text))
    if header.subtype not in _LINEAR:
        notes.append(("lossy-file", f"its samples are coded with loss ({header.subtype})"))
    if header.channels == 2 and mic.channel is None:
        notes.append(("equal-channels", "stereo with two equal channels; the first is used"))
    if not fits(header.container, item.path.suffix):
        notes.append(("wrong-extension", f"named {item.path.name}, but its contents are {header.container}"))
    return [Finding(slug, "info" if slug == "equal-channels" else "warning", subject, text) for slug, text in notes]


def _used_twice(found: Sequence[FoundTrack], folder: Path, mics: Mapping[str, Mic]) -> list[Problem]:
    """One problem for every file that stands for more than one track, whatever names lead to it.

    Mics that each take another channel of it may share a file.
    """
    owners: dict[object, dict[int | str | None, FoundTrack]] = {}
    problems = []
    for item in found:
        try:
            status = item.path.stat()
        except OSError:
            continue  # its header's problem tells
        taken = owners.setdefault((status.st_dev, status.st_ino), {})
        channel = mics[item.label].channel
        first = next((other for key, other in taken.items() if channel == key or not _apart(channel, key)), None)
        if first is not None:
            what = f"the same file as {first.label}"
            problems.append(Problem("used-twice", _where(item, folder), what))
        taken.setdefault(channel, item)
    return problems


def _apart(one: int | str | None, other: int | str | None) -> bool:
    """Whether both take one channel of a file, each another."""
    return isinstance(one, int) and isinstance(other, int) and one != other


def _mixed_rates(tracks: Sequence[Track], folder: Path) -> list[Problem]:
    """One problem for every track that is not at the rate most have; for all where no rate has most."""
    counts = Counter(t.converted_to or t.header.rate for t in tracks).most_common()
    if len(counts) < 2:
        return []
    (rate, most), (_, second) = counts[:2]
    usual = f"{most} of {len(tracks)} tracks are at {rate} Hz"
    return [
        Problem(
            "mixed-rates",
            _where(FoundTrack(t.performance, t.mic, t.header.path), folder),
            f"its sample rate is {t.header.rate} Hz; {usual}",
        )
        for t in tracks
        if t.header.rate != rate or most == second
    ]


def _at_one_rate(tracks: Sequence[Track]) -> list[Track]:
    """The tracks, those to be converted that are not at the rate most have; the highest where several have most."""
    counts = Counter(t.header.rate for t in tracks)
    rate = max(counts, key=lambda rate: (counts[rate], rate))
    return [t if t.header.rate == rate else replace(t, converted_to=rate) for t in tracks]


def _converted(track: Track) -> Finding:
    what = f"converted from {track.header.rate} Hz to the song's {track.converted_to} Hz"
    return Finding("resampled", "info", track.name, what)


def _where(item: FoundTrack, folder: Path) -> str:
    path = item.path.relative_to(folder) if item.path.is_relative_to(folder) else item.path
    return f"{item.label} ({path.as_posix()})"


def _error(slug: str, header: AudioHeader, what: str, allowed: str) -> TracksError:
    return TracksError(Problem(slug, str(header.path), what, allowed))


def check_unchanged(song: Song) -> None:
    """Raise TracksError for every track whose samples are no longer those of the analysis.

    A file with the size and time of change of its header is taken as unchanged; any other is hashed again, so a
    file that was only touched or copied back is none.
    """
    problems = []
    for mic in song.mics:
        if not _same(mic.track, mic.levels.sha256):
            what = f"{mic.track.header.path.name} was changed or removed while premix was reading it"
            problems.append(Problem("changed-file", mic.label, what))
    if problems:
        raise TracksError(problems)


def _same(track: Track, sha256: str) -> bool:
    path = track.header.path
    try:
        if stamp_of(path) == track.header.stamp:
            return True
        header = read_header(path, recover=track.header.recovered)
        with TrackReader(replace(track, header=header), hash_samples=True) as reader:
            return reader.sha256() == sha256
    except (OSError, TracksError):
        return False
