"""What no single value shows: names that must exist, settings that exclude each other, names that collide.

The checks read plain merged data, so that they also run on a recipe whose values are still faulty, and
everything wrong is told at once. What is absent or of a wrong type is skipped: that fault is told elsewhere.
"""

from collections.abc import Callable, Iterator
from typing import Any

from premix.recipe import collisions, known_names
from premix.recipe.faults import Fault, shown
from premix.recipe.marks import Node
from premix.recipe.merged import Merged, is_number
from premix.recipe.schema import TABLES

MOST_NAMES = 256


def check(data: dict[str, Any], root: Node) -> Iterator[Fault]:
    """Every fault that shows only between values."""
    merged = Merged(data, root)
    if any(len(merged.table(table)) > MOST_NAMES for table in TABLES):
        return  # that there are too many names is told with the values
    for one in _CHECKS:
        yield from one(merged)


def _room_gates(merged: Merged) -> Iterator[Fault]:
    for name, mic in merged.table("mics").items():
        if "gate" in mic and merged.role(name) != "room":
            what, remedy = "only a room mic has a gate", "give the mic 'role: room', or remove its gate"
            yield merged.at_key(("mics", name, "gate"), "recipe-gate-not-room", what, remedy=remedy)


def _filters(merged: Merged) -> Iterator[Fault]:
    for name, mic in merged.table("mics").items():
        low, high = mic.get("high_pass_hz"), mic.get("low_pass_hz")
        if is_number(low) and is_number(high) and low >= high:
            what = f"the high-pass at {low:g} Hz is not below the low-pass at {high:g} Hz"
            yield merged.at(("mics", name, "high_pass_hz"), "recipe-filters-cross", what)


def _gate_band(merged: Merged) -> Iterator[Fault]:
    band = merged.items("gate", "band_hz")
    if len(band) == 2 and is_number(band[0]) and is_number(band[1]) and band[0] >= band[1]:
        what = f"{band[0]:g} Hz is not below {band[1]:g} Hz"
        yield merged.at(("gate", "band_hz"), "recipe-band", what, "the low end first, then the high end")


def _delays(merged: Merged) -> Iterator[Fault]:
    tables: list[tuple[str, ...]] = [("mics",)]
    tables += [(table, name, "mics") for table in ("performances", "variants") for name in merged.table(table)]
    for table in tables:
        for mic, entry in merged.table(*table).items():
            delay = entry.get("delay")
            if isinstance(delay, dict) and len(delay) != 1:
                what = f"a delay by hand has {len(delay)} units here"
                allowed = "exactly one of ms, samples and cm, as in {ms: 0.35}"
                yield merged.at((*table, mic, "delay"), "recipe-delay-units", what, allowed)


def _heard(merged: Merged) -> Iterator[Fault]:
    """At least one performance sounds, and each that does has a close mic that does."""
    mics, performances = merged.table("mics"), merged.table("performances")
    playing = [name for name, entry in performances.items() if entry.get("mute") is not True]
    if performances and not playing:
        yield merged.at_key(("performances",), "recipe-nothing-heard", "every performance is muted")
    close = [mic for mic in mics if merged.role(mic) != "room"]
    for name in playing if mics else ():
        exceptions = merged.table("performances", name, "mics")
        mutes = [exceptions.get(mic, {}).get("mute", mics[mic].get("mute")) for mic in close]
        if all(mute is True for mute in mutes):
            what = "every close mic is muted here" if close else "the set-up has no close mic"
            allowed = "at least one mic of role close or sub that is not muted"
            yield merged.at_key(("performances", name), "recipe-nothing-heard", what, allowed)


def _sample_format(merged: Merged) -> Iterator[Fault]:
    deliver = merged.section("deliver")
    if deliver.get("format") == "flac" and deliver.get("bits") == 32:
        what = "FLAC holds no 32-bit float samples"
        yield merged.at(("deliver", "bits"), "recipe-flac-bits", what, "16 or 24, or the format wav")
    if deliver.get("bits") == 32 and deliver.get("dither") == "tpdf":
        what = "32-bit float samples take no dither"
        yield merged.at(("deliver", "dither"), "recipe-float-dither", what, "auto or none")


def _delivered_twice(merged: Merged) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, kind in enumerate(merged.items("deliver", "files")):
        if not isinstance(kind, str):
            continue
        if kind in seen:
            path, what = ("deliver", "files", index), f"'{shown(kind)}' stands twice"
            yield merged.at(path, "recipe-stands-twice", what, remedy="keep one of them")
        seen.add(kind)


_CHECKS: tuple[Callable[[Merged], Iterator[Fault]], ...] = (
    known_names.reference,
    known_names.performance_names,
    known_names.group_mics,
    known_names.variant_names,
    _room_gates,
    _filters,
    _gate_band,
    _delays,
    _heard,
    _sample_format,
    _delivered_twice,
    collisions.patterns,
    collisions.same_names,
    collisions.joined_names,
)
