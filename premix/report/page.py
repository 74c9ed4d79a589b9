"""The page of a song: what was decided, what was measured, and what can be heard, in one HTML file.

Each subject that has pictures is a line in `SUBJECTS` and a place in the template.
"""

import importlib.util
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path
from typing import Any

from premix.delivery.track_sheet import track_sheet
from premix.errors import Finding
from premix.measures.limits import judged_limits
from premix.measures.meters import GUITARS
from premix.model.manifest import Manifest
from premix.model.mix import Rendered
from premix.report.alignment_pictures import attack_pictures, efficiency_pictures, phase_pictures
from premix.report.drawing import written
from premix.report.gate_pictures import gate_pictures
from premix.report.html_page import MOST_BYTES, Page, flat, script_safe
from premix.report.listening import Listening, make_listening
from premix.report.mix_pictures import doubling_pictures, level_pictures, stereo_pictures
from premix.report.overview import mono_word, overview_of
from premix.report.pictures import Picture, drawn, in_figures, save_pictures
from premix.report.set_up import mic_rows, set_up_pictures
from premix.report.song_players import MOST_PERFORMANCES, groups_of, players_of, sources_of
from premix.report.trail_pictures import CHANGES, trail_pictures
from premix.report.window import SECONDS, busiest_window, window_around
from premix.units import clock, gain_to_db, samples_to_s

SUBJECTS: dict[str, Callable[[Rendered], Iterator[Picture]]] = {
    "set_up": set_up_pictures,
    "efficiency": efficiency_pictures,
    "steadiness": trail_pictures,
    "attack": attack_pictures,
    "phase": phase_pictures,
    "gate": gate_pictures,
    "stereo": stereo_pictures,
    "levels": level_pictures,
    "doubling": doubling_pictures,
}
"""Subject -> its pictures of a finished run."""
IN_FIGURES = frozenset(("efficiency", "phase"))
"""Subjects that the set-up's pictures show for all performances at once: each one's own are there as tables."""
FIRST_ALONE = frozenset(("attack", "gate"))
"""Subjects of which the first picture speaks for all: the others are there as tables, unless they are not like it."""
MOST_PICTURES = 12
"""Of one subject: songs with more performances show the first ones."""
SECTIONS = (
    ("findings", "Findings and limits"),
    ("set-up", "Set-up and sum"),
    ("gate", "Rooms and gate"),
    ("mix", "Mix"),
    ("sheet", "Track sheet"),
    ("recipe", "Recipe"),
    ("versions", "Versions and hashes"),
)
_NEEDED = ("jinja2", "matplotlib")
_IN_VIEW = 6
"""Kinds of findings on the first screen."""
_MOVES = frozenset(CHANGES)


def missing_extra() -> Finding | None:
    """What to tell the user where the extra `report` is not installed; None where it is."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if not missing:
        return None
    slug = "report-extra-missing"
    return Finding(slug, "info", "report", f"no page was made: {' and '.join(missing)} not installed")


@dataclass(frozen=True, slots=True)
class Report:
    """A written page, and its pictures, which can be saved as files too."""

    path: Path
    pictures: tuple[Picture, ...]

    def save_pictures(self, folder: Path) -> None:
        """Write the pictures as SVG and PNG; raises DeliveryError where they cannot be written."""
        save_pictures(self.pictures, folder)


def write_report(rendered: Rendered, document: Manifest, path: Path, *, most_bytes: int = MOST_BYTES) -> Report:
    """Write the page of a finished run to `path`. Needs the extra `report` (see `missing_extra`).

    document: the run's manifest; every figure in a table is looked up there. The tracks are read again, in short
    excerpts. Raises DeliveryError where the page cannot be written.
    """
    pictures, left_out = pictures_of(rendered)
    facts = _facts(rendered, document) | {
        "pictures": {subject: _shown(subject, made) for subject, made in pictures.items()}
    }
    page = Page("song.html", document, rendered.song.rate, facts)
    at_s = next((entry.at_s for entry in document.findings if entry.at_s is not None), None)
    listening = _listening(rendered, at_s, most_bytes - page.size(left_out=left_out), path.parent)
    page.write(path, listening, left_out=[*left_out, *_not_heard(rendered, listening)])
    return Report(path, tuple(picture for made in pictures.values() for picture in made))


def pictures_of(rendered: Rendered) -> tuple[dict[str, list[Picture]], list[str]]:
    """Pictures by subject, and what was left out of them."""
    made: dict[str, list[Picture]] = {}
    left_out = []
    for subject, pictures in SUBJECTS.items():
        found = list(islice(pictures(rendered), MOST_PICTURES + 1))
        made[subject] = found[:MOST_PICTURES]
        if len(found) > MOST_PICTURES:
            left_out.append(f"pictures: {subject}, all but the first {MOST_PICTURES}")
    return made, left_out


def _listening(rendered: Rendered, at_s: float | None, most_bytes: int, folder: Path) -> Listening:
    """What is heard: around the place of the costliest finding that has one, else where most happens."""
    plan, window = rendered.plan, busiest_window(rendered.song, SECONDS)
    if at_s is not None:
        window = window_around(at_s, rendered.song, SECONDS)
    groups = groups_of(plan)
    players = players_of(plan, groups)
    return make_listening(sources_of(plan, groups, players), players, window, plan.rate, most_bytes, folder)


def _not_heard(rendered: Rendered, listening: Listening) -> Iterator[str]:
    whole = samples_to_s(rendered.song.frames, rendered.song.rate)
    heard = listening.end_s - listening.start_s
    if heard < whole - 0.01:
        yield f"sound: {heard:.2f} s of {whole:.2f} s can be heard here; the files hold the whole song"
    if len(rendered.plan.performances) > MOST_PERFORMANCES:
        yield f"players of single stems: there are more than {MOST_PERFORMANCES} performances"
    yield from listening.left_out


def _shown(subject: str, pictures: Sequence[Picture]) -> list[tuple[Picture, Any]]:
    """Those that are drawn, the others with their figures only."""
    if subject in IN_FIGURES:
        return list(in_figures(pictures))
    if subject not in FIRST_ALONE:
        return drawn(pictures)
    return [
        shown
        for place, picture in enumerate(pictures)
        for shown in (drawn([picture]) if not place or picture.apart else in_figures([picture]))
    ]


def _facts(rendered: Rendered, document: Manifest) -> dict[str, Any]:
    song, limits, overview = rendered.song, list(limit_rows(rendered)), overview_of(rendered, document)
    needs = [entry for entry in document.findings if entry.severity != "info" or entry.slug == "track-left-out"]
    holds = next((row.holds for row in limits if row.what == "mono fold"), None)
    parts = [file.part for file in document.files]
    return {
        "verdict": verdict(document),
        "right": not needs,
        "limits": limits,
        "limits_word": _limits_word(limits),
        "needs": needs[:_IN_VIEW],
        "more_needs": len(needs[_IN_VIEW:]),
        "mono_word": mono_word(document, holds),
        "guitars": parts.index(GUITARS) if GUITARS in parts else None,
        "sections": SECTIONS,
        "overview": overview,
        "overview_data": script_safe(overview.data),
        "clock": clock,
        "seconds": written(samples_to_s(song.frames, song.rate)),
        "performances": list(_performances(rendered, document)),
        "mic_rows": list(mic_rows(song)),
        "recipe": list(flat(document.recipe.merged)),
        "sheet": track_sheet(rendered),
    }


def verdict(document: Manifest) -> str:
    """The run in one sentence, the worst news first: limits, what is not in the sum, what moves, the rest."""
    told = [entry for entry in document.findings if entry.severity != "info"]
    roll = document.roll_call
    counts = {
        "limit{} broken": sum(entry.count for entry in told if entry.breaks_limit),
        "mic{} refused": sum(decision.refusal is not None for decision in document.alignment),
        "left out": len(roll.left_out) if roll else 0,
        "mic{} moving in the song": sum(entry.count for entry in told if entry.slug in _MOVES),
    }
    said = [f"{count} {word.format('s' * (count > 1))}" for word, count in counts.items() if count]
    slugs = {decision.refusal for decision in document.alignment} | _MOVES | {"track-left-out"}
    if others := sum(not entry.breaks_limit and entry.slug not in slugs for entry in told):
        said.append(f"{others} more kind{'s' * (others > 1)} of finding" if said else _kinds(others))
    return f"{', '.join(said) or 'In order, every mic is in its sum'}: {len(document.files)} files"


def _kinds(count: int) -> str:
    return f"Done, {count} kind{'s' * (count > 1)} of finding to look at"


def _limits_word(limits: Sequence["LimitRow"]) -> str:
    """How the limits are held: 'none set', '3 hold', '1 of 3 broken: mono fold'."""
    broken = [row.what for row in limits if not row.holds]
    if broken:
        return f"{len(broken)} of {len(limits)} broken: {', '.join(broken)}"
    return f"{len(limits)} hold{'s' * (len(limits) == 1)}" if limits else "none set"


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of the recipe as it was held: what, allowed, the worst reading and whose, whether it holds."""

    what: str
    allowed: str
    measured: str
    subject: str
    holds: bool


def limit_rows(rendered: Rendered) -> Iterator[LimitRow]:
    """Every limit that the recipe sets."""
    for check, limit, judged in judged_limits(rendered.song, rendered.rendering):
        digits = 0 if isinstance(limit, int) else 2
        allowed = f"{check.allowed} {written(limit, digits)} {check.unit}".rstrip()
        worst = judged.worst
        measured = "not measured" if worst is None else f"{written(worst, digits)} {check.unit}".rstrip()
        yield LimitRow(check.what, allowed, measured, judged.subject, judged.holds)


def _performances(rendered: Rendered, document: Manifest) -> Iterator[dict[str, Any]]:
    """The places of every performance and its mics in the manifest, which has them in the song's order, and their gains
    in the mix."""
    decisions = count()
    for place, (performance, efficiency) in enumerate(
        zip(rendered.song.performances, document.sum_efficiency_db, strict=True)
    ):
        mics = [
            {
                "index": next(decisions),
                "gain": _gain(mic.gain) if performance.heard and mic.decision.summed else None,
                "without": ("sum_efficiency_db", place, "without", mic.name)
                if mic.name in efficiency.without
                else None,
            }
            for mic in performance.judged
        ]
        gain = _gain(performance.gain) if performance.heard else None
        bus = ", ".join(dict.fromkeys(mic.bus for mic in performance.judged)) or performance.bus
        entries = [at for at, gate in enumerate(document.gate) if gate.performance == performance.name]
        yield {
            "name": performance.name,
            "bus": bus,
            "gain": gain,
            "efficiency": place,
            "gate": entries[0] if entries else None,
            "mics": mics,
        }


def _gain(gain: float) -> str:
    return written(gain_to_db(gain), sign=True)
