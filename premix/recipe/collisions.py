"""Names that would be one and the same in file names, and file names that some system cannot hold."""

import unicodedata
from collections.abc import Callable, Iterable, Iterator

from premix.recipe.faults import Fault, Path, shown
from premix.recipe.merged import Merged, Names
from premix.recipe.names import Judged, delivery_name, song_name, track_file, track_pattern
from premix.recipe.schema import TABLES


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


def _spellings(merged: Merged, table: str, name: str) -> Iterable[tuple[str, Path]]:
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
