"""An album of demo songs through one set-up, and mics that somebody nudges between two of them.

Song after song has another riff, tempo and tuning of the fingers; everything between amp and file stays, but for the
mics that are said to move. A close mic that moves away is softer by its distance from the speaker.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from premix.demo.playing import BARS, TEMPO_BPM
from premix.demo.rig import CABINET_M, DemoMic, Point
from premix.units import gain_to_db

ALBUM = (
    *("Tidewater", "Undertow", "Breakwater", "Low Lantern", "Slack Rope", "Harbour Light"),
    *("Salt and Iron", "Neap", "Dredger", "The Long Pier", "Ballast", "Foghorn"),
)
"""The invented songs of the invented band."""
MOST_SONGS = len(ALBUM)
_TEMPOS_BPM = (TEMPO_BPM, 98.0, 126.0, 105.0, 118.0)
_FORM = re.compile(r"(?P<mic>[^:@]+):(?P<mm>[+-]?\d+(?:\.\d+)?)mm@(?P<since>\d+)")
LEAST_CM = 1.0
"""Nearer to the speaker no mic can be nudged."""
MOST_MM = 500.0


@dataclass(frozen=True, slots=True)
class Nudge:
    """A mic that stands `mm` further from the speaker from song number `since` (from 1) on."""

    mic: str
    mm: float
    since: int

    @classmethod
    def from_text(cls, text: str) -> "Nudge | None":
        """'ribbon:5mm@3'; None for anything else."""
        found = _FORM.fullmatch(text.strip())
        return None if found is None else cls(found["mic"].strip(), float(found["mm"]), int(found["since"]))

    def fault(self, mics: Sequence[DemoMic]) -> tuple[str, str, str] | None:
        """What is wrong with it: (setting, what, allowed)."""
        own = next((mic for mic in mics if mic.name == self.mic and mic.role != "di"), None)
        if own is None:
            return "nudge", f"{self.mic} is no mic of this rig", ", ".join(m.name for m in mics if m.role != "di")
        if abs(self.mm) > MOST_MM or own.distance_cm + 0.1 * self.mm < LEAST_CM:
            least = max(-MOST_MM, 10.0 * (LEAST_CM - own.distance_cm))
            return "nudge", f"{self.mic} cannot be moved by {self.mm:+g} mm", f"{least:g} to {MOST_MM:g} mm"
        if not 1 <= self.since <= MOST_SONGS:
            return "nudge", f"there is no song {self.since}", f"1 to {MOST_SONGS}"
        return None


def nudged(mics: Sequence[DemoMic], song: int, nudges: Sequence[Nudge]) -> tuple[DemoMic, ...]:
    """The mics as they stand in a song."""
    found = list(mics)
    for nudge in nudges:
        if nudge.since <= song:
            found = [_further(mic, nudge.mm) if mic.name == nudge.mic else mic for mic in found]
    return tuple(found)


def _further(mic: DemoMic, mm: float) -> DemoMic:
    """The mic further away along its own line from the speaker."""
    cm = mic.distance_cm + 0.1 * mm
    if mic.place_m is None:
        return replace(mic, distance_cm=cm, gain_db=mic.gain_db - gain_to_db(cm / mic.distance_cm))
    x, y, z = (here + (there - here) * cm / mic.distance_cm for here, there in zip(CABINET_M, mic.place_m, strict=True))
    place: Point = (x, y, z)
    return replace(mic, distance_cm=cm, place_m=place)


def score_of(song: int) -> tuple[tuple[tuple[str, str], ...], float]:
    """Bars and tempo of a song: the first is the riff of the demo session."""
    turn = (3 * (song - 1)) % len(BARS)
    bars = BARS[turn:] + BARS[:turn]
    if song > 1:
        bars = tuple((strokes, _moved(frets, song - 1)) for strokes, frets in bars)
    return bars, _TEMPOS_BPM[(song - 1) % len(_TEMPOS_BPM)]


def _moved(frets: str, by: int) -> str:
    """Other frets than those of the first song, low ones still."""
    return "".join(str((int(fret) * (1 + by % 3) + by) % 10) for fret in frets)
