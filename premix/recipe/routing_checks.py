"""Where mics go: DIs that stay as they are, groups with stems of their own, and buses besides the performance's."""

from collections.abc import Iterator
from typing import Any

from premix.messages import FROM_TABLE
from premix.model.settings import REST
from premix.recipe.faults import Fault
from premix.recipe.merged import Merged, Names

_UNTOUCHED: dict[str, tuple[Any, ...]] = {
    "gain_db": (0,),
    "polarity": ("auto", "normal"),
    "delay": ("auto", "none"),
    "high_pass_hz": (),
    "low_pass_hz": (),
    "chain": ([],),
}
"""Keys of a mic that change its sound, and the values that do not: a DI has no others."""


def untouched_dis(merged: Merged) -> Iterator[Fault]:
    """A DI is delivered as it was recorded."""
    for name in (mic for mic in merged.table("mics") if merged.role(mic) == "di"):
        places: list[Names] = [("mics", name)]
        places += [("performances", performance, "mics", name) for performance in merged.table("performances")]
        for place in places:
            for key, harmless in _UNTOUCHED.items():
                if key in merged.section(*place) and merged.value((*place, key)) not in harmless:
                    what = f"'{name}' is a DI: it is never summed, never moved, never changed"
                    yield merged.at((*place, key), "recipe-di-touched", what, remedy=FROM_TABLE, key=True)
        for group in merged.table("groups"):
            for index, mic in enumerate(merged.items("groups", group, "mics")):
                if mic == name:
                    what = f"'{name}' is a DI, which is in no sum"
                    yield merged.at(("groups", group, "mics", index), "recipe-di-touched", what, remedy=FROM_TABLE)


def own_stems(merged: Merged) -> Iterator[Fault]:
    """Groups with stems of their own share no mic, and each has one to make a stem of."""
    owner: dict[str, str] = {}
    for group, mics in merged.apart().items():
        if mics and all(merged.role(mic) not in ("close", "sub") for mic in mics):
            what = "a stem of its own is made of close mics, and this group has none"
            yield merged.at(("groups", group, "mics"), "recipe-group-stem", what, "a mic of role close or sub")
        for mic in dict.fromkeys(mics):
            if owner.setdefault(mic, group) != group:
                what = f"'{mic}' is in the stem of '{owner[mic]}' already"
                yield merged.at(("groups", group, "mics"), "recipe-group-stem", what, "each mic in one own stem")


def mics_of(merged: Merged, performance: str) -> list[str]:
    """The mics that a performance has: those of the set-up but for what it is without."""
    without = [name for name in merged.items("performances", performance, "without") if isinstance(name, str)]
    gone = set(without).union(*(merged.items("groups", name, "mics") for name in without))
    return [mic for mic in merged.table("mics") if mic not in gone]


def without(merged: Merged) -> Iterator[Fault]:
    """What a performance is without is a mic or a group, and is not spoken of there."""
    known = [*merged.table("mics"), *merged.table("groups")]
    for performance in merged.table("performances"):
        left = mics_of(merged, performance)
        for index, name in enumerate(merged.items("performances", performance, "without")):
            if isinstance(name, str) and merged.table("mics") and name not in known:
                yield merged.unknown(("performances", performance, "without", index), "mic", known)
        if left != list(merged.table("mics")) and all(merged.role(mic) not in ("close", "sub") for mic in left):
            what = "no close mic is left"
            yield merged.at(("performances", performance, "without"), "recipe-without", what, remedy=FROM_TABLE)
        for mic in merged.section("performances", performance, "mics"):
            if mic in merged.table("mics") and mic not in left:
                what = f"'{mic}' is among those that this performance is without"
                path = ("performances", performance, "mics", mic)
                yield merged.at(path, "recipe-without", what, remedy=FROM_TABLE, key=True)


def own_buses(merged: Merged) -> Iterator[Fault]:
    """Only a room mic and a group with a stem of its own have a bus besides the performance's; nor is such a room, or
    the room of stems in parts, part of a stem."""
    apart = merged.apart()
    rooms = []
    for path in merged.senders():
        table, name = path[-2:]
        if table == "performances" or "bus" not in merged.section(*path):
            continue
        if table == "mics" and name in merged.table("mics"):
            rooms += [(*path, "bus")] if merged.role(name) == "room" else []
            if merged.role(name) != "room":
                what = f"'{name}' is no room mic, so it goes where its stem goes"
                yield merged.at((*path, "bus"), "recipe-own-bus", what, remedy=FROM_TABLE, key=True)
        elif table == "groups" and name in merged.table("groups") and name not in apart:
            what = f"the group '{name}' has no stem of its own that could be sent anywhere"
            yield merged.at((*path, "bus"), "recipe-own-bus", what, remedy=FROM_TABLE, key=True)
    has_room = any(merged.role(mic) == "room" for mic in merged.table("mics"))
    if merged.text("deliver", "room") in ("stem", "both") and has_room and (rooms or apart):
        why = (
            f"with a bus of its own in {'.'.join(rooms[0])}"
            if rooms
            else f"beside the own stem of '{next(iter(apart))}'"
        )
        what = f"a room {why} is part of no one stem"
        yield merged.at(("deliver", "room"), "recipe-room-in-stem", what, "own")


def joined_groups(merged: Merged) -> Iterator[Fault]:
    """Stems of groups are named performance_group, and what is left performance_rest: no two may be the same."""
    taken = {performance.casefold(): f"performance '{performance}'" for performance in merged.table("performances")}
    for group in merged.apart():
        path = ("groups", group)
        if group.casefold() == REST:
            what = f"'{group}' is what the stem of the mics in no group is called"
            yield merged.at(path, "recipe-names-collide", what, remedy=FROM_TABLE, key=True)
            continue
        for performance in merged.table("performances"):
            own = f"group '{group}' of performance '{performance}'"
            first = taken.setdefault(f"{performance}_{group}".casefold(), own)
            if first != own:
                what = f"{own} and {first} would make the same file name"
                yield merged.at(path, "recipe-names-collide", what, remedy=FROM_TABLE, key=True)
    for performance in merged.table("performances") if merged.apart() else ():
        if (other := taken.get(f"{performance}_{REST}".casefold())) is not None:
            what = f"the rest of performance '{performance}' and {other} would make the same file name"
            yield merged.at(("performances", performance), "recipe-names-collide", what, remedy=FROM_TABLE, key=True)
