"""Whether the page can be made: its libraries are an extra.

Every subject that has pictures. To add one: a file in this room, a line here, a place in the template.

The page of a song: what was decided, what was measured, and what can be heard, in one HTML file.
"""

import importlib.util
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from premix.audio.writer import storage_error
from premix.model.finding import Finding
from premix.model.mix import MixPlan, PerformancePlan
from premix.model.run import FinishedRun
from premix.report.alignment_pictures import attack_pictures, efficiency_pictures, phase_pictures
from premix.report.facts import Figures, flat, limit_rows, verdict, written
from premix.report.gate_pictures import gate_pictures
from premix.report.html_page import html_page
from premix.report.listening import Listening, make_listening
from premix.report.mix_pictures import doubling_pictures, level_pictures, stereo_pictures
from premix.report.pictures import Material, Picture, save_pictures, shown
from premix.report.song_players import MOST_PERFORMANCES, groups_of, players_of, sources_of
from premix.report.window import SECONDS, Window, busiest_window
from premix.units import gain_to_db, samples_to_s

_NEEDED = ("jinja2", "matplotlib")


def missing_extra() -> Finding | None:
    """What to tell the user where the extra `report` is not installed; None where it is."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if not missing:
        return None
    slug = "report-extra-missing"
    return Finding(slug, "info", "report", f"no page was made: {' and '.join(missing)} not installed")


SUBJECTS: dict[str, Callable[[Material], Iterator[Picture]]] = {
    "efficiency": efficiency_pictures,
    "attack": attack_pictures,
    "phase": phase_pictures,
    "gate": gate_pictures,
    "stereo": stereo_pictures,
    "levels": level_pictures,
    "doubling": doubling_pictures,
}
"""Subject -> its pictures of a finished run."""

MOST_PICTURES = 12
"""Of one subject: songs with more performances show the first ones."""


def pictures_of(material: Material) -> tuple[dict[str, list[Picture]], list[str]]:
    """Pictures by subject, and what was left out of them."""
    made: dict[str, list[Picture]] = {}
    left_out = []
    for subject, pictures in SUBJECTS.items():
        found = list(islice(pictures(material), MOST_PICTURES + 1))
        made[subject] = found[:MOST_PICTURES]
        if len(found) > MOST_PICTURES:
            left_out.append(f"pictures: {subject}, all but the first {MOST_PICTURES}")
    return made, left_out


MOST_BYTES = 24_500_000
"""A page stays below 25 MB: it opens at once and fits into a mail."""
SECTIONS = (
    ("verdict", "Verdict"),
    ("listen", "Listen"),
    ("efficiency", "Sum efficiency"),
    ("mics", "Mics"),
    ("attack", "Waveforms up close"),
    ("phase", "Phase and coherence"),
    ("gate", "Gate"),
    ("stereo", "Stereo picture"),
    ("levels", "Loudness and peaks"),
    ("doubling", "Double-tracking"),
    ("recipe", "Recipe"),
    ("versions", "Versions and hashes"),
)
_SEVERITIES = ("error", "warning", "info")


@dataclass(frozen=True, slots=True)
class Report:
    """A written page, and its pictures, which can be saved as files too."""

    path: Path
    pictures: tuple[Picture, ...]

    def save_pictures(self, folder: Path) -> None:
        """Write the pictures as SVG and PNG; raises DeliveryError where they cannot be written."""
        save_pictures(self.pictures, folder)


def write_report(run: FinishedRun, document: dict[str, Any], path: Path, *, most_bytes: int = MOST_BYTES) -> Report:
    """Write the page of a finished run to `path`. Needs the extra `report` (see `premix.report.page`).

    document: the run's manifest as plain data; every figure in a table is looked up there. The tracks are read
    again, in short excerpts. Raises DeliveryError where the page cannot be written.
    """
    window = busiest_window(run.gating, run.tracks.rate, run.tracks.frames, SECONDS)
    pictures, left_out = pictures_of(Material(run, window))
    drawn = {subject: [shown(picture) for picture in made] for subject, made in pictures.items()}
    facts = _facts(run, document) | {"pictures": drawn}
    silent = sum(len(piece.encode()) for piece in _page(run, facts, Listening((), (), 0.0, 0.0), left_out))
    listening = _listening(run, window, most_bytes - silent, path.parent)
    try:
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(_page(run, facts, listening, left_out))
    except OSError as error:
        raise storage_error(path, error) from None
    return Report(path, tuple(picture for made in pictures.values() for picture in made))


def _page(run: FinishedRun, facts: dict[str, Any], listening: Listening, left_out: list[str]) -> Iterator[str]:
    return html_page(
        "song.html", listening, run.tracks.rate, **facts, left_out=[*left_out, *_not_heard(run, listening)]
    )


def _listening(run: FinishedRun, window: Window, most_bytes: int, folder: Path) -> Listening:
    groups = groups_of(run.plan)
    return make_listening(
        sources_of(run, groups), players_of(run.plan, groups), window, run.tracks.rate, most_bytes, folder
    )


def _not_heard(run: FinishedRun, listening: Listening) -> Iterable[str]:
    whole = samples_to_s(run.tracks.frames, run.tracks.rate)
    heard = listening.end_s - listening.start_s
    if heard < whole - 0.01:
        yield f"sound: {heard:.2f} s of {whole:.2f} s can be heard here; the files hold the whole song"
    if len(run.plan.performances) > MOST_PERFORMANCES:
        yield f"players of single stems: there are more than {MOST_PERFORMANCES} performances"
    yield from listening.left_out


def _facts(run: FinishedRun, document: dict[str, Any]) -> dict[str, Any]:
    limits = limit_rows(run)
    return {
        "m": document,
        "n": Figures(document).number,
        "verdict": verdict(document, limits),
        "limits": limits,
        "findings": _worst_first(run.findings()),
        "sections": SECTIONS,
        "seconds": written(samples_to_s(run.tracks.frames, run.tracks.rate), 1),
        "performances": [_performance(run, document, name) for name in run.tracks.performances()],
        "recipe": list(flat(document["recipe"]["merged"])),
        "has_chain": _has_chain(run.plan),
    }


def _worst_first(findings: Iterable[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda finding: _SEVERITIES.index(finding.severity))


def _performance(run: FinishedRun, document: dict[str, Any], name: str) -> dict[str, Any]:
    """One performance's place in the manifest, and its gains in the mix."""
    plan = next((p for p in run.plan.performances if p.performance == name), None)
    at = [i for i, e in enumerate(document["sum_efficiency_db"]) if e["performance"] == name]
    efficiency = at[0] if at else None
    mics = []
    for index, decision in enumerate(document["alignment"]):
        if decision["performance"] == name:
            mic = decision["mic"]
            known = efficiency is not None and mic in document["sum_efficiency_db"][efficiency]["without"]
            without = ("sum_efficiency_db", efficiency, "without", mic) if known else None
            mics.append({"index": index, "gain": _gain(plan, mic), "without": without})
    return {
        "name": name,
        "bus": run.merged.recipe.performances[name].bus,
        "gain": written(gain_to_db(plan.gain), 1, sign=True) if plan else None,
        "efficiency": efficiency,
        "mics": mics,
    }


def _gain(plan: PerformancePlan | None, mic: str) -> str | None:
    paths = [path for path in (*plan.close, *plan.rooms) if path.track.mic == mic] if plan else []
    return written(gain_to_db(abs(paths[0].gain)), 1, sign=True) if paths else None


def _has_chain(plan: MixPlan) -> bool:
    chains = [path.chain for p in plan.performances for path in (*p.close, *p.rooms)]
    chains += [p.chain for p in plan.performances] + [bus.chain for bus in plan.buses] + [plan.guitar_chain]
    return any(chains)
