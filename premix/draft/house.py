"""Drafts of several songs: one house recipe of what they have in common, and for each song what differs there.

What at least half of the songs have goes into the house recipe; a song's own file is the JSON Merge Patch (RFC 7396)
from there to the song's draft.
"""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from premix.draft.namesakes import Entry, finds_files, with_common_names
from premix.draft.proposal import Proposal
from premix.draft.write import MARK, Document, Notes, document_of, left_out_lines, notes_of, recipe_text, said, text_of
from premix.model.names import fold

_TABLES = ("mics", "performances")
_WITH_NOTES = ("mics", "groups", "performances")


@dataclass(frozen=True, slots=True)
class Drafted:
    """The texts of a draft. recipe: of the recipe; songs: (folder, text of its song.yaml), where something differs."""

    recipe: str
    songs: tuple[tuple[Path, str], ...] = ()


def drafted(proposals: Sequence[Proposal]) -> Drafted:
    """The texts for one song or several."""
    if len(proposals) == 1:
        return Drafted(recipe_text(proposals[0]))
    songs = _one_spelling(with_common_names(proposals))
    documents = [document_of(song) for song in songs]
    house = _in_common(documents)
    for document in documents:
        document.setdefault("tracks", house.get("tracks", {"name": "{performance}_{mic}.*"}))
    changes = [change(house, document) for document in documents]
    same = [song for song, change in zip(songs, changes, strict=True) if not change]
    return Drafted(
        _house_text(house, documents, songs, same),
        tuple(
            (song.folder, _song_text(song, house, change))
            for song, change in zip(songs, changes, strict=True)
            if change
        ),
    )


def _one_spelling(songs: Sequence[Proposal]) -> list[Proposal]:
    """The songs whose pattern is the most common one, with the spellings of all of them where these find the files."""
    patterns = Counter(fold(song.pattern) for song in songs if song.pattern is not None)
    if not patterns:
        return list(songs)
    usual = patterns.most_common(1)[0][0]
    alike = [song for song in songs if song.pattern is not None and fold(song.pattern) == usual]
    every = {table: _all_spellings([entry for song in alike for entry in getattr(song, table)]) for table in _TABLES}

    def spelled(song: Proposal) -> Proposal:
        if song.pattern is None or fold(song.pattern) != usual:
            return song
        wider = replace(
            song,
            pattern=alike[0].pattern,
            mics=tuple(replace(mic, aliases=every["mics"][mic.name]) for mic in song.mics),
            performances=tuple(replace(one, aliases=every["performances"][one.name]) for one in song.performances),
        )
        return wider if finds_files(wider) else song

    return [spelled(song) for song in songs]


def _all_spellings(entries: Sequence[Entry]) -> dict[str, tuple[str, ...]]:
    found: dict[str, dict[str, str]] = {}
    for entry in entries:
        for alias in entry.aliases:
            found.setdefault(entry.name, {}).setdefault(fold(alias), alias)
    return {entry.name: tuple(found.get(entry.name, {}).values()) for entry in entries}


def _in_common(documents: Sequence[Document]) -> Document:
    """What at least half of the songs have, with the most common value; the first song's, where that is no recipe."""
    house: Document = _most_common(documents, ())
    mics = house.get("mics", {})
    for performance in house.get("performances", {}).values():
        own = {mic: values for mic, values in performance.pop("mics", {}).items() if mic in mics}
        performance |= {"mics": own} if own else {}
    groups = {name: group for name, group in house.pop("groups", {}).items() if {*group["mics"]} <= {*mics}}
    house |= {"groups": groups} if groups else {}
    close = [name for name, mic in mics.items() if "role" not in mic]
    if not close or not house.get("performances"):
        return documents[0]
    if house["alignment"]["reference"] not in close:
        house["alignment"] = {"reference": close[0]}
    return house


def _most_common(values: Sequence[Any], path: tuple[str, ...]) -> Any:
    """Of all values at one place: mappings are merged key by key, by how many of them have the key."""
    mappings = [value for value in values if isinstance(value, Mapping)]
    if len(mappings) < len(values):
        texts = [json.dumps(value, sort_keys=True) for value in values]
        return json.loads(Counter(texts).most_common(1)[0][0])
    found: Document = {}
    for key in dict.fromkeys(key for mapping in mappings for key in mapping):
        having = [mapping[key] for mapping in mappings if key in mapping]
        enough = (
            len(having) * 2 >= len(mappings)
            if path in (("mics",), ("performances",))
            else len(having) * 2 > len(mappings)
        )
        if enough:
            found[key] = _most_common(having, (*path, key))
    return found


def change(below: Document, above: Document) -> Document:
    """The merge patch that makes `above` of `below`; {} where they are equal."""
    found: Document = {}
    for key, value in above.items():
        if key not in below:
            found[key] = value
        elif isinstance(value, Mapping) and isinstance(below[key], Mapping):
            inner = change(below[key], dict(value))
            found |= {key: inner} if inner else {}
        elif value != below[key]:
            found[key] = value
    return {**found, **{key: None for key in below if key not in above}}


def _house_text(
    house: Document, documents: Sequence[Document], songs: Sequence[Proposal], same: Sequence[Proposal]
) -> str:
    notes = Notes()
    for document, song in zip(documents, songs, strict=True):
        own = notes_of(song)
        for table in _WITH_NOTES:
            for name in house.get(table, {}):
                place = (table, name)
                if name in document.get(table, {}) and place not in notes.why:
                    count = sum(name in other.get(table, {}) for other in documents)
                    some = f" (in {count} of {len(songs)} songs)" if count < len(songs) else ""
                    notes.why[place] = own.why[place] + some
                for question in own.ask.get(place, []) if name in document.get(table, {}) else []:
                    notes.ask.setdefault(place, []).append(f"{said(song.song)}: {question}")
    notes.why["alignment", "reference"] = "stays; the others move to it"
    names = ", ".join(said(song.song) for song in songs)
    head = [
        f"{MARK} from the folders {names}: what they have in common. Go through the comments:",
        "# sure, likely or guessed says how far to trust a line; a comment that begins with ? needs your answer.",
    ]
    lines = [text_of(head, house, notes, (), ()).rstrip("\n")]
    for song in same:
        told = [f"# ? {question}" for question in (*song.questions, *_about_tracks(song))]
        told += left_out_lines(song.left_out)
        lines += ["", f"# In {said(song.song)}:", *(line for line in told if line)] if told else []
    return "\n".join(lines) + "\n"


def _about_tracks(song: Proposal) -> list[str]:
    return [f"{track.performance}/{track.mic}: {track.note}" for track in song.tracks if track.note]


def _song_text(song: Proposal, house: Document, change: Document) -> str:
    own = notes_of(song)
    asked = {
        place: questions
        for place, questions in own.ask.items()
        if len(place) > 2 or place[1] not in house.get(place[0], {})
    }
    notes = Notes(dict(own.why), asked)
    for table in _TABLES:
        for name, value in change.get(table, {}).items():
            if value is None:
                notes.why[table, name] = "no file of it in this song"
            elif name not in house[table] and table == "mics":
                change[table][name] = {"role": "close", **value}
    head = [f"{MARK} from the folder {said(song.song)}: what differs here from the house recipe."]
    return text_of(head, change, notes, song.questions, song.left_out)
