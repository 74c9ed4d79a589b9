"""Mics and performances of several songs that are the same: one name for each in all of them, and one role.

One song's is that of another where its name, a spelling or what its words mean is the same, or where it is the only
sub or room mic, or the only performance of its side, that is left in both.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from premix.draft.proposal import DraftMic, DraftPerformance, Key, Proposal
from premix.draft.roles import shown
from premix.draft.spelling import Pattern, finds
from premix.model.names import fold
from premix.model.settings import Role

Entry = DraftMic | DraftPerformance
_Entry = TypeVar("_Entry", DraftMic, DraftPerformance)
Names = dict[str, str]
"""A song's own name -> the name in all songs."""


def with_common_names(proposals: Sequence[Proposal]) -> list[Proposal]:
    """The songs with one name for each mic and performance, and one role for each mic."""
    mics = _common_names([song.mics for song in proposals])
    performances = _common_names([song.performances for song in proposals])
    found = []
    for song, m, p in zip(proposals, mics, performances, strict=True):
        listed = song.pattern is None
        found.append(
            replace(
                song,
                reference=m[song.reference],
                mics=tuple(_called(mic, m[mic.name], listed) for mic in song.mics),
                performances=tuple(_called(one, p[one.name], listed) for one in song.performances),
                tracks=tuple(replace(t, mic=m[t.mic], performance=p[t.performance]) for t in song.tracks),
                files={(p[performance], m[mic]): file for (performance, mic), file in song.files.items()},
                groups=tuple(replace(group, mics=tuple(m[mic] for mic in group.mics)) for group in song.groups),
            )
        )
    return _one_role([_listed_where_lost(song) for song in found])


def _called(entry: _Entry, name: str, listed: bool) -> _Entry:
    """The entry under the common name; its own one stays a spelling of the files."""
    own: tuple[str, ...] = () if listed or fold(name) == fold(entry.name) else (entry.name,)
    aliases = tuple(dict.fromkeys((*own, *(alias for alias in entry.aliases if fold(alias) != fold(name)))))
    return replace(entry, name=name, aliases=aliases)


@dataclass(slots=True)
class _Known:
    """A mic or performance of the songs so far.

    kind: what it may be the only one of ('' for nothing); part: the channel of its file, which no other is like.
    """

    name: str
    kind: str
    part: str
    spellings: set[str] = field(default_factory=set)
    keys: set[Key] = field(default_factory=set)


def _common_names(songs: Sequence[Sequence[Entry]]) -> list[Names]:
    """The names of each song's entries in all songs."""
    known: list[_Known] = []
    found: list[Names] = []
    for entries in songs:
        names: Names = {}
        for same in (_same_name, _same_spelling, _same_words):
            for entry in entries:
                _match(entry, [one for one in known if one.part == _part(entry) and same(entry, one)], names)
        for kind in {_kind(entry) for entry in entries} - {""}:
            alone = [entry for entry in entries if entry.name not in names and _kind(entry) == kind]
            free = [one for one in known if one.name not in names.values() and one.kind == kind]
            if len(alone) == len(free) == 1 and free[0].part == _part(alone[0]):
                _match(alone[0], free, names)
        for entry in entries:
            if entry.name not in names:
                names[entry.name] = _free_name(entry.name, [one.name for one in known])
                known.append(_Known(names[entry.name], _kind(entry), _part(entry)))
            own = next(one for one in known if one.name == names[entry.name])
            own.spellings.update(_spellings(entry))
            own.keys.add(entry.key)
        found.append(names)
    return found


def _match(entry: Entry, same: Sequence[_Known], names: Names) -> None:
    free = [one for one in same if one.name not in names.values()]
    if free and entry.name not in names:
        names[entry.name] = free[0].name


def _same_name(entry: Entry, known: _Known) -> bool:
    return fold(entry.name) == fold(known.name)


def _same_spelling(entry: Entry, known: _Known) -> bool:
    return bool(_spellings(entry) & known.spellings)


def _same_words(entry: Entry, known: _Known) -> bool:
    return bool(entry.key) and entry.key in known.keys


def _part(entry: Entry) -> str:
    return f"{entry.channel or ''} {entry.bus}" if isinstance(entry, DraftMic) else ""


def _kind(entry: Entry) -> str:
    if isinstance(entry, DraftPerformance):
        return entry.bus
    return "" if entry.role == "close" else entry.role


def _spellings(entry: Entry) -> set[str]:
    return {fold(entry.name), *map(fold, entry.aliases)}


def _free_name(wanted: str, taken: Sequence[str]) -> str:
    name, number = wanted, 2
    while fold(name) in map(fold, taken):
        name, number = f"{wanted}_{number}", number + 1
    return name


def _listed_where_lost(song: Proposal) -> Proposal:
    """The song with files track by track, where its pattern and the common names do not find them."""
    if finds_files(song):
        return song
    return _without_spellings(replace(song, pattern=None))


def _without_spellings(song: Proposal) -> Proposal:
    return replace(
        song,
        mics=tuple(replace(mic, aliases=()) for mic in song.mics),
        performances=tuple(replace(performance, aliases=()) for performance in song.performances),
    )


def finds_files(song: Proposal) -> bool:
    """Whether a song's pattern and spellings give each track its own file, or there is no pattern."""
    if song.pattern is None:
        return True
    mics = {mic.name: mic.aliases for mic in song.mics}
    performances = {performance.name: performance.aliases for performance in song.performances}
    # The user's own song.yaml may give the song another name.
    name = "" if song.has_song_file else song.song
    return finds(Pattern(song.pattern, performances, mics), song.files, [item.file for item in song.left_out], name)


def _one_role(songs: Sequence[Proposal]) -> list[Proposal]:
    """The songs with the role of each mic that its name says, or else most of the songs; a song that differs asks."""
    votes: dict[str, Counter[Role]] = {}
    for song in songs:
        for mic in song.mics:
            # One name outweighs the sound of every song.
            votes.setdefault(mic.name, Counter())[mic.role] += len(songs) if mic.by_name else 1
    role = {name: count.most_common(1)[0][0] for name, count in votes.items()}

    def agreed(song: Proposal, mic: DraftMic) -> DraftMic:
        if mic.role == role[mic.name]:
            return mic
        files = shown(file for (_, name), file in song.files.items() if name == mic.name)
        question = f"{role[mic.name]} in the other songs, here {mic.role}, {mic.why}: which one? {files}"
        return replace(mic, role=role[mic.name], sure="guessed", why="as in the other songs", question=question)

    return [replace(song, mics=tuple(agreed(song, mic) for mic in song.mics)) for song in songs]
