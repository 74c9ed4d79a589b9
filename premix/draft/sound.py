"""What the audio of a folder says: which files can be tracks at all, what they sound like, which belong together.

Only three windows of each file are read, at the same times in all of them; a whole file only where those are silent,
or equal to another file's.
"""

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray
from premix.audio.headers import read_header
from premix.audio.reader import TrackReader, first_difference
from premix.audio.samples import impossible
from premix.draft.words import not_a_mic
from premix.draft.write import LeftOut
from premix.errors import TracksError
from premix.model.tracks import AudioHeader, Track
from premix.units import db_to_gain

_WINDOWS = 3
_WINDOW_S = 4.0
_FRAME = 4096
_BAND_HZ = (80.0, 1500.0)
"""Where close, sub-free and room mics of a guitar all hear it."""
_LOW_HZ = 150.0
_BLOCK_S, _FALL_S = 0.005, 0.03
_SILENT = db_to_gain(-70.0)
_PIECE = 1 << 16
_FEWEST_BITS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What one file sounds like.

    silent: nothing in the whole file passes -70 dBFS. digest: of the samples of the windows. low_share: part of the
    power below 150 Hz. fall_db: by how much it falls within 30 ms after its hardest stops. spectra: (frames, bins)
    short-time spectra from 80 to 1500 Hz, complex64.
    """

    header: AudioHeader
    silent: bool
    digest: str
    low_share: float
    fall_db: float
    spectra: npt.NDArray[np.complex64]


class Sounds:
    """The files that can be tracks, at least one, by their names."""

    def __init__(self, heard: Mapping[str, Heard]) -> None:
        self.heard = heard
        self._place = {name: number for number, name in enumerate(heard)}
        self._coherence = _coherences(list(heard.values()))

    def coherence(self, a: str, b: str) -> float:
        """Magnitude-squared coherence of two files (Welch), averaged from 80 to 1500 Hz by power; silent: 0."""
        return float(self._coherence[self._place[a], self._place[b]])


def _coherences(heard: Sequence[Heard]) -> FloatArray:
    """Of all pairs, shape (n, n). The spectra of all files have one shape."""
    total = np.zeros((len(heard), len(heard)))
    weights = np.zeros_like(total)
    for number in range(heard[0].spectra.shape[1]):
        one = np.stack([item.spectra[:, number] for item in heard]).astype(np.complex128)
        cross = one @ one.conj().T
        power = np.real(np.diagonal(cross))
        weight = np.sqrt(power[:, None] * power[None, :])
        total += np.abs(cross) ** 2 / np.maximum(weight, 1e-60)
        weights += weight
    found = total / np.maximum(weights, 1e-60)
    sounding = np.array([not item.silent for item in heard], float)
    return np.asarray(found * sounding[:, None] * sounding[None, :])


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
    usual = float(np.median([header.frames for header in headers.values()])) if headers else 0.0
    common = min((header.frames for header in headers.values() if header.frames >= usual / 2), default=0)
    heard: dict[str, Heard] = {}
    for name, header in headers.items():
        try:
            heard[name] = _heard(header, common)
        except TracksError:
            left_out.append(LeftOut(name, "its samples cannot be read"))
    for copies in _equal_files(heard):
        first, *others = sorted(copies, key=lambda name: (len(name), name))
        for name in others:
            del heard[name]
            left_out.append(LeftOut(name, f"every sample is that of '{first}'", "was another file meant?"))
    return heard, left_out


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
            why = f"its rate is {header.rate} Hz, that of the others {rate} Hz"
            left_out.append(LeftOut(name, why, "can it be exported again?"))
    return {name: header for name, header in headers.items() if header.rate == rate}


def _equal_files(heard: Mapping[str, Heard]) -> list[list[str]]:
    """Files with the very same samples from start to end, two or more in each list; silent ones left out."""
    alike: dict[tuple[str, int], list[str]] = {}
    for name, item in heard.items():
        if not item.silent:
            alike.setdefault((item.digest, item.header.frames), []).append(name)
    same: dict[str, list[str]] = {}
    for names in alike.values():
        for name in names if len(names) > 1 else ():
            with TrackReader(Track("", "", heard[name].header), hash_samples=True) as reader:
                same.setdefault(reader.sha256(), []).append(name)
    return [names for names in same.values() if len(names) > 1]


def _heard(header: AudioHeader, common: int) -> Heard:
    with TrackReader(Track("", "", header)) as reader:
        windows = _windows(reader, header.rate, common or header.frames)
        silent = max(float(np.max(np.abs(w), initial=0.0)) for w in windows) < _SILENT and _all_silent(reader)
    digest = hashlib.sha256(b"".join(w.tobytes() for w in windows)).hexdigest()
    low = [_low_and_whole(window, header.rate) for window in windows]
    whole = sum(power for _, power in low)
    return Heard(
        header,
        silent,
        digest,
        low_share=sum(power for power, _ in low) / whole if whole > 0.0 else 0.0,
        fall_db=float(np.median([_fall_db(window, header.rate) for window in windows])),
        spectra=np.concatenate([_spectra(window, header.rate) for window in windows]),
    )


def _windows(reader: TrackReader, rate: int, frames: int) -> list[FloatArray]:
    """Up to three windows of four seconds, spread over the song; values that are no number count as zero."""
    length = min(round(_WINDOW_S * rate), frames)
    count = min(_WINDOWS, max(1, frames // length))
    found = []
    for number in range(count):
        window = np.empty(length)
        reader.read((frames - length) * (2 * number + 1) // (2 * count), window)
        window[impossible(window)] = 0.0
        found.append(window)
    return found


def _all_silent(reader: TrackReader) -> bool:
    piece = np.empty(_PIECE)
    for start in range(0, reader.track.header.frames, _PIECE):
        reader.read(start, piece)
        if float(np.max(np.abs(np.where(impossible(piece), 0.0, piece)))) >= _SILENT:
            return False
    return True


def _spectra(window: FloatArray, rate: int) -> npt.NDArray[np.complex64]:
    padded = np.pad(window, (0, max(0, _FRAME - len(window))))
    frames = np.lib.stride_tricks.sliding_window_view(padded, _FRAME)[:: _FRAME // 2] * np.hanning(_FRAME)
    low, high = (max(1, round(hz * _FRAME / rate)) for hz in _BAND_HZ)
    return np.fft.rfft(frames, axis=1)[:, low : high + 1].astype(np.complex64)


def _low_and_whole(window: FloatArray, rate: int) -> tuple[float, float]:
    """Power below 150 Hz, and all power above 20 Hz."""
    power = np.abs(np.fft.rfft(window)) ** 2
    hz = np.fft.rfftfreq(len(window), 1.0 / rate)
    return float(np.sum(power[(hz >= 20.0) & (hz < _LOW_HZ)])), float(np.sum(power[hz >= 20.0]))


def _fall_db(window: FloatArray, rate: int) -> float:
    """The fall within 30 ms that one in a hundred loud moments passes."""
    size = max(1, round(_BLOCK_S * rate))
    blocks = window[: len(window) // size * size].reshape(-1, size)
    levels = 10.0 * np.log10(np.mean(blocks**2, axis=1) + 1e-12)
    step = round(_FALL_S / _BLOCK_S)
    if len(levels) <= step:
        return 0.0
    falls = (levels[:-step] - levels[step:])[levels[:-step] > np.max(levels) - 15.0]
    return float(np.percentile(falls, 99.0)) if len(falls) else 0.0
