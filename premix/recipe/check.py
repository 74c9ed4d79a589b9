"""Names: what a song, a delivered file and the pattern of the tracks may be called on every system.

Names that one part of a recipe uses and another must define: mics, performances, buses, the reference.

Names that would be one and the same in file names, and file names that some system cannot hold.

What no single value shows: names that must exist, settings that exclude each other, names that collide.

The checks read plain merged data, so that they also run on a recipe whose values are still faulty, and
everything wrong is told at once. What is absent or of a wrong type is skipped: that fault is told elsewhere.
"""

import re
import string
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from premix.model.recipe import STANDING_BUSES
from premix.recipe.faults import Fault, KeyPath, shown
from premix.recipe.merge import Merged, Names, is_number
from premix.recipe.schema import TABLES
from premix.recipe.yaml import Node

FORBIDDEN = '<>:"/\\|?*'
"""Characters that a file name cannot hold on one system or another."""
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)

Judged = Iterator[tuple[str, str]]
"""(what is wrong, what is allowed)"""


def song_name(text: str) -> Judged:
    """What is wrong with a song's name, which becomes part of file names."""
    yield from _unsafe(text, "the song's name")
    if text.startswith("."):
        yield "the song's name begins with a dot", "a name that begins with a letter or digit"


def delivery_name(text: str) -> Judged:
    """What is wrong with the template of the delivered files' names."""
    fields, broken = placeholders(text)
    if broken:
        yield "a brace without its partner", "{song} and {part}"
        return
    unknown = [field for field in fields if field not in ("song", "part")]
    if unknown:
        yield f"unknown placeholder '{{{unknown[0]}}}'", "{song} and {part}"
    if "part" not in fields:
        yield "without {part} all files would have the same name", "a name with {part} in it"
    yield from _unsafe(text.replace("{song}", "s").replace("{part}", "p"), "the file name")


def track_pattern(text: str, performances: int, mics: int) -> Judged:
    """What is wrong with the pattern of the tracks, given how many performances and mics it tells apart."""
    fields, broken = placeholders(text)
    known = "{performance}, {mic}, {song}, * and ?"
    if broken:
        yield "a brace without its partner", known
        return
    unknown = [field for field in fields if field not in ("performance", "mic", "song")]
    if unknown:
        yield f"unknown placeholder '{{{unknown[0]}}}'", known
    if performances > 1 and "performance" not in fields:
        yield ("without {performance} the performances cannot be told apart", "a pattern with {performance} in it")
    if mics > 1 and "mic" not in fields:
        yield "without {mic} the mics cannot be told apart", "a pattern with {mic} in it"
    yield from track_file(text)


def track_file(text: str) -> Judged:
    """What is wrong with a track's path, which must stay below the tracks folder."""
    if "\\" in text:
        yield "a backslash stands in the path", "/ between folders"
    elif text.startswith("/") or ".." in text.split("/") or re.match(r"[A-Za-z]:", text):
        yield "the path leads out of the tracks folder", "a path below that folder"


def placeholders(text: str) -> tuple[list[str], bool]:
    """The names in braces, and whether the braces are broken."""
    try:
        parsed = list(string.Formatter().parse(text))
    except ValueError:
        return [], True
    fields = [field for _, field, _, _ in parsed if field is not None]
    broken = any(spec or conversion for _, field, spec, conversion in parsed if field is not None)
    return fields, broken or "{{" in text or "}}" in text


def _unsafe(text: str, called: str) -> Judged:
    found = next((char for char in text if char in FORBIDDEN or not char.isprintable()), None)
    if found:
        yield f"{called} holds {found!r}", f"no control characters and none of {' '.join(FORBIDDEN)}"
    if text != text.strip() or text.endswith("."):
        yield f"{called} begins or ends with a space or ends with a dot", "a name without them"
    if _RESERVED.fullmatch(text):
        yield f"{called} is reserved on some systems", "another name"


def reference(merged: Merged) -> Iterator[Fault]:
    """The reference must be a close mic."""
    path = ("alignment", "reference")
    name, mics = merged.text(*path), merged.table("mics")
    close = [mic for mic in mics if merged.role(mic) == "close"]
    if name is None or not mics or name in close:
        return
    if name in mics:
        what = f"'{name}' has the role {merged.role(name)}"
        yield merged.at(path, "recipe-reference", what, f"a close mic: {', '.join(close) or 'there is none'}")
    else:
        yield merged.unknown(path, "mic", close or mics)


def performance_names(merged: Merged) -> Iterator[Fault]:
    """A performance's bus must stand among the buses, its exceptions among the mics."""
    buses = dict.fromkeys((*merged.table("buses"), *STANDING_BUSES))
    for name in merged.table("performances"):
        bus = merged.text("performances", name, "bus")
        if bus is not None and bus not in buses:
            yield merged.unknown(("performances", name, "bus"), "bus", buses)
        yield from _keys(merged, ("performances", name, "mics"), "mic", merged.table("mics"))


def group_mics(merged: Merged) -> Iterator[Fault]:
    """A group's mics must stand among the mics."""
    mics = merged.table("mics")
    for name in merged.table("groups"):
        for index, mic in enumerate(merged.items("groups", name, "mics")):
            if mics and isinstance(mic, str) and mic not in mics:
                yield merged.unknown(("groups", name, "mics", index), "mic", mics)


def variant_names(merged: Merged) -> Iterator[Fault]:
    """What a variant changes must be there."""
    for name in merged.table("variants"):
        for table, kind in (("mics", "mic"), ("performances", "performance"), ("buses", "bus")):
            yield from _keys(merged, ("variants", name, table), kind, merged.table(table))


def _keys(merged: Merged, path: Names, kind: str, known: Iterable[str]) -> Iterator[Fault]:
    names = list(known)
    for name in merged.section(*path):
        if names and name not in names:
            yield merged.unknown((*path, name), kind, names, key=True)


def patterns(merged: Merged) -> Iterator[Fault]:
    """The song's name, the patterns of tracks and delivered files, and the files given one by one."""
    yield from _judged(merged, ("song",), song_name)
    yield from _judged(merged, ("deliver", "name"), delivery_name)
    performances, mics = _patterned(merged)
    yield from _judged(merged, ("tracks", "name"), lambda text: track_pattern(text, performances, mics))
    for performance in merged.table("performances"):
        for mic in merged.table("performances", performance, "mics"):
            yield from _judged(merged, ("performances", performance, "mics", mic, "file"), track_file)


def _judged(merged: Merged, path: Names, judge: Callable[[str], Judged]) -> Iterator[Fault]:
    text = merged.text(*path)
    for what, allowed in judge(text) if text else ():
        yield merged.at(path, "recipe-name-pattern", what, allowed)


def _patterned(merged: Merged) -> tuple[int, int]:
    """How many performances and mics are left to the pattern: those without a `file` of their own."""
    pairs = [
        (performance, mic)
        for performance in merged.table("performances")
        for mic in merged.table("mics")
        if merged.text("performances", performance, "mics", mic, "file") is None
    ]
    return len({performance for performance, _ in pairs}), len({mic for _, mic in pairs})


def same_names(merged: Merged) -> Iterator[Fault]:
    """Names and aliases of one table that differ in case or Unicode form only."""
    for table in TABLES:
        seen: dict[str, str] = {}
        for name in merged.table(table):
            for spelling, path in _spellings(merged, table, name):
                other = seen.setdefault(unicodedata.normalize("NFC", spelling).casefold(), spelling)
                if other is not spelling:
                    what = f"'{shown(spelling)}' and '{shown(other)}' are one name where case does not count"
                    fault = merged.at_key if len(path) == 2 else merged.at
                    yield fault(path, "recipe-names-collide", what, remedy="rename one of them")


def _spellings(merged: Merged, table: str, name: str) -> Iterable[tuple[str, KeyPath]]:
    yield name, (table, name)
    for index, alias in enumerate(merged.items(table, name, "aliases")):
        if isinstance(alias, str):
            yield alias, (table, name, "aliases", index)


def joined_names(merged: Merged) -> Iterator[Fault]:
    """Performance and mic are joined by _ in file names: 'a_b' with 'c' is 'a' with 'b_c'."""
    seen: dict[str, tuple[str, str]] = {}
    for performance in merged.table("performances"):
        for mic in merged.table("mics"):
            other = seen.setdefault(f"{performance}_{mic}".casefold(), (performance, mic))
            if other[0].casefold() != performance.casefold():
                what = (
                    f"'{performance}' with mic '{mic}' and '{other[0]}' with mic '{other[1]}' make the same file name"
                )
                yield merged.at_key(
                    ("performances", performance), "recipe-names-collide", what, remedy="rename one of them"
                )


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
    reference,
    performance_names,
    group_mics,
    variant_names,
    _room_gates,
    _filters,
    _gate_band,
    _delays,
    _heard,
    _sample_format,
    _delivered_twice,
    patterns,
    same_names,
    joined_names,
)
