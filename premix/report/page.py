"""The page of a song: what was decided, what was measured, and what can be heard, in one HTML file.

Each subject that has pictures is a line in `SUBJECTS` and a place in the template.
"""

import importlib.util
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path
from typing import Any

from premix.delivery.track_sheet import track_sheet
from premix.errors import Finding
from premix.measures.limits import judged_limits
from premix.model.manifest import Manifest
from premix.model.mix import Rendered
from premix.report.alignment_pictures import attack_pictures, efficiency_pictures, phase_pictures
from premix.report.drawing import written
from premix.report.gate_pictures import gate_pictures
from premix.report.html_page import MOST_BYTES, Page, flat
from premix.report.listening import Listening, make_listening
from premix.report.mix_pictures import doubling_pictures, level_pictures, stereo_pictures
from premix.report.pictures import Picture, drawn, save_pictures
from premix.report.song_players import MOST_PERFORMANCES, groups_of, players_of, sources_of
from premix.report.trail_pictures import trail_pictures
from premix.report.window import SECONDS, busiest_window
from premix.units import gain_to_db, samples_to_s

SUBJECTS: dict[str, Callable[[Rendered], Iterator[Picture]]] = {
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
MOST_PICTURES = 12
"""Of one subject: songs with more performances show the first ones."""
SECTIONS = (
    ("verdict", "Verdict"),
    ("listen", "Listen"),
    ("sheet", "Track sheet"),
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
_NEEDED = ("jinja2", "matplotlib")
_SEVERITIES = ("error", "warning", "info")


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
    facts = _facts(rendered, document) | {"pictures": {subject: drawn(made) for subject, made in pictures.items()}}
    page = Page("song.html", document, rendered.song.rate, facts)
    listening = _listening(rendered, most_bytes - page.size(left_out=left_out), path.parent)
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


def _listening(rendered: Rendered, most_bytes: int, folder: Path) -> Listening:
    plan, window = rendered.plan, busiest_window(rendered.song, SECONDS)
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


def _facts(rendered: Rendered, document: Manifest) -> dict[str, Any]:
    song = rendered.song
    return {
        "verdict": verdict(document),
        "limits": list(limit_rows(rendered)),
        "findings": sorted(document.findings, key=lambda finding: _SEVERITIES.index(finding.severity)),
        "sections": SECTIONS,
        "seconds": written(samples_to_s(song.frames, song.rate)),
        "performances": list(_performances(rendered, document)),
        "recipe": list(flat(document.recipe.merged)),
        "sheet": track_sheet(rendered),
    }


def verdict(document: Manifest) -> str:
    """The run in one sentence, the worst news first."""
    told = [entry for entry in document.findings if entry.severity != "info"]
    broken = sum(entry.count for entry in told if entry.breaks_limit)
    done = f"{broken} limit{'s' * (broken != 1)} broken" if broken else "Done"
    if others := sum(entry.count for entry in told) - broken:
        done += f", {others} finding{'s' * (others != 1)} to look at"
    return f"{done}: {len(document.files)} files"


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
        yield {"name": performance.name, "bus": bus, "gain": gain, "efficiency": place, "mics": mics}


def _gain(gain: float) -> str:
    return written(gain_to_db(gain), sign=True)
