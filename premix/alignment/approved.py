"""A song aligned with a set-up that was approved: it says mic by mic whether it agrees, and borrows what it lacks.

Delays and polarities belong to the set-up and not to the notes. So a mic that is where it was takes the approved delay,
which knows more riff than one short song; a mic that has moved keeps its own; nothing of it is silent.
"""

import statistics
from collections import Counter
from dataclasses import dataclass, replace
from typing import Literal

from premix.alignment.prints import with_set_up
from premix.alignment.rounds import Rereading, aligned
from premix.errors import Finding, Problem, RecipeError, Severity
from premix.measures.moves import SURE, Comparison, Statement, compared
from premix.measures.pooled import set_up_of
from premix.model.alignment import MicDecision, Sheet, SheetEntry, SheetPassage, SheetRotation
from premix.model.manifest import DecisionEntry, Manifest
from premix.model.set_up import SetUp, SetUpPrint
from premix.model.song import Mic, Song

WRONG_FILE = ("alignment-silent", "alignment-incoherent", "alignment-late")
"""A mic refused for these is not what the set-up knows under its name: nothing is lent to it."""
Polarity = Literal["normal", "inverted"]


@dataclass(frozen=True, slots=True)
class Approved:
    """The manifest of an approved render. shown: what messages call it. sha256: of its bytes."""

    manifest: Manifest
    shown: str
    sha256: str

    def lent(self, mic: str, rate: int) -> tuple[float, int] | None:
        """Delay in samples at `rate`, and polarity, of a mic over all performances that agree; None: not known."""
        own = [entry for entry in self.manifest.alignment if entry.mic == mic and _counts(entry)]
        if not own:
            return None
        polarity = Counter(entry.polarity for entry in own).most_common(1)[0][0]
        delays = [entry.delay_samples for entry in own if entry.polarity == polarity]
        return statistics.median(delays) * rate / self.manifest.rate, polarity

    def print_held(self) -> tuple[SetUpPrint, SetUp]:
        """Its pooled print. Raises RecipeError where it has none."""
        setup = self.manifest.setup
        if setup is None or setup.pooled is None:
            what = "this render holds no set-up: too little riff, or an earlier version wrote it"
            raise RecipeError(Problem("setup-does-not-fit", self.shown, what))
        return setup.pooled, setup

    def print_for(self, song: Song) -> tuple[SetUpPrint, SetUp]:
        """Its pooled print. Raises RecipeError where it has none, or one of another reference."""
        pooled, setup = self.print_held()
        if pooled.reference != song.reference:
            what = f"its reference is '{pooled.reference}', the recipe's is '{song.reference}'"
            raise RecipeError(Problem("setup-does-not-fit", self.shown, what))
        return pooled, setup


def _counts(entry: DecisionEntry) -> bool:
    steady = len(entry.passages) <= 1 and entry.moved_samples is None and entry.rotation is None
    return entry.refusal is None and entry.origin in ("auto", "sheet", "recipe") and steady


def aligned_as_approved(song: Song, approved: Approved, again: Rereading) -> Song:
    """The song decided by itself first, then with the approved delays wherever the set-up is the same."""
    base, base_setup = approved.print_for(song)
    own = with_set_up(aligned(song, None, again))
    setup = set_up_of(own)
    none = Comparison(shifts=(), statements=())
    found = none if setup is None else compared(base, base_setup, setup)
    fates = {name: _fate(name, approved, own, base, found) for name in dict.fromkeys(mic.name for mic in own.judged)}
    lent = {name for name, fate in fates.items() if fate.lent}
    told = [fate.finding for fate in fates.values() if fate.finding is not None]
    if not lent:
        return replace(own, against_approved=found.shifts).tell(*told)
    final = aligned(song, _sheet(own, approved, lent), again)
    final = final.tell(*(f for f in own.findings if f.slug in WRONG_FILE), *told)
    return replace(final, against_approved=found.shifts)


@dataclass(frozen=True, slots=True)
class _Fate:
    """What becomes of a mic: whether the approved delay is lent to it, and what is told of it."""

    lent: bool
    finding: Finding | None


def _fate(name: str, approved: Approved, own: Song, base: SetUpPrint, found: Comparison) -> _Fate:
    if name == base.reference:
        words = [s.words() for s in found.statements if s.reference or s.kind == "temperature"]
        return _Fate(True, _finding("setup-moved", "warning", name, "; ".join(words)) if words else None)
    known = base.mic(name)
    if known is None or approved.lent(name, own.rate) is None:
        return _Fate(
            False, _finding("setup-new", "info", name, "the approved set-up does not know it; its own is kept")
        )
    if any(mic.name == name and mic.decision.refusal in WRONG_FILE for mic in own.judged):
        return _Fate(False, None)
    moved = [s for s in found.statements if _moves(s, name)]
    if moved:
        what = f"{'; '.join(s.words() for s in moved)}; its own delay is kept"
        return _Fate(False, _finding("setup-moved", "warning", name, what))
    changed = "".join(f"; {s.words()}" for s in found.statements if name in s.mics)
    severity: Severity = "warning" if changed else "info"
    shift = next((shift for shift in found.shifts if shift.mic == name), None)
    sure = _within(SURE * (known.delay_error_mm or 0.0))
    if shift is None or not shift.moved_error_mm < float("inf"):
        what = f"too little of it is heard to tell its place; the approved delay ({sure}) is taken"
        return _Fate(True, _finding("setup-borrowed", "warning", name, what))
    here = f"{shift.moved_mm:+.2f} {_within(SURE * shift.moved_error_mm)}"
    what = f"agrees with the approved set-up ({here}), whose delay ({sure}) is taken{changed}"
    return _Fate(True, _finding("setup-agrees", severity, name, what))


def _within(mm: float) -> str:
    return f"± {max(mm, 0.01):.{1 if mm >= 1.0 else 2}f} mm"


def _moves(statement: Statement, name: str) -> bool:
    """Whether after this change the approved delay of a mic is not its own."""
    if statement.kind == "temperature" or (statement.reference and statement.kind in ("moved", "turned")):
        return True
    return name in statement.mics and statement.kind in ("moved", "turned", "swapped")


def _finding(slug: str, severity: Severity, subject: str, message: str) -> Finding:
    return Finding(slug, severity, subject, message)


def _sheet(own: Song, approved: Approved, lent: set[str]) -> Sheet:
    """What was decided, with the approved delays of those that they are lent to."""
    return Sheet(
        sheet=1,
        song=own.name,
        rate=own.rate,
        reference=own.reference,
        performances={
            performance.name: {mic.name: _entry(own, mic, approved, lent) for mic in performance.judged}
            for performance in own.performances
        },
    )


def _entry(own: Song, mic: Mic, approved: Approved, lent: set[str]) -> SheetEntry:
    decision = mic.decision
    passages = tuple(
        SheetPassage(
            from_s=p.from_s, to_s=p.to_s, delay_samples=p.delay_samples, polarity=_polarity(p.polarity), ppm=p.ppm
        )
        for p in decision.passages
    )
    rotation = decision.rotation
    entry = SheetEntry(
        polarity=_polarity(decision.polarity),
        delay_samples=decision.delay_samples,
        sum=decision.summed,
        arrival_samples=decision.arrival_samples,
        passages=passages,
        rotation=None
        if rotation is None
        else SheetRotation(order=rotation.order, corner_hz=rotation.corner_hz, q=rotation.q),
        sha256=mic.levels.sha256,
    )
    known = approved.lent(mic.name, own.rate)
    if mic.name not in lent or known is None or passages or _by_hand(decision) or mic.name == own.reference:
        return entry
    refused = decision.refusal is not None
    return entry.model_copy(
        update={
            "polarity": _polarity(known[1]),
            "delay_samples": known[0],
            "sum": not mic.mute if refused else decision.summed,
        }
    )


def _by_hand(decision: MicDecision) -> bool:
    return decision.origin == "recipe"


def _polarity(sign: int) -> Polarity:
    return "inverted" if sign < 0 else "normal"
