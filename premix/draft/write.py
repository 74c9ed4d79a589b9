"""A draft as the text of a recipe: what it says as plain data, and YAML of that with comments.

The comments say where each line comes from and how sure it is. A house recipe and a song's own file are written alike.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from premix.draft.proposal import DraftMic, DraftPerformance, LeftOut, Proposal

Document = dict[str, Any]
"""A recipe, or what one changes in another, as `premix.recipe` reads it; None takes an inherited value away."""
Path = tuple[str, ...]

MARK = "# Drafted by premix"
"""How the first line begins: by it an earlier draft is known, and may be replaced."""
EMPTY_SONG = f"{MARK}: nothing differs here from the house recipe.\nformat: 1\n"
"""A song's file that changes nothing, in the place of an earlier draft's."""
NOWHERE = "-/{performance}_{mic}.*"
"""A pattern that finds nothing, where each track names its own file and some have none."""
_SECTIONS = ("tracks", "mics", "groups", "performances", "alignment")
_COLUMN = 50
_ROLE_VALUES: dict[str, Document] = {
    "close": {},
    "sub": {"role": "sub", "gain_db": -8, "low_pass_hz": 180},
    "room": {"role": "room", "gain_db": -12},
    "di": {"role": "di"},
}
_ROOM_ON_OWN_BUS_DB, _ROOM_IN_CENTRE_DB = -9, -21
"""The ready-made buses of a stereo room are 3 dB lower; the centre's rooms stay 12 dB under the others."""
_YAML_WORDS = ("y", "n", "yes", "no", "on", "off", "true", "false", "null")
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")


@dataclass(frozen=True, slots=True)
class Notes:
    """The comments of a document. why: behind the line of an entry; ask: questions on lines of their own before it."""

    why: dict[Path, str] = field(default_factory=dict)
    ask: dict[Path, list[str]] = field(default_factory=dict)


def document_of(proposal: Proposal) -> Document:
    """What a proposal says, as plain data."""
    listed = proposal.pattern is None
    missing = [
        (performance.name, mic.name)
        for performance in proposal.performances
        for mic in proposal.mics
        if (performance.name, mic.name) not in proposal.files
    ]
    pattern = (NOWHERE if missing else None) if listed else proposal.pattern
    has_own = {mic.name: bool(mic.bus) for mic in proposal.mics}
    performances: Document = {}
    for performance in proposal.performances:
        entry = _named({"bus": performance.bus}, performance)
        mics: Document = {}
        for track in proposal.tracks:
            if track.performance == performance.name:
                values: Document = {"file": track.file} if listed else {}
                values |= {"channel": track.channel} if track.channel is not None else {}
                values |= {"gain_db": _ROOM_IN_CENTRE_DB} if performance.bus == "centre" and has_own[track.mic] else {}
                # A mic that is muted only would still be checked, and refused: by hand it is taken as it is.
                values |= {"mute": True, "polarity": "normal", "delay": "none"} if track.mute else {}
                mics |= {track.mic: values} if values else {}
        mics |= {mic: {"optional": True} for name, mic in missing if name == performance.name}
        performances[performance.name] = {**entry, "mics": mics} if mics else entry
    groups = {group.name: {"mics": list(group.mics), "stem": "own"} for group in proposal.groups}
    return {
        "format": 1,
        **({"tracks": {"name": pattern}} if pattern else {}),
        "mics": {mic.name: _named(_mic_values(mic), mic) for mic in proposal.mics},
        **({"groups": groups} if groups else {}),
        "performances": performances,
        "alignment": {"reference": proposal.reference},
    }


def _mic_values(mic: DraftMic) -> Document:
    values = dict(_ROLE_VALUES[mic.role])
    if mic.bus:
        values |= {"bus": mic.bus, "gain_db": _ROOM_ON_OWN_BUS_DB}
    return values if mic.channel is None else values | {"channel": mic.channel}


def _named(values: Document, entry: DraftMic | DraftPerformance) -> Document:
    return {**values, "aliases": list(entry.aliases)} if entry.aliases else dict(values)


def notes_of(proposal: Proposal) -> Notes:
    """The comments of a proposal, on `document_of` it."""
    notes = Notes()
    if proposal.pattern is None and len(proposal.files) < len(proposal.mics) * len(proposal.performances):
        notes.why["tracks", "name"] = "finds nothing: each track names its own file"
    for mic in proposal.mics:
        notes.why["mics", mic.name] = f"{mic.sure}: {mic.role}, {mic.why}"
        if mic.question:
            notes.ask["mics", mic.name] = [f"{mic.name}: {mic.question}"]
    for performance in proposal.performances:
        notes.why["performances", performance.name] = f"{performance.sure}: {performance.bus}, {performance.why}"
        if performance.question:
            notes.ask["performances", performance.name] = [f"{performance.name}: {performance.question}"]
    for group in proposal.groups:
        notes.why["groups", group.name] = group.why
        notes.ask["groups", group.name] = [group.question] if group.question else []
    for track in proposal.tracks:
        if track.note:
            place = "performances", track.performance, "mics", track.mic
            notes.ask[place] = [f"{track.performance}/{track.mic}: {track.note}"]
    for performance in proposal.performances:
        for mic in proposal.mics:
            if (performance.name, mic.name) not in proposal.files:
                place = "performances", performance.name, "mics", mic.name
                looked = (proposal.pattern or "").replace("{performance}", performance.name).replace("{mic}", mic.name)
                where = f" ({said(looked)} is not there)" if looked else ""
                notes.ask[place] = [f"no file of {mic.name} in {performance.name}{where}: was it recorded?"]
    notes.why["alignment", "reference"] = "stays; the others move to it"
    return notes


def recipe_text(proposal: Proposal) -> str:
    """The whole recipe of one song."""
    lines = [
        f"{MARK} from the folder {said(proposal.song)}. Go through the comments: sure, likely or guessed",
        "# says how far to trust a line; a comment that begins with ? needs your answer.",
        *(["# The song.yaml in that folder is laid over this recipe."] if proposal.has_song_file else []),
    ]
    return text_of(lines, document_of(proposal), notes_of(proposal), proposal.questions, proposal.left_out)


def text_of(
    head: list[str], document: Document, notes: Notes, questions: tuple[str, ...], left_out: tuple[LeftOut, ...]
) -> str:
    """The text of a recipe or of a song's file."""
    lines = [*head, *(["format: 1"] if "format" in document else []), *(f"# ? {question}" for question in questions)]
    asked = dict(notes.ask)
    for section in _SECTIONS:
        if section not in document:
            continue
        entries = document[section]
        lines += [] if section == "tracks" else [""]
        lines += [f"{section}:"]
        for name, value in entries.items():
            lines += _entry((section, name), value, 2, notes.why, asked)
    # What is asked about a line that is not written, as nothing differs there, is asked all the same.
    rest = [f"# ? {question}" for questions in asked.values() for question in questions]
    lines += ["", *rest] if rest else []
    return "\n".join([*lines, *left_out_lines(left_out)]) + "\n"


def _entry(path: Path, value: Any, indent: int, why: Mapping[Path, str], asked: dict[Path, list[str]]) -> Iterator[str]:
    """The lines of one entry: on one line, but for a performance with exceptions."""
    margin = " " * indent
    below = [place for place in asked if place[: len(path)] == path and place != path]
    questions = asked.pop(path, [])
    block = isinstance(value, Mapping) and isinstance(value.get("mics"), Mapping)
    if not block:
        questions += [question for place in below for question in asked.pop(place)]
    yield from (f"{margin}# ? {question}" for question in questions)
    comment = why.get(path, "")
    if not block:
        yield _line(f"{margin}{_key(path[-1])}: {_flow(value)}", comment)
        return
    yield _line(f"{margin}{_key(path[-1])}:", comment)
    for key, inner in value.items():
        if key != "mics":
            yield f"{margin}  {key}: {_flow(inner, key)}"
    yield f"{margin}  mics:"
    for mic, inner in value["mics"].items():
        yield from _entry((*path, "mics", mic), inner, indent + 4, why, asked)


def left_out_lines(left_out: tuple[LeftOut, ...]) -> list[str]:
    """The comments on files that stay out, below an empty line."""
    if not left_out:
        return []
    lines = ["", "# Files that are not in the recipe:"]
    for item in left_out:
        mark, question = ("?", f"; {item.question}") if item.question else ("-", "")
        lines.append(f"# {mark} {said(item.file)}: {item.why}{question}")
    return lines


def _flow(value: Any, key: str = "") -> str:
    """A value on one line. key: whose it is; aliases are texts, other lists names."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(inner)}: {_flow(value[inner], inner)}" for inner in value) + "}"
    if isinstance(value, list):
        quote = _quoted if key == "aliases" else _key
        return f"[{', '.join(quote(item) for item in value)}]"
    if isinstance(value, str):
        return value if _PLAIN.fullmatch(value) and value.lower() not in _YAML_WORDS else _quoted(value)
    return json.dumps(value)


def _line(text: str, comment: str) -> str:
    return f"{text:<{_COLUMN}}  # {comment}" if comment else text


def _key(name: str) -> str:
    """A name as a YAML key: in quotes where YAML might take it for a number or a word of its own."""
    return name if _PLAIN.fullmatch(name) and name.lower() not in _YAML_WORDS else json.dumps(name)


def _quoted(text: str) -> str:
    """A text in YAML's double quotes, which JSON's are as long as nothing is escaped beyond \\" and \\\\."""
    return json.dumps(text, ensure_ascii=False)


def said(text: str) -> str:
    """A text inside a comment, which a line break would end."""
    return repr(text) if text.isprintable() else ascii(text)
