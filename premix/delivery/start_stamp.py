"""What each output's bext chunk says: the common start, the part, and what was done to it (EBU Tech 3285)."""

from premix import __version__
from premix.audiofile.bext import BextFields
from premix.model.render import Part
from premix.model.tracks import TrackSet

_MODES = {1: "mono", 2: "stereo"}
_DONE = {
    "stem": "close mics aligned and summed",
    "room": "room mic",
    "bus": "stems and rooms summed",
    "guitar_bus": "buses panned and summed",
    "aligned_mic": "aligned",
}


def bext_of(part: Part, tracks: TrackSet, *, rate: int, bits: int) -> BextFields:
    """The fields for one part, delivered at `rate`; date and time are those of the earliest track, never now.

    The start keeps its time of day: it is rounded to whole samples of the delivered rate. The lines of the coding
    history follow EBU R 98, whose free text holds no comma.
    """
    stamps = sorted(
        (t.header.origination_date, t.header.origination_time or "")
        for t in tracks.tracks
        if t.header.origination_date
    )
    date, time = stamps[0] if stamps else ("", "")
    what = part.kind.replace("_", " ")
    whose = " ".join(name for name in (part.performance, part.mic) if name) or part.bus or ""
    mode = _MODES[part.channels]
    first = tracks.tracks[0].header
    history = (
        f"A=PCM,F={tracks.rate},W={first.bits},M=mono,T={len(tracks.tracks)} tracks\r\n"
        f"A=PCM,F={rate},W={bits},M={mode},T=premix {__version__}; {_DONE[part.kind]}\r\n"
    )
    return BextFields(
        description=f"{tracks.song}, {what} {whose}".strip(),
        date=date,
        time=time,
        time_reference=round((tracks.time_reference or 0) * rate / tracks.rate),
        coding_history=history,
    )
