"""Findings of one kind as one entry, the kinds in the order of what they cost the sum.

Terminal, manifest, pages and the batch's tables all take their findings from here.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from premix.errors import Finding, Severity

KINDS: dict[str, str] = {
    # a limit of the recipe is broken: nothing else decides the exit code
    "limit-left-out": "more left out than the limit allows",
    "limit-refused-mics": "more refused mics than the limit allows",
    "limit-sum-efficiency": "sum efficiency below the limit",
    "limit-worst-passage": "a passage below the limit",
    "limit-mono-fold": "mono fold below the limit",
    "limit-correlation": "correlation below the limit",
    "limit-moved-mics": "more moved mics than the limit allows",
    "limit-setup-moved": "a mic moved by more than the limit",
    "limit-setup-level": "a mic's level changed by more than the limit",
    "limit-room-lost": "guitar without its room",
    "limit-room-quiet": "stops not quiet enough",
    "limit-stem-spread": "stems too far apart in loudness",
    "limit-true-peak": "peak over the limit",
    "limit-not-measured": "a limit that cannot be measured",
    # a mic, or all of a performance, is not in the sum, or something else is in its place
    "alignment-reference": "the reference is refused",
    "alignment-silent": "refused: silent",
    "alignment-incoherent": "refused: hears something else",
    "alignment-edge": "refused: at the end of the search",
    "alignment-ambiguous": "refused: no clear answer",
    "track-silent": "silent",
    "track-left-out": "left out: no file",
    "track-one-sided": "missing on one side only",
    "tracks-swapped": "swapped names",
    "tracks-doubled": "one file twice",
    "same-take": "one take used twice",
    "di-other-take": "DI of another take",
    # it is in the sum, and wrong or moving there
    "alignment-worse": "worse as decided than as recorded",
    "sheet-incoherent": "sheet does not fit the sound",
    "sheet-audio-changed": "sheet was made of other audio",
    "alignment-unsteady": "still moves",
    "alignment-astray": "does not fit in places",
    "alignment-turned": "polarity turns over",
    "alignment-jump": "delay jumps",
    "alignment-drift": "clock drifts",
    "alignment-dropout": "level falls away",
    "alignment-late": "outside the search",
    "alignment-offset": "starts apart",
    "alignment-inverted": "inverted in some performances",
    "alignment-moved": "moved",
    "setup-moved": "moved against the approved set-up",
    "setup-borrowed": "place taken from the approved set-up",
    "chain-costs-efficiency": "a chain turns the phase",
    "starts-apart": "starts apart",
    "no-start-time": "no start time",
    "alignment-room-unclear": "room polarity unclear",
    "gate-room-lost": "room shut while the guitar sounds",
    "gate-opens-late": "room opens late",
    "gate-no-key": "room without a key",
    "gate-key-silent": "room with a silent key",
    "gate-no-stops": "no stop found",
    "gate-no-di": "room without its DI",
    "gate-spans-outside": "gate spans outside the song",
    "plug-in-latency": "plug-in out of time",
    "plug-in-not-reproducible": "plug-in not reproducible",
    "di-offset": "DI out of time",
    # the take itself is damaged
    "recovered-file": "recovered",
    "padded": "shorter than the song",
    "track-dropouts": "dropouts",
    "track-clipped": "clipped",
    "di-clipped": "DI cut off",
    "lossy-file": "coded with loss",
    # songs of one set-up differ
    "batch-polarity-changed": "polarity differs between songs",
    "batch-mic-moved": "mic moved between songs",
    "batch-names-swapped": "names swapped in a song",
    "batch-colour-changed": "colour differs between songs",
    "batch-level-drifted": "level differs between songs",
    "batch-below-album": "softer than the album",
    "batch-not-matched": "not matched",
    "comparison-silent": "nothing to hear",
    "comparison-softer": "softer than the other variants",
    # it sounds as it should, and something is to be known
    "level-not-reached": "level not reached",
    "level-not-measured": "level not measured",
    "track-hum": "hum",
    "track-dc": "DC",
    "track-over-full-scale": "over full scale",
    "alignment-room-polarity": "room polarity kept",
    "gate-stops-uncertain": "stops uncertain",
    "gate-hardly-plays": "hardly plays",
    "gate-arrival-unknown": "arrival at the room unknown",
}
"""Slug -> its kind in words, what costs the sum most first. Others come after those of their severity."""
_PLACE = {slug: place for place, slug in enumerate(KINDS)}
_OTHERS: dict[Severity, int] = {
    "error": _PLACE["alignment-reference"],
    "warning": _PLACE["level-not-reached"],
    "info": len(KINDS),
}
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One thing of a kind: what it is about, what was seen there, and where in the song, if it has a place.

    size: how bad it is beside the others of its kind, larger is worse.
    """

    subject: str
    message: str
    at_s: float | None = None
    size: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingEntry:
    """All findings of one slug. severity: the gravest. subject, message, hint: of the worst one. kind: in words.
    subjects: all that it is about, each once; count: how many findings these are; at_s: the first place in the song,
    None where none has one. each: all of them, the worst first. brief: the worst one's message in a few words."""

    slug: str
    severity: Severity
    subject: str
    message: str
    hint: str
    kind: str = ""
    subjects: tuple[str, ...] = ()
    count: int = 1
    at_s: float | None = None
    brief: str = ""
    each: tuple[Seen, ...] = ()

    @property
    def breaks_limit(self) -> bool:
        """Whether it says that a limit of the recipe is broken."""
        return self.severity == "error" and self.slug.startswith("limit-")

    @property
    def all(self) -> tuple[Seen, ...]:
        """Every one of them; a manifest of an earlier version has an entry each."""
        return self.each or (Seen(subject=self.subject, message=self.message, at_s=self.at_s),)

    @property
    def whom(self) -> str:
        """What it is about: 'left_a/ribbon', 'left_a, left_b', '8 tracks'."""
        names = self.subjects or (self.subject,)
        if len(names) <= _MOST_NAMED:
            return ", ".join(names)
        return f"{len(names)} {'tracks' if all('/' in name for name in names) else 'places'}"

    def line(self) -> str:
        """In one line: 'hum on 8 tracks, worst right/ribbon: 50 Hz at -58.0 dBFS, 19 dB under the track'."""
        if self.count == 1:
            return f"{self.subject}: {self.message}"
        graded = len({seen.size for seen in self.each}) > 1
        which = "worst" if graded else "such as"
        return f"{self.kind or self.slug}: {self.whom}, {which} {self.subject}: {self.brief or self.message}"


def grouped(findings: Iterable[Finding]) -> tuple[FindingEntry, ...]:
    """One entry a slug, what costs the sum most first; within a kind the larger, then the earlier told."""
    kinds: dict[str, list[Finding]] = {}
    for finding in findings:
        kinds.setdefault(finding.slug, []).append(finding)
    return tuple(map(_entry, sorted(kinds.values(), key=lambda own: cost(own[0].slug, _gravest(own)))))


def cost(slug: str, severity: Severity) -> tuple[bool, int, bool]:
    """What kinds are ordered by, the costliest first: broken limits, then the order of `KINDS`."""
    place = _PLACE.get(slug, _OTHERS[severity])
    return severity != "error", place, slug not in _PLACE


def _gravest(own: Sequence[Finding]) -> Severity:
    return min((finding.severity for finding in own), key=("error", "warning", "info").index)


def _entry(own: Sequence[Finding]) -> FindingEntry:
    severity = _gravest(own)
    ordered = sorted(own, key=lambda finding: (finding.severity != severity, -finding.size))
    worst, places = ordered[0], [finding.at_s for finding in own if finding.at_s is not None]
    return FindingEntry(
        slug=worst.slug,
        severity=severity,
        subject=worst.subject,
        message=worst.message,
        hint=worst.hint,
        kind=KINDS.get(worst.slug, worst.slug.replace("-", " ")),
        subjects=tuple(dict.fromkeys(finding.subject for finding in own)),
        count=len(own),
        at_s=min(places, default=None),
        brief=worst.brief,
        each=tuple(Seen(subject=f.subject, message=f.message, at_s=f.at_s, size=float(f.size)) for f in ordered),
    )
