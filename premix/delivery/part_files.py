"""Sample-rate conversion of an output: soxr at its very high quality, exact length, no delay.

What each output's bext chunk says: the common start, the part, and what was done to it (EBU Tech 3285).

The sink of the render pass: blocks of parts to measured files, with one look at the ceiling for all of them.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import numpy as np

from premix import __version__
from premix.arrays import FloatArray
from premix.audio.bext import BextFields, patch_loudness
from premix.audio.writer import PartWriter
from premix.measures.meters import RenderMeters
from premix.model.mix import Part, PartMeasures, WrittenFile
from premix.model.recipe import Deliver
from premix.model.tracks import TrackSet
from premix.threads import SideBySide
from premix.units import db_to_gain


def frames_at(frames: int, rate_in: int, rate_out: int) -> int:
    """Frames of the converted file: the nearest whole number to the same duration."""
    return round(frames * rate_out / rate_in)


class Resampler:
    """Streams blocks (channels, n) from one rate to another; the blocks' sum is `frames_at` frames long."""

    def __init__(self, rate_in: int, rate_out: int, channels: int, frames: int) -> None:
        import soxr

        self._stream = soxr.ResampleStream(rate_in, rate_out, channels, dtype="float64", quality="VHQ")
        self._left_in = frames
        self._left_out = frames_at(frames, rate_in, rate_out)
        self._channels = channels

    def feed(self, block: FloatArray) -> FloatArray:
        """Convert the next block; the last one (by the count of frames) brings what is left."""
        self._left_in -= block.shape[1]
        last = self._left_in <= 0
        chunk = self._stream.resample_chunk(np.ascontiguousarray(block.T), last=last)
        made: FloatArray = chunk.reshape(-1, self._channels).T[:, : self._left_out]
        self._left_out -= made.shape[1]
        if last and self._left_out:
            made = np.concatenate([made, np.zeros((self._channels, self._left_out))], axis=1)
            self._left_out = 0
        return made


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
        (t.header.origination_date, t.header.origination_time or "") for t in tracks.tracks if t.header.origination_date
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


class PartFiles:
    """Writes (and in the first pass measures) all parts.

    meters: None in a second pass. Once a block passes the ceiling in the first pass, writing stops and only the
    measures go on: that pass's files will not be used.
    """

    def __init__(
        self,
        folder: Path,
        names: Mapping[str, str],
        parts: Sequence[Part],
        tracks: TrackSet,
        deliver: Deliver,
        *,
        seed: str,
        meters: RenderMeters | None,
        pool: Executor | None = None,
    ) -> None:
        self._folder, self._names, self._parts, self._meters = folder, names, parts, meters
        self._ceiling = db_to_gain(deliver.ceiling_dbtp)
        self.passed_ceiling = False
        rate = tracks.rate if deliver.rate == "keep" else deliver.rate
        self._bits = deliver.bits
        self._frames = frames_at(tracks.frames, tracks.rate, rate)
        self._resamplers: dict[str, Resampler] = {}
        if rate != tracks.rate:
            measured = meters.channels if meters is not None else {}
            channels = measured | {part.part: part.channels for part in parts}
            self._resamplers = {n: Resampler(tracks.rate, rate, c, tracks.frames) for n, c in channels.items()}
        self._stack = ExitStack()
        self._writers = {part.part: self._open(part, tracks, deliver, rate, seed) for part in parts}
        self._work = self._stack.enter_context(SideBySide(pool))

    def _open(self, part: Part, tracks: TrackSet, deliver: Deliver, rate: int, seed: str) -> PartWriter:
        path = self._folder / self._names[part.part]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)  # a first pass that passed the ceiling left one
        digest = hashlib.sha256(f"{seed} {part.part}".encode()).digest()
        return self._stack.enter_context(
            PartWriter(
                path,
                rate=rate,
                channels=part.channels,
                frames=self._frames,
                container=deliver.format,
                bits=deliver.bits,
                dither=deliver.dither == "tpdf" or (deliver.dither == "auto" and deliver.bits == 16),
                seed=int.from_bytes(digest[:8], "little"),
                bext=bext_of(part, tracks, rate=rate, bits=deliver.bits),
            )
        )

    def abandon(self) -> None:
        """Drop what was written."""
        self._stack.close()

    def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]:
        """Take one block of every part of the mix, in time order; calling what is given waits until it is written."""
        if self._resamplers:
            wanted = [name for name in blocks if name in self._resamplers]
            made = self._work.begin([partial(self._resamplers[name].feed, blocks[name]) for name in wanted])()
            blocks = dict(zip(wanted, made, strict=True))
        longest_first = sorted(blocks.items(), key=lambda item: -len(item[1]))  # a thread with little left waits little
        jobs = [partial(self._one, name, block) for name, block in longest_first if block.size]
        if self._meters is not None and jobs:
            jobs.insert(0, partial(self._meters.feed_together, blocks))
        return self._work.begin(jobs)

    def _one(self, part: str, block: FloatArray) -> None:
        """Measure and write one block of one part."""
        written = part in self._writers
        if self._meters is not None:
            self._meters.feed_part(part, block)
            if written and max(block.max(), -block.min()) > self._ceiling:
                self.passed_ceiling = True
        if written and not self.passed_ceiling:
            self._writers[part].write(block)

    def close(self, measures: Callable[[str], PartMeasures]) -> tuple[WrittenFile, ...]:
        """Finish every file and give each its measures, in the file's own loudness fields too."""
        files = []
        for part in self._parts:
            done = self._writers[part.part].close()
            path = self._names[part.part]
            measured = measures(part.part)
            patch_loudness(
                self._folder / path,
                loudness_lufs=measured.loudness_lufs,
                range_lu=measured.loudness_range_lu,
                true_peak_dbtp=measured.true_peak_dbtp,
                momentary_lufs=measured.momentary_max_lufs,
                short_term_lufs=measured.short_term_max_lufs,
            )
            files.append(WrittenFile(part, path, done.frames, self._bits, done.sha256, done.overs, measured))
        return tuple(files)
