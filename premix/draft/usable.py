"""Which files of a folder can be tracks at all, and why the others cannot."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from premix.audiofile.headers import read_header
from premix.audiofile.reader import first_difference
from premix.draft.names import not_a_mic
from premix.draft.proposal import LeftOut
from premix.draft.sound import Heard, equal_files, listen
from premix.errors import TracksError
from premix.model.tracks import AudioHeader

_FEWEST_BITS = 16


def usable(folder: Path, names: Sequence[str]) -> tuple[dict[str, Heard], list[LeftOut]]:
    """The files that can be tracks, with what they sound like, and those that cannot, in order of the names."""
    left_out: list[LeftOut] = []
    headers: dict[str, AudioHeader] = {}
    for name in _mics_only(names, left_out):
        try:
            header = read_header(folder / name)
            fault = _fault(header)
        except TracksError as error:
            fault = error.problems[0].what
        if fault:
            left_out.append(LeftOut(name, fault))
        else:
            headers[name] = header
    headers = _one_rate(headers, left_out)
    heard, damaged = listen(list(headers.values()))
    names_of = {header.path: name for name, header in headers.items()}
    left_out += [LeftOut(names_of[header.path], "its samples cannot be read") for header in damaged]
    kept = {names_of[item.header.path]: item for item in heard}
    for copies in equal_files(heard):
        first, *others = sorted((names_of[item.header.path] for item in copies), key=lambda name: (len(name), name))
        for name in others:
            del kept[name]
            left_out.append(LeftOut(name, f"every sample is that of '{first}'", "was another file meant?"))
    return kept, left_out


def _mics_only(names: Sequence[str], left_out: list[LeftOut]) -> list[str]:
    """The files whose names do not say that they are something else; all where all do."""
    told = {name: not_a_mic(name) for name in names}
    if all(told.values()):
        return list(names)
    for name, what in told.items():
        if what:
            left_out.append(LeftOut(name, f"by its name {what}", "is it a mic of this guitar after all?"))
    return [name for name, what in told.items() if not what]


def _fault(header: AudioHeader) -> str:
    """Why a file cannot be one mic's track; '' where it can."""
    if header.channels > 2:
        return f"it holds {header.channels} channels"
    if header.bits < _FEWEST_BITS:
        return f"its samples have {header.bits} bits"
    if header.channels == 2 and first_difference(header) is not None:
        return "it is stereo, and its two channels differ"
    return ""


def _one_rate(headers: dict[str, AudioHeader], left_out: list[LeftOut]) -> dict[str, AudioHeader]:
    """The files at the rate that most of them have."""
    if not headers:
        return {}
    rate = Counter(header.rate for header in headers.values()).most_common(1)[0][0]
    for name, header in headers.items():
        if header.rate != rate:
            left_out.append(LeftOut(name, f"its rate is {header.rate} Hz, that of the others {rate} Hz",
                                    "can it be exported again?"))
    return {name: header for name, header in headers.items() if header.rate == rate}
