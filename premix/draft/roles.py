"""Roles of the mics from their names and from the audio, and tracks that do not hear their performance.

A sub mic has far more of its power below 150 Hz than the others. A room mic is less coherent with the close mics and
rings on where they stop. On recordings of one cabinet close mics were coherent to 0.9 and more, room mics to 0.5 to
0.7, and files of another take to less than 0.2.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.draft.choose import Coherence
from premix.draft.proposal import Sure
from premix.draft.sound import Heard
from premix.model.recipe import Role

_ROOM_COHERENCE, _ROOM_FALL = 0.85, 0.6
_LOW_SHARE, _LOW_RATIO = 0.15, 2.5
_STRANGER, _BELONGS = 0.25, 0.5
_FEWEST = 3
"""Sounding tracks of a performance, from where on one of them can be the odd one."""
_CLEAR_FALL_DB = 10.0
"""Where close mics fall less, the part has no stops and tells nothing of rooms."""



@dataclass(frozen=True, slots=True)
class HeardTrack:
    """A file's name and what it sounds like."""

    file: str
    heard: Heard


Tracks = Mapping[str, HeardTrack]
"""Mic -> track, of one performance."""


@dataclass(frozen=True, slots=True)
class RoleFound:
    """A role, how sure it is, where it comes from, and a question where name and audio disagree."""

    role: Role
    sure: Sure
    why: str
    question: str = ""


def find_role(mic: str, named: Role | None, performances: Sequence[Tracks], coherence: Coherence) -> RoleFound:
    """The role of one mic; named: what its name says, None where it says nothing."""
    heard, figures = _heard_role(mic, performances, coherence)
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


def _heard_role(mic: str, performances: Sequence[Tracks], coherence: Coherence) -> tuple[Role, str]:
    """What the audio says, and its figures; no figures where there is nothing to compare with."""
    rows: list[tuple[float, float, float, float, float]] = []
    for tracks in performances:
        others = [track for name, track in tracks.items() if name != mic and not track.heard.silent]
        mine = tracks.get(mic)
        if mine is None or mine.heard.silent or not others:
            continue
        rows.append((
            mine.heard.low_share, float(np.median([other.heard.low_share for other in others])),
            mine.heard.fall_db, max(other.heard.fall_db for other in others),
            max(coherence(mine.file, other.file) for other in others),
        ))
    if not rows:
        return "close", ""
    share, share_others, falls, falls_others, close = (float(value) for value in np.mean(rows, axis=0))
    if share > _LOW_SHARE and share > _LOW_RATIO * share_others:
        return "sub", f"{100 * share:.0f} % of its power is below 150 Hz, {100 * share_others:.0f} % of the others'"
    if falls_others > _CLEAR_FALL_DB and falls < _ROOM_FALL * falls_others and close < _ROOM_COHERENCE:
        return "room", f"it falls by {falls:.0f} dB at the stops, others by {falls_others:.0f}; coherence {close:.2f}"
    return "close", f"{100 * share:.0f} % of its power is below 150 Hz, coherence {close:.2f}"


def stranger(performance: str, mic: str, performances: Mapping[str, Tracks], coherence: Coherence) -> str:
    """What is odd about a track that does not hear its own performance; '' where it does, or nothing can be told."""
    mine = performances[performance][mic]

    def nearest(tracks: Tracks) -> float:
        return max((coherence(mine.file, t.file) for t in tracks.values() if t.file != mine.file), default=0.0)

    own = nearest(performances[performance])
    others = sum(not track.heard.silent for track in performances[performance].values())
    if mine.heard.silent or others < _FEWEST or own >= _STRANGER:
        return ""
    for name, tracks in performances.items():
        if name != performance and nearest(tracks) > _BELONGS:
            return f"it sounds like a track of {name} (coherence with its own performance {own:.2f})"
    return f"it hears nothing of its own performance (coherence {own:.2f}): hum, or another take's file"
