"""The role of each mic, and whether a track belongs where its name puts it: by name first, then by sound.

A sub mic has far more of its power below 150 Hz than the others. A room mic hears the amp late, and most of its energy
later still: measured on simulated cabinets in rooms (image sources and decaying noise, 0.3 to 2 s), the first sound of
room mics came 7.5 ms or more after that of the nearest mic, with -7.8 dB or more of all energy more than 4 ms later;
that of close mics at most 2.9 ms. A file of another take is coherent with none of its performance. A DI has far higher
peaks than what the amp makes of it, and plays when the mics do.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.draft.grid import COHERENT
from premix.draft.proposal import DraftMic, DraftTrack, Key
from premix.draft.sound import CLEAN_PEAKS_DB, Sounds
from premix.draft.words import FAR, MICS, ROLES
from premix.errors import listed
from premix.model.settings import Role

_LOW_SHARE, _LOW_RATIO = 0.15, 2.5
_ROOM_ARRIVAL_MS, _ROOM_LATE_DB = 4.0, -8.5
_BELONGS = 0.5
_FEWEST = 3
"""Sounding tracks of a performance, from where on one of them can be the odd one."""
_PLAYS = 0.45
"""Likeness of levels between another take of the same riff (at most 0.34) and a DI (0.74 and more, rooms aside)."""
_SAME_SOUND = 0.98
"""Coherence of two close mics of one amp, at least; rooms with close mics: 0.97 and less, a DI with its amp 0.8."""
_FEWEST_BESIDE_DI = 2
_MOST_FILES = 8

Files = Mapping[str, str]
"""Mic -> file, of one performance."""


def draft_mics(names: Mapping[Key, str], performances: Sequence[Files], sounds: Sounds) -> dict[str, DraftMic]:
    """Name -> mic with its role. DIs are found first: nothing else is judged against them."""
    dis = {name for key, name in names.items() if "di" in key or _heard_di(name, performances, sounds)}
    mics = [{mic: file for mic, file in files.items() if mic not in dis} for files in performances]
    return {
        name: _draft_di(key, name, performances, sounds) if name in dis else _draft_mic(key, name, mics, sounds)
        for key, name in names.items()
    }


def _draft_di(key: Key, name: str, performances: Sequence[Files], sounds: Sounds) -> DraftMic:
    figures = _heard_di(name, performances, sounds)
    if "di" in key:
        return DraftMic(
            name, key, "di", "sure" if figures else "likely", "by name" + " and audio" * bool(figures), by_name=True
        )
    files = shown(files[name] for files in performances if name in files)
    question = f"is it a DI, to be re-amped and in no sum? {files}"
    return DraftMic(name, key, "di", "likely", f"by the audio: {figures}", question)


def _heard_di(mic: str, performances: Iterable[Files], sounds: Sounds) -> str:
    """What says that a track is a DI; '' where nothing does."""
    rows: list[tuple[float, float, float, float]] = []
    for files in performances:
        sounding = [file for file in files.values() if not sounds.heard[file].unheard]
        others = [file for file in sounding if file != files.get(mic)]
        if mic in files and files[mic] in sounding and len(others) >= _FEWEST_BESIDE_DI:
            own = files[mic]
            peaks = float(np.median([sounds.heard[file].peak_db for file in others]))
            likeness = max(sounds.likeness(own, file) for file in others)
            rows.append(
                (sounds.heard[own].peak_db, peaks, likeness, max(sounds.coherence(own, file) for file in others))
            )
    if not rows:
        return ""
    peak, others_peak, likeness, coherence = (float(value) for value in np.mean(rows, axis=0))
    if peak < others_peak + CLEAN_PEAKS_DB or likeness < _PLAYS or coherence > _SAME_SOUND:
        return ""
    return f"it plays when the mics do, and its peaks are {peak:.0f} dB above its rms, theirs {others_peak:.0f}"


def _draft_mic(key: Key, name: str, performances: Sequence[Files], sounds: Sounds) -> DraftMic:
    """A mic with its role; where name and audio disagree the name counts, with a question."""
    words = set(key) & {*MICS.values()}
    named: Role | None = next((role for word, role in ROLES.items() if word in words), "close" if words else None)
    heard, figures = _heard_role(name, performances, sounds)
    if named is None:
        why = "nothing in name or audio says otherwise" if heard == "close" else f"by the audio: {figures}"
        return DraftMic(name, key, heard, "likely", why)
    if heard == named:
        why = "by name and audio" if named != "close" else "by name"
        return DraftMic(name, key, named, "sure", why, by_name=True)
    if not figures:
        return DraftMic(name, key, named, "likely", "by name", by_name=True)
    if FAR in words and heard == "close":
        return DraftMic(name, key, heard, "likely", f"by the audio, however far it stands: {figures}")
    files = shown(files[name] for files in performances if name in files)
    question = f"the name says {named}, the audio sounds like {heard} ({figures}): which one? {files}"
    return DraftMic(name, key, named, "guessed", "by name", question, by_name=True)


def shown(files: Iterable[str]) -> str:
    """Files in a comment: the first few in quotes, and how many more."""
    return listed((repr(name) if name.isprintable() else ascii(name) for name in files), _MOST_FILES)


@dataclass(frozen=True, slots=True)
class _Evidence:
    """One mic in one performance, against the mics beside it."""

    low_share: float
    others_low_share: float
    arrival_ms: float
    late_db: float


def _heard_role(mic: str, performances: Iterable[Files], sounds: Sounds) -> tuple[Role, str]:
    """What the audio says, and its figures; no figures where there is nothing to compare with."""
    found = [_evidence(mic, files, sounds) for files in performances]
    rows = [evidence for evidence in found if evidence is not None]
    if not rows:
        return "close", ""
    share = float(np.mean([row.low_share for row in rows]))
    others = float(np.mean([row.others_low_share for row in rows]))
    if share > _LOW_SHARE and share > _LOW_RATIO * others:
        return "sub", f"{100 * share:.0f} % of its power is below 150 Hz, {100 * others:.0f} % of the others'"
    arrival, late = (
        float(np.median(values)) for values in zip(*((r.arrival_ms, r.late_db) for r in rows), strict=True)
    )
    if arrival > _ROOM_ARRIVAL_MS and late > _ROOM_LATE_DB:
        return "room", f"it hears the amp {arrival:.1f} ms late, and {100 * 10 ** (late / 10):.0f} % of it later still"
    return "close", f"{100 * share:.0f} % of its power is below 150 Hz, {arrival:.1f} ms late"


def _evidence(mic: str, files: Files, sounds: Sounds) -> _Evidence | None:
    """None where the mic, or all beside it, are not heard. The way is that from the mic that hears the amp first."""
    sounding = [name for name, file in files.items() if not sounds.heard[file].unheard]
    if mic not in sounding or len(sounding) < 2:
        return None
    others = [name for name in sounding if name != mic]
    low = [sounds.heard[files[name]].low_share for name in others]
    coherent = [name for name in others if COHERENT < sounds.coherence(files[name], files[mic]) < _SAME_SOUND]
    ways = [sounds.way(files[name], files[mic]) for name in coherent]
    latest = max(ways, key=lambda way: way.arrival_ms, default=None)
    arrival, late = (latest.arrival_ms, latest.late_db) if latest else (0.0, -np.inf)
    return _Evidence(sounds.heard[files[mic]].low_share, float(np.median(low)), arrival, late)


def draft_track(
    performance: str, mic: DraftMic, text: str, performances: Mapping[str, Files], sounds: Sounds
) -> DraftTrack:
    """A track; muted where it is silent or another performance's. A room is kept, however little it is like the amp."""
    if sounds.heard[performances[performance][mic.name]].silent:
        note = f"silent from start to end: dead, or the wrong file? {shown([text])}"
        return DraftTrack(performance, mic.name, text, True, note)
    if mic.role == "di":
        return DraftTrack(performance, mic.name, text)  # whether it plays as its amp does is checked at every render
    where, note = _stranger(performance, mic.name, performances, sounds)
    note = f"{note}: the wrong file? {shown([text])}" if note else ""
    return DraftTrack(performance, mic.name, text, bool(note) and (mic.role != "room" or bool(where)), note)


def _stranger(performance: str, mic: str, performances: Mapping[str, Files], sounds: Sounds) -> tuple[str, str]:
    """The performance that a track sounds like if not its own, and what is odd about it; '' for nothing."""
    mine = performances[performance][mic]

    def nearest(files: Files) -> float:
        return max((sounds.coherence(mine, file) for file in files.values() if file != mine), default=0.0)

    own = nearest(performances[performance])
    sounding = sum(not sounds.heard[file].unheard for file in performances[performance].values())
    if sounding < _FEWEST or own >= COHERENT or sounds.heard[mine].unheard:
        return "", ""
    for name, files in performances.items():
        if name != performance and nearest(files) > _BELONGS:
            return name, f"it sounds like a track of {name} (coherence with its own performance {own:.2f})"
    return "", f"it hears nothing of its own performance (coherence {own:.2f}): hum, or another take's file"
