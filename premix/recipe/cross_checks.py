"""What no single value shows: names that must exist, settings that exclude each other, names that collide.

The checks read plain merged data, so that they also run on a recipe whose values are still faulty, and
everything wrong is told at once. What is absent or of a wrong type is skipped: that fault is told elsewhere.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from premix.messages import FROM_TABLE
from premix.model.names import FIELDS, fold, is_reserved, placeholders
from premix.model.settings import Deliver
from premix.recipe.faults import Fault, KeyPath, shown
from premix.recipe.merged import Merged, Names, is_number
from premix.recipe.record import STANDING_BUSES
from premix.recipe.routing_checks import joined_groups, mics_of, own_buses, own_stems, untouched_dis, without
from premix.recipe.schema import TABLES
from premix.recipe.yaml import Node

MOST_NAMES = 256
FORBIDDEN = '<>:"/\\|?*'
"""Characters that a file name cannot hold on one system or another."""

Judged = Iterator[tuple[str, str]]
"""(what is wrong, what is allowed)"""


def check(data: dict[str, Any], root: Node) -> Iterator[Fault]:
    """Every fault that shows only between values."""
    merged = Merged(data, root)
    if any(len(merged.table(table)) > MOST_NAMES for table in TABLES):
        return  # that there are too many names is told with the values
    for one in (
        _reference,
        _unknown_names,
        _mics,
        untouched_dis,
        own_stems,
        own_buses,
        without,
        _gate_band,
        _gate_spans,
        _delays,
        _heard,
        _delivery,
        _width,
        _patterns,
        _same_names,
        _joined_names,
        joined_groups,
    ):
        yield from one(merged)


def _reference(merged: Merged) -> Iterator[Fault]:
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


def _unknown_names(merged: Merged) -> Iterator[Fault]:
    """Buses that stems and rooms are sent to; mics, groups, performances, buses that exceptions and variants name."""
    tables = {"mic": "mics", "performance": "performances", "bus": "buses"}
    known = {kind: list(merged.table(table)) for kind, table in tables.items()}
    groups = list(merged.table("groups"))

    def keys(path: Names, kind: str) -> Iterator[Fault]:
        for name in merged.section(*path):
            if known[kind] and name not in known[kind]:
                yield merged.unknown((*path, name), kind, known[kind], key=True)

    buses = dict.fromkeys((*known["bus"], *STANDING_BUSES))
    for path in merged.senders():
        bus = merged.text(*path, "bus")
        if bus is not None and bus not in buses:
            yield merged.unknown((*path, "bus"), "bus", buses)
    for name in known["performance"]:
        yield from keys(("performances", name, "mics"), "mic")
        for group in merged.section("performances", name, "groups"):
            if group not in groups:
                yield merged.unknown(("performances", name, "groups", group), "group", groups, key=True)
    for name in merged.table("groups"):
        for index, mic in enumerate(merged.items("groups", name, "mics")):
            if known["mic"] and isinstance(mic, str) and mic not in known["mic"]:
                yield merged.unknown(("groups", name, "mics", index), "mic", known["mic"])
    for name in merged.table("variants"):
        for kind, table in tables.items():
            yield from keys(("variants", name, table), kind)


def _mics(merged: Merged) -> Iterator[Fault]:
    """A gate is a room mic's, and filters leave something between them."""
    for name, mic in merged.table("mics").items():
        if "gate" in mic and merged.role(name) != "room":
            what = "only a room mic has a gate"
            yield merged.at(("mics", name, "gate"), "recipe-gate-not-room", what, remedy=FROM_TABLE, key=True)
        if "stem_gate" in mic and merged.role(name) == "room":
            what = "a room mic is gated by its `gate`"
            yield merged.at(("mics", name, "stem_gate"), "recipe-stem-gate", what, remedy=FROM_TABLE, key=True)
        low, high = mic.get("high_pass_hz"), mic.get("low_pass_hz")
        if is_number(low) and is_number(high) and low >= high:
            what = f"the high-pass at {low:g} Hz is not below the low-pass at {high:g} Hz"
            yield merged.at(("mics", name, "high_pass_hz"), "recipe-filters-cross", what)


def _gate_band(merged: Merged) -> Iterator[Fault]:
    band = merged.items("gate", "band_hz")
    if len(band) == 2 and is_number(band[0]) and is_number(band[1]) and band[0] >= band[1]:
        what = f"{band[0]:g} Hz is not below {band[1]:g} Hz"
        yield merged.at(("gate", "band_hz"), "recipe-band", what, "the low end first, then the high end")


def _gate_spans(merged: Merged) -> Iterator[Fault]:
    """Spans by hand are in order, and none is empty."""
    for name in merged.table("performances"):
        path = ("performances", name, "gate", "spans")
        before = -1.0
        for index, span in enumerate(merged.items(*path)):
            if not isinstance(span, list | tuple) or len(span) != 2 or not all(map(is_number, span)):
                continue
            if not before < span[0] < span[1]:
                what = f"{span[0]:g} to {span[1]:g} s is empty, or begins before the span ahead of it has ended"
                yield merged.at((*path, index), "recipe-gate-spans", what)
            before = max(before, span[1])


def _delays(merged: Merged) -> Iterator[Fault]:
    tables: list[Names] = [("mics",)]
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
        yield merged.at(("performances",), "recipe-nothing-heard", "every performance is muted", key=True)
    for name in playing if mics else ():
        close = [mic for mic in mics_of(merged, name) if merged.role(mic) not in ("room", "di")]
        exceptions = merged.table("performances", name, "mics")
        mutes = [exceptions.get(mic, {}).get("mute", mics[mic].get("mute")) for mic in close]
        if all(mute is True for mute in mutes):
            what = "every close mic is muted here" if close else "the set-up has no close mic"
            allowed = "at least one mic of role close or sub that is not muted"
            yield merged.at(("performances", name), "recipe-nothing-heard", what, allowed, key=True)


def _delivery(merged: Merged) -> Iterator[Fault]:
    deliver = merged.section("deliver")
    if deliver.get("format") == "flac" and deliver.get("bits") == 32:
        what = "FLAC holds no 32-bit float samples"
        yield merged.at(("deliver", "bits"), "recipe-flac-bits", what, "16 or 24, or the format wav")
    if deliver.get("bits") == 32 and deliver.get("dither") == "tpdf":
        what = "32-bit float samples take no dither"
        yield merged.at(("deliver", "dither"), "recipe-float-dither", what, "auto or none")
    yield from _level(merged)
    first: dict[str, int] = {}
    for index, kind in enumerate(merged.items("deliver", "files")):
        if isinstance(kind, str) and first.setdefault(kind, index) != index:
            path, what = ("deliver", "files", index), f"'{shown(kind)}' stands twice"
            yield merged.at(path, "recipe-stands-twice", what, remedy=FROM_TABLE)


def _level(merged: Merged) -> Iterator[Fault]:
    """A level is one figure, and a ceiling has one of its two names."""
    deliver = merged.section("deliver")
    level = deliver.get("level")
    if isinstance(level, dict) and len(level) != 1:
        what = f"a level has {len(level)} figures here"
        yield merged.at(("deliver", "level"), "recipe-level", what, "one of ceiling_dbtp, loudness_lufs and peak_dbfs")
    elif isinstance(level, dict) and "ceiling_dbtp" in level:
        other = deliver.get("ceiling_dbtp")
        if other in (None, level["ceiling_dbtp"], Deliver.model_fields["ceiling_dbtp"].default):
            return
        what = "another ceiling stands in deliver.ceiling_dbtp"
        yield merged.at(("deliver", "level"), "recipe-level", what, "one of the two")


def _width(merged: Merged) -> Iterator[Fault]:
    """The limit of a width is one figure, of a guitar bus that is the sum of its buses."""
    path = ("guitar_bus", "width")
    limit = merged.value(path)
    if not isinstance(limit, dict):
        return
    if len(limit) != 1:
        what = f"the limit of a width has {len(limit)} figures here"
        yield merged.at(path, "recipe-width", what, "one of mono_fold_db and correlation")
    if merged.items("guitar_bus", "chain"):
        what = "the guitar bus has a chain, behind which no width can be worked out"
        yield merged.at(path, "recipe-width", what, "a number from 0 to 2")


def _patterns(merged: Merged) -> Iterator[Fault]:
    """The song's name, the patterns of tracks and delivered files, and the files given one by one."""
    yield from _judged(merged, ("song",), _song_name)
    yield from _judged(merged, ("deliver", "name"), _delivery_name)
    left = [
        (performance, mic)
        for performance in merged.table("performances")
        for mic in mics_of(merged, performance)
        if merged.text("performances", performance, "mics", mic, "file") is None
    ]
    several = [field for field, names in zip(FIELDS, zip(*left, strict=True), strict=False) if len(set(names)) > 1]
    yield from _judged(merged, ("tracks", "name"), lambda text: _track_pattern(text, several))
    for performance in merged.table("performances"):
        for mic in merged.table("performances", performance, "mics"):
            yield from _judged(merged, ("performances", performance, "mics", mic, "file"), _track_file)


def _judged(merged: Merged, path: Names, judge: Callable[[str], Judged]) -> Iterator[Fault]:
    text = merged.text(*path)
    for what, allowed in judge(text) if text else ():
        yield merged.at(path, "recipe-name-pattern", what, allowed)


def _same_names(merged: Merged) -> Iterator[Fault]:
    """Names and aliases of one table that differ in case or Unicode form only.

    Mics that each take another channel may share one: it is the name of a file that holds them all.
    """
    for table in TABLES:
        seen: dict[str, dict[str, str]] = {}
        for name in merged.table(table):
            aliases = enumerate(merged.items(table, name, "aliases"))
            spellings: list[tuple[str, KeyPath]] = [(name, (table, name))]
            spellings += [(text, (table, name, "aliases", n)) for n, text in aliases if isinstance(text, str)]
            channel = _channel(merged.section(table, name).get("channel") if table == "mics" else None)
            for spelling, path in spellings:
                others = seen.setdefault(fold(spelling), {})
                apart = channel and "" not in others and channel not in others
                if others and not apart:
                    other = next(iter(others.values()))
                    what = f"'{shown(spelling)}' and '{shown(other)}' are one name where case does not count"
                    yield merged.at(path, "recipe-names-collide", what, remedy=FROM_TABLE, key=len(path) == 2)
                others.setdefault(channel, spelling)


def _channel(channel: Any) -> str:
    """One word for one channel, however it is written; '' for none."""
    return "" if channel is None else {"left": "1", "right": "2"}.get(str(channel), str(channel))


def _joined_names(merged: Merged) -> Iterator[Fault]:
    """Performance and mic are joined by _ in file names: 'a_b' with 'c' is 'a' with 'b_c'."""
    seen: dict[str, tuple[str, str]] = {}
    for performance in merged.table("performances"):
        for mic in merged.table("mics"):
            other = seen.setdefault(f"{performance}_{mic}".casefold(), (performance, mic))
            if other[0].casefold() != performance.casefold():
                one, two = (f"'{p}' with mic '{m}'" for p, m in ((performance, mic), other))
                what, path = f"{one} and {two} make the same file name", ("performances", performance)
                yield merged.at(path, "recipe-names-collide", what, remedy=FROM_TABLE, key=True)


def _song_name(text: str) -> Judged:
    """What is wrong with a song's name, which becomes part of file names."""
    yield from _unsafe(text, "the song's name")
    if text.startswith("."):
        yield "the song's name begins with a dot", "a name that begins with a letter or digit"


def _delivery_name(text: str) -> Judged:
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


def _track_pattern(text: str, several: Sequence[str]) -> Judged:
    """What is wrong with the pattern of the tracks, given of what it tells several apart: performances, mics."""
    fields, broken = placeholders(text)
    known = "".join(f"{{{field}}}, " for field in FIELDS) + "* and ?"
    if broken:
        yield "a brace without its partner", known
        return
    unknown = [field for field in fields if field not in FIELDS]
    if unknown:
        yield f"unknown placeholder '{{{unknown[0]}}}'", known
    for field in several:
        if field not in fields:
            yield f"without {{{field}}} the {field}s cannot be told apart", f"a pattern with {{{field}}} in it"
    yield from _track_file(text)


def _track_file(text: str) -> Judged:
    """What is wrong with a track's path, which must stay below the tracks folder."""
    if "\\" in text:
        yield "a backslash stands in the path", "/ between folders"
    elif text.startswith("/") or ".." in text.split("/") or re.match(r"[A-Za-z]:", text):
        yield "the path leads out of the tracks folder", "a path below that folder"


def _unsafe(text: str, called: str) -> Judged:
    found = next((char for char in text if char in FORBIDDEN or not char.isprintable()), None)
    if found:
        yield f"{called} holds {found!r}", f"no control characters and none of {' '.join(FORBIDDEN)}"
    if text != text.strip() or text.endswith("."):
        yield f"{called} begins or ends with a space or ends with a dot", "a name without them"
    if is_reserved(text):
        yield f"{called} is reserved on some systems", "another name"
