"""Names that one part of a recipe uses and another must define: mics, performances, buses, the reference."""

from collections.abc import Iterable, Iterator

from premix.model.recipe import STANDING_BUSES
from premix.recipe.faults import Fault
from premix.recipe.merged import Merged, Names


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
