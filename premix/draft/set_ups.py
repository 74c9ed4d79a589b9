"""Set-ups beyond one mic a mono file: two channels of a file, and several amps of one take.

Two channels of a room mic's file are a stereo room, and so are two room mics called left and right; of a close mic's,
they are two mics. Close mics that share a word of an amp, or that are coherent among themselves and less so with the
others, are one amp's, and make a stem of their own.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from premix.draft.grid import Placed
from premix.draft.proposal import DraftGroup, DraftMic, DraftTrack, Key, Proposal
from premix.draft.roles import Files, shown
from premix.draft.sound import Sounds
from premix.draft.words import AMPS, MICS
from premix.model.settings import Channel

Pair = tuple[str, str]
"""A performance and a mic."""
_APART = 0.01
"""By how much the least coherent mics of one amp are nearer than the most coherent ones of two: 1.00 against 0.97."""
_FEWEST_AMP_MICS = 2
_END: dict[Key, str] = {("l",): "left", ("left",): "left", ("r",): "right", ("right",): "right"}
"""Last word of a key -> the side of a stereo pair."""
_SIDES: tuple[Channel, Channel] = ("left", "right")


def with_channels(proposal: Proposal, pairs: Collection[Pair]) -> Proposal:
    """The proposal with what is used of each two-channel file. pairs: the tracks whose two channels differ."""
    for mic in proposal.mics:
        own = [track for track in proposal.tracks if track.mic == mic.name]
        if any((track.performance, track.mic) in pairs for track in own):
            in_all = all((track.performance, track.mic) in pairs for track in own)
            both = in_all and mic.role in ("close", "room")
            proposal = _as_two(proposal, mic, own) if both else _as_one(proposal, mic, own, pairs)
    return proposal


def _as_two(proposal: Proposal, mic: DraftMic, own: Sequence[DraftTrack]) -> Proposal:
    """Both channels as mics: a stereo room's on buses of their own, two close mics' in the sum."""
    is_room = mic.role == "room"
    ends = _SIDES if is_room else (1, 2)
    aliases = tuple(dict.fromkeys((mic.name, *mic.aliases))) if proposal.pattern is not None else ()
    told = "" if is_room else f"are its two channels two mics? {shown(track.file for track in own)}"
    two = [
        replace(
            mic,
            name=f"{mic.name}_{end}",
            key=(*mic.key, str(end)),
            channel=end,
            bus=f"room_{end}" if is_room else "",
            why=f"{mic.why}; one channel of a stereo file",
            question=mic.question if is_room else mic.question or told,
            aliases=aliases,
        )
        for end in ends
    ]
    mics = [one for known in proposal.mics for one in (two if known is mic else [known])]
    # A question is asked once for both.
    mics = [replace(one, question="") if one is two[1] else one for one in mics]
    tracks: list[DraftTrack] = []
    for track in proposal.tracks:
        if track.mic == mic.name:
            tracks += [replace(track, mic=two[0].name), replace(track, mic=two[1].name, note="")]
        else:
            tracks.append(track)
    return replace(
        proposal,
        mics=tuple(mics),
        tracks=tuple(tracks),
        reference=two[0].name if proposal.reference == mic.name else proposal.reference,
        files={(track.performance, track.mic): track.file for track in tracks},
    )


def _as_one(proposal: Proposal, mic: DraftMic, own: Sequence[DraftTrack], pairs: Collection[Pair]) -> Proposal:
    """The mean of both channels; of a DI, which is delivered as it is, the left one."""
    channel: Channel = "left" if mic.role == "di" else "mix"
    files = [track.file for track in own if (track.performance, track.mic) in pairs]
    question = f"its two channels differ: which one, left, right or their mix? {shown(files)}"
    if len(files) == len(own):
        mics = tuple(
            replace(one, channel=channel, question=one.question or question) if one is mic else one
            for one in proposal.mics
        )
        return replace(proposal, mics=mics)
    tracks = tuple(
        replace(track, channel=channel, note=track.note or f"{question}")
        if track.mic == mic.name and (track.performance, track.mic) in pairs
        else track
        for track in proposal.tracks
    )
    return replace(proposal, tracks=tracks)


def with_split_rooms(mics: Sequence[DraftMic]) -> list[DraftMic]:
    """The mics, where two room mics of their own files are a stereo room by their names ('room_L', 'room_R')."""
    found = list(mics)
    for index, mic in enumerate(mics):
        for other in mics:
            rest, end = mic.key[:-1], _END.get(mic.key[-1:])
            same = rest and other.key[:-1] == rest and _END.get(other.key[-1:]) not in (None, end)
            if end is not None and same and mic.role == other.role == "room":
                found[index] = replace(mic, bus=f"room_{end}", why=f"{mic.why}; the {end} one of two")
    return found


def amp_groups(
    placed: Sequence[Placed],
    names: Mapping[Key, str],
    mics: Sequence[DraftMic],
    performances: Sequence[Files],
    sounds: Sounds,
) -> tuple[DraftGroup, ...]:
    """The mics of each of several amps; () where there is one, or nothing tells them apart."""
    summed = {mic.name for mic in mics if mic.role in ("close", "sub")}
    labels: dict[str, list[str]] = {}
    for key, name in names.items():
        label = "_".join(word for word in key if word not in MICS.values())
        if name in summed:
            labels.setdefault(label, []).append(name)
    if len(labels) < 2 or "" in labels or min(map(len, labels.values())) < _FEWEST_AMP_MICS:
        return ()
    said = _amp_said(placed, labels)
    if said is None and not _sound_apart(list(labels.values()), performances, sounds):
        return ()
    why = (
        "sure: one amp's, by name"
        if said is not None
        else "likely: one amp's, by the audio: coherent among themselves, less with the others"
    )
    files = {label: [row[mic] for row in performances for mic in own if mic in row] for label, own in labels.items()}
    return tuple(
        DraftGroup(
            f"{said or 'amp'}_{label}" if len(label) == 1 else label,
            tuple(own),
            why,
            f"{label}: which side is this amp heard on, if not its performance's? {shown(files[label])}",
        )
        for label, own in labels.items()
    )


def _amp_said(placed: Sequence[Placed], labels: Mapping[str, Sequence[str]]) -> str | None:
    """The word for an amp that the file names have before its label."""
    for item in placed:
        for word, after in zip(item.file.tokens, item.file.tokens[1:], strict=False):
            if word.text in AMPS and after.means in labels:
                return word.text
    return None


def _sound_apart(groups: Sequence[Sequence[str]], performances: Sequence[Files], sounds: Sounds) -> bool:
    within, between = [], []
    for files in performances:
        here = [[files[mic] for mic in group if mic in files] for group in groups]
        for number, own in enumerate(here):
            within += [sounds.coherence(a, b) for i, a in enumerate(own) for b in own[i + 1 :]]
            between += [sounds.coherence(a, b) for other in here[number + 1 :] for a in own for b in other]
    return bool(within) and bool(between) and float(np.min(within)) > float(np.max(between)) + _APART
