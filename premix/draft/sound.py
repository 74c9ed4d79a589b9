"""What the audio of a folder says: which files can be tracks at all, what they sound like, which belong together.

Only three windows of each file are read, at the same times in all of them; a whole file only where those are silent,
or equal to another file's.

Two files are coherent where one performance reaches both through whatever room, as long as a spectrum's frame is as
long as the room rings: frames of a third of a second tell a live room from another take of the same riff. From the
same spectra comes the path from one mic to the other (the H1 estimator; Bendat & Piersol, Random Data, ch. 6): when
its first strong sound arrives, and how much of its energy follows later, which is what a room adds.

A DI need not be coherent with what its amp makes of it. What an amp keeps is when the level changes, and what it takes
away is the height of the peaks.
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
from premix.draft.proposal import LeftOut
from premix.draft.words import not_a_mic
from premix.errors import TracksError
from premix.model.tracks import AudioHeader, Track
from premix.units import db_to_gain, gain_to_db

_WINDOWS = 3
_WINDOW_S = 4.0
_FRAME_S = 0.34
_SHORTEST_FRAME = 2048
_FRAMES = 15
"""A song too short for so many frames gets shorter ones: two unrelated files look coherent to one part in these."""
_BAND_HZ = (80.0, 1500.0)
"""Where close, sub-free and room mics of a guitar all hear it."""
_LOW_HZ = 150.0
_LATE_MS = 4.0
"""After the first strong sound: what comes later is the room's, not the cabinet's."""
_LEVEL_MS, _SMOOTH = 1.0, 15
_LAGS = 20
_RANGE_DB = 40.0
"""Below the loud level lies noise, whose changes say nothing."""
_PEAKS = 99.9
"""Percentile of |x| that stands for the peaks: a click is none."""
CLEAN_PEAKS_DB = 4.5
"""A clean guitar's peaks are 18 dB above its rms, those of a distorted one's mics 9 to 13."""
_SMOOTH_HZ, _FLOOR = 100.0, 0.05
"""A bin far below its neighbours is not divided by."""
_SILENT = db_to_gain(-70.0)
_PIECE = 1 << 16
_FEWEST_BITS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What one file sounds like.

    unheard: nothing in the windows passes -70 dBFS; silent: nor in the whole file. digest: of the samples of the
    windows. low_share: part of the power below 150 Hz. spectra: (frames, bins) short-time spectra from 80 to 1500 Hz,
    complex64, of `frame` samples. peak_db: of the peaks, above its rms. changes: of its level in dB, from each
    millisecond of the windows to the next. is_pair: it has two channels that differ; what is heard is their mean.
    """

    header: AudioHeader
    unheard: bool
    silent: bool
    digest: str
    low_share: float
    frame: int
    spectra: npt.NDArray[np.complex64]
    peak_db: float
    changes: npt.NDArray[np.float32]
    is_pair: bool


@dataclass(frozen=True, slots=True)
class Way:
    """How a sound travels from one mic to another. arrival_ms: its first strong sound, by how much later than at the
    one. late_db: energy of what follows more than 4 ms after that, against all.
    """

    arrival_ms: float
    late_db: float


class Sounds:
    """The files that can be tracks, at least one, by their names."""

    def __init__(self, heard: Mapping[str, Heard]) -> None:
        self.heard = heard
        self._place = {name: number for number, name in enumerate(heard)}
        self._coherence = _coherences(list(heard.values()))
        self._usual_peak_db = float(np.median([item.peak_db for item in heard.values()]))

    def coherence(self, a: str, b: str) -> float:
        """Magnitude-squared coherence of two files (Welch), averaged from 80 to 1500 Hz by power; unheard: 0."""
        return float(self._coherence[self._place[a], self._place[b]])

    def stands_out(self, name: str) -> bool:
        """Whether a file's peaks are as high as those of a clean guitar among distorted ones."""
        return self.heard[name].peak_db > self._usual_peak_db + CLEAN_PEAKS_DB

    def likeness(self, a: str, b: str) -> float:
        """How much alike the levels of two files change, 1 for the same, at the best lag of up to 20 ms."""
        one, other = self.heard[a].changes, self.heard[b].changes
        if min(len(one), len(other)) <= 2 * _LAGS or self.heard[a].unheard or self.heard[b].unheard:
            return 0.0
        inner = one[_LAGS:-_LAGS].astype(np.float64)
        found = [float(inner @ other[lag : lag + len(inner)]) for lag in range(2 * _LAGS + 1)]
        scale = float(np.linalg.norm(one) * np.linalg.norm(other))
        return max(found) / scale if scale > 0.0 else 0.0

    def way(self, a: str, b: str) -> Way:
        """The way from file a to file b, both of them heard."""
        one, other = self.heard[a], self.heard[b]
        rate, frame = one.header.rate, one.frame
        power = np.asarray(np.sum(np.abs(one.spectra) ** 2, axis=0, dtype=np.float64))
        cross = np.asarray(np.sum(one.spectra.conj() * other.spectra, axis=0, dtype=np.complex128))
        wide = np.ones(2 * round(_SMOOTH_HZ * frame / rate) + 1)
        around = np.convolve(power, wide / len(wide), "full")[len(wide) // 2 :][: len(power)]
        response = np.zeros(frame // 2 + 1, complex)
        low, _ = _band(frame, rate)
        response[low : low + len(cross)] = cross / (power + _FLOOR * around + 1e-60) * np.hanning(len(cross) + 2)[1:-1]
        energy = np.fft.fftshift(np.fft.irfft(response, frame)) ** 2
        late = round(_LATE_MS / 1000.0 * rate)
        first = int(np.argmax(np.convolve(energy, np.ones(late // 2), "same")))
        share = float(np.sum(energy[first + late :])) / max(float(np.sum(energy)), 1e-60)
        return Way(1000.0 * (first - frame // 2) / rate, 10.0 * float(np.log10(max(share, 1e-12))))


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
    sounding = np.array([not item.unheard for item in heard], float)
    return np.asarray(found * sounding[:, None] * sounding[None, :])


def usable(folder: Path, names: Sequence[str]) -> tuple[dict[str, Heard], list[LeftOut]]:
    """The files that can be tracks, with what they sound like, and those that cannot, in order of the names."""
    left_out: list[LeftOut] = []
    headers: dict[str, AudioHeader] = {}
    pairs: set[str] = set()
    for name in _mics_only(names, left_out):
        try:
            header = read_header(folder / name)
            fault = _fault(header)
            if header.channels == 2 and first_difference(header) is not None:
                pairs.add(name)
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
            heard[name] = _heard(header, common, name in pairs)
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


def _heard(header: AudioHeader, common: int, is_pair: bool) -> Heard:
    with TrackReader(Track("", "", header, channel=None if is_pair else 0)) as reader:
        windows = _windows(reader, header.rate, common or header.frames)
        unheard = max(float(np.max(np.abs(w), initial=0.0)) for w in windows) < _SILENT
        silent = unheard and _all_silent(reader)
    digest = hashlib.sha256(b"".join(w.tobytes() for w in windows)).hexdigest()
    low = [_low_and_whole(window, header.rate) for window in windows]
    whole = sum(power for _, power in low)
    frame = _frame(header.rate, len(windows), len(windows[0]))
    return Heard(
        header,
        unheard,
        silent,
        digest,
        low_share=sum(power for power, _ in low) / whole if whole > 0.0 else 0.0,
        frame=frame,
        spectra=np.concatenate([_spectra(window, header.rate, frame) for window in windows]),
        peak_db=_peak_db(np.concatenate(windows)),
        changes=np.concatenate([_changes(window, header.rate) for window in windows]),
        is_pair=is_pair,
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


def _frame(rate: int, windows: int, length: int) -> int:
    """Samples of a frame: a third of a second, less in a song too short for enough of them."""
    frame = 1 << round(float(np.log2(_FRAME_S * rate)))
    while frame > _SHORTEST_FRAME and windows * (2 * length // frame - 1) < _FRAMES:
        frame //= 2
    return frame


def _band(frame: int, rate: int) -> tuple[int, int]:
    """The first bin of a frame's spectrum that is kept, and the one after the last."""
    low, high = (max(1, round(hz * frame / rate)) for hz in _BAND_HZ)
    return low, high + 1


def _spectra(window: FloatArray, rate: int, frame: int) -> npt.NDArray[np.complex64]:
    padded = np.pad(window, (0, max(0, frame - len(window))))
    frames = np.lib.stride_tricks.sliding_window_view(padded, frame)[:: frame // 2] * np.hanning(frame)
    return np.fft.rfft(frames, axis=1)[:, slice(*_band(frame, rate))].astype(np.complex64)


def _low_and_whole(window: FloatArray, rate: int) -> tuple[float, float]:
    """Power below 150 Hz, and all power above 20 Hz."""
    power = np.abs(np.fft.rfft(window)) ** 2
    hz = np.fft.rfftfreq(len(window), 1.0 / rate)
    return float(np.sum(power[(hz >= 20.0) & (hz < _LOW_HZ)])), float(np.sum(power[hz >= 20.0]))


def _peak_db(samples: FloatArray) -> float:
    rms = float(np.sqrt(np.mean(samples**2)))
    return gain_to_db(float(np.percentile(np.abs(samples), _PEAKS)) / rms) if rms > 0.0 else 0.0


def _changes(window: FloatArray, rate: int) -> npt.NDArray[np.float32]:
    hop = max(1, round(_LEVEL_MS / 1000.0 * rate))
    power = np.mean(window[: len(window) // hop * hop].reshape(-1, hop) ** 2, axis=1)
    wide = np.hanning(_SMOOTH + 2)[1:-1]
    if len(power) < len(wide):
        return np.zeros(0, np.float32)
    level_db = 10.0 * np.log10(np.maximum(np.convolve(power, wide / np.sum(wide), "valid"), 1e-20))
    floored = np.maximum(level_db, np.percentile(level_db, 95.0) - _RANGE_DB)
    return np.asarray(np.diff(floored), np.float32)
