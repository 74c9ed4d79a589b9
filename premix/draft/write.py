"""What a draft proposes, as records, and as the text of a recipe: YAML with comments.

The comments say where each line comes from and how sure it is.
"""

import json
from dataclasses import dataclass
from typing import Literal

from premix.model.settings import Role

Sure = Literal["sure", "likely", "guessed"]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is not in the recipe. why: what was seen; question: what the user has to answer ('' for nothing)."""

    file: str
    why: str
    question: str = ""


@dataclass(frozen=True, slots=True)
class DraftTrack:
    """A mic of a performance. mute: it is silent or hears something else; note: what was heard ('' for nothing)."""

    performance: str
    mic: str
    file: str
    mute: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class DraftMic:
    """A mic. why: where its role comes from; question: what the user has to answer ('' for nothing)."""

    name: str
    role: Role
    sure: Sure
    why: str
    optional: bool = False
    question: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DraftPerformance:
    """A performance and its side. why: where the side comes from; question as with mics."""

    name: str
    bus: str
    sure: Sure
    why: str
    question: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole draft. pattern: `tracks.name`, or None where each track names its own file."""

    folder: str
    pattern: str | None
    reference: str
    mics: tuple[DraftMic, ...]
    performances: tuple[DraftPerformance, ...]
    tracks: tuple[DraftTrack, ...]
    left_out: tuple[LeftOut, ...]
    questions: tuple[str, ...] = ()


MARK = "# Drafted by premix"
"""How the first line begins: by it an earlier draft is known, and may be replaced."""
_COLUMN = 50
_GAINS = {"close": "", "sub": "role: sub, gain_db: -8, low_pass_hz: 180", "room": "role: room, gain_db: -12"}
_YAML_WORDS = ("y", "n", "yes", "no", "on", "off", "true", "false", "null")


def recipe_text(proposal: Proposal) -> str:
    """The whole recipe."""
    lines = [
        f"{MARK} from the folder {_said(proposal.folder)}. Go through the comments: sure, likely or guessed",
        "# says how far to trust a line; a comment that begins with ? needs your answer.",
        "format: 1",
    ]
    lines += [f"# ? {question}" for question in proposal.questions]
    if proposal.pattern is not None:
        lines += ["tracks:", f"  name: {_quoted(proposal.pattern)}"]
    elif any(mic.optional for mic in proposal.mics):
        lines += ["tracks:", _line('  name: "-/{performance}_{mic}.*"', "finds nothing: each track names its own file")]
    lines += ["", "mics:"]
    for mic in proposal.mics:
        lines += _mic(mic, proposal)
    lines += ["", "performances:"]
    for performance in proposal.performances:
        lines += _performance(performance, proposal)
    lines += ["", "alignment:", _line(f"  reference: {_key(proposal.reference)}", "stays; the others move to it")]
    lines += _left_out(proposal)
    return "\n".join(lines) + "\n"


def _mic(mic: DraftMic, proposal: Proposal) -> list[str]:
    values = [_GAINS[mic.role]] if _GAINS[mic.role] else []
    if mic.aliases:
        values.append(f"aliases: [{', '.join(map(_quoted, mic.aliases))}]")
    if mic.optional:
        values.append("optional: true")
    comment = f"{mic.sure}: {mic.role}, {mic.why}"
    lines = [_line(f"  {_key(mic.name)}: {{{', '.join(values)}}}", comment)]
    if mic.optional:
        there = {track.performance for track in proposal.tracks if track.mic == mic.name}
        missing = [performance.name for performance in proposal.performances if performance.name not in there]
        lines.append(f"  # ? no file of {mic.name} in {', '.join(missing)}: was it recorded?")
    if mic.question:
        lines.append(f"  # ? {mic.name}: {mic.question}")
    return lines


def _performance(performance: DraftPerformance, proposal: Proposal) -> list[str]:
    name = _key(performance.name)
    comment = f"{performance.sure}: {performance.bus}, {performance.why}"
    tracks = [track for track in proposal.tracks if track.performance == performance.name]
    with_files = proposal.pattern is None
    lines = [f"  # ? {performance.name}: {performance.question}"] if performance.question else []
    lines += [f"  # ? {track.performance}/{track.mic}: {track.note}" for track in tracks if track.note]
    aliases = f", aliases: [{', '.join(map(_quoted, performance.aliases))}]" if performance.aliases else ""
    told = [track for track in tracks if with_files or track.mute]
    if not told:
        return [*lines, _line(f"  {name}: {{bus: {performance.bus}{aliases}}}", comment)]
    lines += [_line(f"  {name}:", comment), f"    bus: {performance.bus}"]
    if aliases:
        lines.append(f"    {aliases[2:]}")
    return [*lines, "    mics:", *(_track(track, with_files) for track in told)]


def _track(track: DraftTrack, with_file: bool) -> str:
    values = [f"file: {_quoted(track.file)}"] if with_file else []
    # A mic that is muted only would still be checked, and refused: by hand it is taken as it is.
    values += ["mute: true, polarity: normal, delay: none"] if track.mute else []
    return f"      {_key(track.mic)}: {{{', '.join(values)}}}"


def _left_out(proposal: Proposal) -> list[str]:
    if not proposal.left_out:
        return []
    lines = ["", "# Files that are not in the recipe:"]
    for item in proposal.left_out:
        mark, question = ("?", f"; {item.question}") if item.question else ("-", "")
        lines.append(f"# {mark} {_said(item.file)}: {item.why}{question}")
    return lines


def _line(text: str, comment: str) -> str:
    return f"{text:<{_COLUMN}}  # {comment}"


def _key(name: str) -> str:
    """A name as a YAML key: in quotes where YAML might take it for a number or a word of its own."""
    return json.dumps(name) if name[0].isdigit() or name in _YAML_WORDS else name


def _quoted(text: str) -> str:
    """A text in YAML's double quotes, which JSON's are as long as nothing is escaped beyond \\" and \\\\."""
    return json.dumps(text, ensure_ascii=False)


def _said(text: str) -> str:
    """A text inside a comment, which a line break would end."""
    return repr(text) if text.isprintable() else ascii(text)
