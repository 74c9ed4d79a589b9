"""Roles of the mics from their names and from the audio, and tracks that do not hear their performance.

A sub mic has far more of its power below 150 Hz than the others. A room mic is less coherent with the close mics and
rings on where they stop. On recordings of one cabinet close mics were coherent to 0.9 and more, room mics to 0.5 to
0.7, and files of another take to less than 0.2.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.draft.proposal import Sure
from premix.draft.sound import Heard, coherence
from premix.model.recipe import Role

_ROOM_COHERENCE, _ROOM_FALL = 0.85, 0.6
_LOW_SHARE, _LOW_RATIO = 0.15, 2.5
_STRANGER, _BELONGS = 0.25, 0.5
_CLEAR_FALL_DB = 10.0
"""Where close mics fall less, the part has no stops and tells nothing of rooms."""

Tracks = Mapping[str, Heard]
"""Mic -> what is heard, of one performance."""


@dataclass(frozen=True, slots=True)
class RoleFound:
    """A role, how sure it is, where it comes from, and a question where name and audio disagree."""

    role: Role
    sure: Sure
    why: str
    question: str = ""


def find_role(mic: str, named: Role | None, performances: Sequence[Tracks]) -> RoleFound:
    """The role of one mic; named: what its name says, None where it says nothing."""
    heard, figures = _heard_role(mic, performances)
    if named is None:
        if heard == "close":
            return RoleFound("close", "likely", "nothing in name or audio says otherwise")
        return RoleFound(heard, "likely", f"by the audio: {figures}")
    if heard == named:
        return RoleFound(named, "sure", "by name and audio" if named != "close" else "by name")
    if not figures:
        return RoleFound(named, "likely", "by name")
    question = f"the name says {named}, the audio sounds like {heard} ({figures}): which one?"
    return RoleFound(named, "guessed", "by name", question)


def _heard_role(mic: str, performances: Sequence[Tracks]) -> tuple[Role, str]:
    """What the audio says, and its figures; no figures where there is nothing to compare with."""
    rows: list[tuple[float, float, float, float, float]] = []
    for tracks in performances:
        if mic not in tracks or tracks[mic].silent:
            continue
        mine, others = tracks[mic], [t for m, t in tracks.items() if m != mic and not t.silent]
        if not others:
            continue
        rows.append((
            mine.low_share, float(np.median([other.low_share for other in others])),
            mine.fall_db, max(other.fall_db for other in others), max(coherence(mine, other) for other in others),
        ))
    if not rows:
        return "close", ""
    share, share_others, falls, falls_others, close = (float(value) for value in np.mean(rows, axis=0))
    if share > _LOW_SHARE and share > _LOW_RATIO * share_others:
        return "sub", f"{100 * share:.0f} % of its power is below 150 Hz, {100 * share_others:.0f} % of the others'"
    if falls_others > _CLEAR_FALL_DB and falls < _ROOM_FALL * falls_others and close < _ROOM_COHERENCE:
        return "room", f"it falls by {falls:.0f} dB at the stops, others by {falls_others:.0f}; coherence {close:.2f}"
    return "close", f"{100 * share:.0f} % of its power is below 150 Hz, coherence {close:.2f}"


def stranger(performance: str, mic: str, performances: Mapping[str, Tracks]) -> str:
    """What is odd about a track that does not hear its own performance; '' where it does, or nothing can be told."""
    mine = performances[performance][mic]
    own = [coherence(mine, other) for m, other in performances[performance].items() if m != mic and not other.silent]
    if mine.silent or len(own) < 2 or max(own) >= _STRANGER:
        return ""
    for name, tracks in performances.items():
        if name != performance and max((coherence(mine, other) for other in tracks.values()), default=0.0) > _BELONGS:
            return f"it sounds like a track of {name} (coherence with its own performance {max(own):.2f})"
    return f"it hears nothing of its own performance (coherence {max(own):.2f}): hum, or another take's file"
