"""What stands in the demo's room: the house set-up, two amps of one take, a stereo room, or a DI beside the mics.

A line-up says which performances are played and what each is heard by; all else is the same in every session.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from premix.demo.rig import COLOURS, MICS, DemoMic, Section, distance_cm

Naming = Literal["plain", "german"]
RigName = Literal["house", "two_amps", "stereo_room", "di"]
PERFORMANCES = ("left_a", "left_b", "right_a", "right_b", "centre")


@dataclass(frozen=True, slots=True)
class LineUp:
    """performances: in order. mics: of each, what is before the amp too. through: what they hear, in words."""

    performances: tuple[str, ...]
    mics: tuple[DemoMic, ...]
    through: str = "one amp and cabinet"


_SMALL_CABINET = (
    Section("high_pass", 95.0, q=0.6),
    Section("peak", 140.0, 3.0, 0.8),
    Section("peak", 520.0, -3.0, 1.2),
    Section("peak", 2100.0, 4.0, 1.0),
    Section("low_pass", 5600.0, q=0.6),
    Section("low_pass", 6000.0, q=1.1),
)
"""The second amp's: a smaller box, brighter and with less below 100 Hz."""
_HOUSE = {mic.name: mic for mic in MICS}


def _second_amp(name: str, colour: str, cm: float, gain_db: float) -> DemoMic:
    """A close mic of the second amp, which turns the guitar over."""
    return DemoMic(name, "close", cm, -1, gain_db, -84.0, COLOURS[colour], cabinet=_SMALL_CABINET, amp=1)


def _of_pair(side: str, channel: int, metres: tuple[float, float, float]) -> DemoMic:
    """One mic of a stereo room: both are channels of one file."""
    far = replace(_HOUSE["room"], name=f"room_{side}", distance_cm=distance_cm(metres), place_m=metres)
    return replace(far, file="room", channel=channel)


LINE_UPS: Mapping[RigName, LineUp] = {
    "house": LineUp(PERFORMANCES, MICS),
    "two_amps": LineUp(
        ("first", "second"),
        (
            replace(_HOUSE["dynamic"], name="a_dynamic"),
            replace(_HOUSE["ribbon"], name="a_ribbon"),
            _second_amp("b_dynamic", "dynamic", 3.1, -19.0),
            _second_amp("b_condenser", "condenser", 22.4, -17.0),
            _HOUSE["room"],
        ),
        "two amps and cabinets at once",
    ),
    "stereo_room": LineUp(
        ("left_a", "right_a", "centre"),
        (
            _HOUSE["dynamic"],
            _HOUSE["ribbon"],
            _of_pair("left", 1, (3.75, 3.60, 1.70)),
            _of_pair("right", 2, (4.05, 1.15, 1.70)),
        ),
    ),
    "di": LineUp(
        ("left_a", "right_a", "centre"),
        (_HOUSE["dynamic"], _HOUSE["ribbon"], _HOUSE["room"], DemoMic("di", "di", 0.0, 1, -9.0, -92.0, ())),
    ),
}


_GERMAN = {
    "left_a": "links 1",
    "left_b": "links 2",
    "right_a": "rechts 1",
    "right_b": "rechts 2",
    "centre": "Mitte",
    "dynamic": "Dyn innen",
    "condenser": "Kond",
    "ribbon": "Bändchen",
    "sub": "4",
    "room": "hinten",
}


def file_stem(naming: Naming, performance: str, mic: str, number: int) -> str:
    """A track's file name without its extension. number: of the file, from 1; german: as one engineer labels tracks."""
    if naming == "plain":
        return f"{performance}_{mic}"
    return f"{number:02d} Gitarre {_GERMAN.get(performance, performance)} {_GERMAN.get(mic, mic)}"
