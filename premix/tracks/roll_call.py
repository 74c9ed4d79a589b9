"""The roll-call: which files of the folder are used, which mics and performances are left out and why, what is unused.

It is made on every run, so that an optional track whose file is called otherwise does not vanish without a word: what
is left out is named with the unused files that may be it.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from premix.errors import Finding
from premix.model.names import fold
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import LeftOut, RollCall

MOST_GUESSED = 12
"""So many of those that are missing are compared with the unused files: more than a line of the roll-call names."""
_MOST_COMPARED = 200
_MOST_NEAR = 3
_LEAST_ALIKE = 0.6
_MOST_NAMED = 8
_SHORTEST_WORD = 3
_WORDS = re.compile(r"[^\W\d_]+")


@dataclass(frozen=True, slots=True)
class Free:
    """A file that no track uses: its name below the folder, and that name as it is compared, without extension."""

    name: str
    folded: str


def wanted_name(song: Song, mic: Mic) -> str:
    """The name that was looked for."""
    return mic.file or _filled(song, mic.performance, mic.name)


def wanted_names(song: Song, performance: Performance, mics: Sequence[Mic]) -> str:
    """The same for all files of a performance: 'centre_*'; for one that has one mic, its name."""
    if len(mics) == 1:
        return wanted_name(song, mics[0])
    return re.sub(r"\*(\.\*)?$", "*", _filled(song, performance.name, "*"))


def _filled(song: Song, performance: str, mic: str) -> str:
    text = song.track_pattern.replace("{performance}", performance).replace("{mic}", mic)
    return text.replace("{song}", song.name or "{song}")


def near_misses(song: Song, performance: Performance, mics: Sequence[Mic], free: Sequence[Free]) -> tuple[str, ...]:
    """The unused files that may be these mics of a performance, the likeliest first.

    A file is near whose name is spelled much like the wanted one; that names the mic, or a short form of it, where the
    whole performance is missing; or that names the performance where only the mic is.
    """
    free = free[:_MOST_COMPARED]
    if not free:
        return ()
    by_name = {file.folded: file.name for file in free}
    found: dict[str, None] = {}
    for mic in mics:
        wanted = fold(wanted_name(song, mic)).rpartition(".")[0] or fold(wanted_name(song, mic))
        close = difflib.get_close_matches(wanted, by_name, n=2, cutoff=_LEAST_ALIKE)
        found |= dict.fromkeys(by_name[name] for name in close)
        if len(found) >= _MOST_NEAR:
            break
    alone = len(mics) == 1
    spellings = (performance.name, *performance.aliases) if alone else _spellings(mics)
    known = [fold(spelling) for spelling in spellings]
    found |= dict.fromkeys(file.name for file in free if _names(file.folded, known, shortened=not alone))
    return tuple(found)[:_MOST_NEAR]


def _spellings(mics: Iterable[Mic]) -> list[str]:
    return [spelling for mic in mics for spelling in (mic.name, *mic.aliases)]


def _names(folded: str, known: Sequence[str], *, shortened: bool) -> bool:
    """Whether a file's name holds one of the names as words of its own, or begins one of them where that is enough."""
    if any(re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", folded) for name in known):
        return True
    words = [word for word in _WORDS.findall(folded) if len(word) >= _SHORTEST_WORD]
    return shortened and any(name.startswith(word) for word in words for name in known)


def roll_call(song: Song, present: set[str], used: int, found: int, free: Sequence[Free]) -> RollCall:
    """The roll-call of a song. present: labels of the mics that have a file. used, found: how many files."""
    left: list[LeftOut] = []

    def near(performance: Performance, mics: Sequence[Mic]) -> tuple[str, ...]:
        return near_misses(song, performance, mics, free) if len(left) < MOST_GUESSED else ()

    for performance in song.performances:
        missing = [mic for mic in performance.mics if mic.label not in present]
        if missing and len(missing) == len(performance.mics):
            left.append(
                LeftOut(performance.name, None, wanted_names(song, performance, missing), near(performance, missing))
            )
            continue
        left += [LeftOut(performance.name, m.name, wanted_name(song, m), near(performance, [m])) for m in missing]
    return RollCall(used, found, tuple(left), tuple(file.name for file in free), tuple(_one_sided(song, left)))


def _one_sided(song: Song, left: Sequence[LeftOut]) -> Iterator[str]:
    """Those left out whose like is there on the other side: fewer performances have the mic here than over there."""
    if not left:
        return
    gone = {(one.performance, one.mic) for one in left}
    sides = {p.name: _side(song, p) for p in song.performances}

    def having(mic: str | None, side: int) -> int:
        """How many performances of a side have the mic; with None, how many are there."""
        own = [p for p in song.performances if sides[p.name] == side and (p.name, None) not in gone]
        return sum(mic is None or (p.name, mic) not in gone for p in own if mic is None or p.mic(mic))

    for one in left:
        side = sides[one.performance]
        if side and having(one.mic, side) < having(one.mic, -side):
            yield one.label


def _side(song: Song, performance: Performance) -> int:
    """-1: left, 1: right, 0: in the middle."""
    pan = song.bus(performance.bus).pan
    return (pan > 0.0) - (pan < 0.0)


def roll_findings(call: RollCall, folder: str) -> Iterator[Finding]:
    """What the roll-call has to say: a warning where a file may be the missing one, or the other side has its like."""
    for one in call.left_out:
        what = f"left out: no file fits '{one.wanted}'"
        if one.near:
            what += f"; near misses: {', '.join(one.near)}"
        yield Finding("track-left-out", "warning" if one.near else "info", one.label, what)
    if call.unused:
        count = len(call.unused)
        what = f"{count} audio file{'s' * (count > 1)} not used: {', '.join(call.unused[:_MOST_NAMED])}"
        rest = f" and {count - _MOST_NAMED} more" if count > _MOST_NAMED else ""
        yield Finding("track-unused-files", "info", folder, what + rest)
    for label in call.one_sided:
        what = "is missing on this side and there on the other"
        yield Finding("track-one-sided", "warning", label, what)
