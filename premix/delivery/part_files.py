"""The sink of the render pass: blocks of the mix become one measured file a part, at the delivered rate.

Conversion of the rate: soxr at its very high quality, exact length, no delay. Each file's bext chunk says the common
start, the part, and what was done to it (EBU Tech 3285); an iXML chunk names its channels. The ceiling is looked at for
all files together.
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
from premix.audio.chunks import BextFields, patch_loudness
from premix.audio.ixml import IxmlFields
from premix.audio.writer import PartWriter
from premix.measures.meters import RenderMeters
from premix.model.mix import Part, PartMeasures, WrittenFile
from premix.model.song import Song
from premix.threads import SideBySide
from premix.units import db_to_gain

_DONE = {
    "stem": "close mics aligned and summed",
    "room": "room mic",
    "bus": "stems and rooms summed",
    "guitar_bus": "buses panned and summed",
    "aligned_mic": "aligned",
    "di": "as recorded",
}


class PartFiles:
    """Writes (and in the first pass measures) all parts.

    names: path of each part's file below `folder`. variant: of a comparison. The dither is the tracks', the variant's
    and the part's: a change of format or limits keeps it. meters: None in a second pass. Where the files are to be
    brought to a level, or once a block passes the ceiling, the first pass only measures: its files will not be used.
    """

    def __init__(
        self,
        folder: Path,
        names: Mapping[str, str],
        parts: Sequence[Part],
        song: Song,
        *,
        meters: RenderMeters | None,
        pool: Executor | None = None,
        variant: str = "",
    ) -> None:
        self._folder, self._names, self._parts, self._song, self._meters = folder, names, parts, song, meters
        self._ceiling = db_to_gain(song.deliver.ceiling_dbtp)
        self._levelled = {part.part for part in parts if part.is_levelled}
        level = song.deliver.level
        self.measures_only = meters is not None and level is not None and level.aim is not None
        self._resamplers: dict[str, Resampler] = {}
        if song.file_rate != song.rate:
            measured = meters.channels if meters is not None else {}
            channels = measured | {part.part: part.channels for part in parts}
            self._resamplers = {name: Resampler(song, count) for name, count in channels.items()}
        self._stack = ExitStack()
        seed = f"{''.join(mic.levels.sha256 for mic in song.judged)} {variant}".rstrip()
        self._writers = {part.part: self._open(part, seed) for part in parts}
        self._work = self._stack.enter_context(SideBySide(pool))

    def _open(self, part: Part, seed: str) -> PartWriter:
        deliver = self._song.deliver
        path = self._folder / self._names[part.part]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)  # a first pass that passed the ceiling left one
        digest = hashlib.sha256(f"{seed} {part.part}".encode()).digest()
        return self._stack.enter_context(
            PartWriter(
                path,
                rate=self._song.file_rate,
                channels=part.channels,
                frames=frames_of(self._song),
                container=deliver.format,
                bits=deliver.bits,
                dither=deliver.dither == "tpdf" or (deliver.dither == "auto" and deliver.bits == 16),
                seed=int.from_bytes(digest[:8], "little"),
                bext=bext_of(part, self._song),
                ixml=ixml_of(part, self._song, len(self._parts)),
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
            if part in self._levelled and max(block.max(), -block.min()) > self._ceiling:
                self.measures_only = True
        if written and not self.measures_only:
            self._writers[part].write(block)

    def close(self, measures: Callable[[str], PartMeasures]) -> tuple[WrittenFile, ...]:
        """Finish every file and give each its measures, in the file's own loudness fields too."""
        files = []
        for part in self._parts:
            done = self._writers[part.part].close()
            path = self._names[part.part]
            measured = measures(part.part)
            patch_loudness(self._folder / path, measured)
            size = (self._folder / path).stat().st_size
            bits = self._song.deliver.bits
            files.append(WrittenFile(part, path, done.frames, bits, done.sha256, done.overs, measured, size))
        return tuple(files)


def frames_of(song: Song) -> int:
    """Frames of each file: at the delivered rate, the nearest whole number to the song's duration."""
    return round(song.frames * song.file_rate / song.rate)


def bytes_of(parts: Sequence[Part], song: Song) -> int:
    """Size of the samples of the parts' files; FLAC needs less."""
    return frames_of(song) * sum(part.channels for part in parts) * song.deliver.bits // 8


class Resampler:
    """Streams blocks (channels, n) of a song to the rate of its files; the blocks' sum is `frames_of` it long."""

    def __init__(self, song: Song, channels: int) -> None:
        import soxr

        self._stream = soxr.ResampleStream(song.rate, song.file_rate, channels, dtype="float64", quality="VHQ")
        self._left_in, self._left_out = song.frames, frames_of(song)
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


def _called(part: Part) -> str:
    """'stem left_a', 'guitar bus'."""
    whose = " ".join(name for name in (part.performance, part.group, part.mic) if name) or part.bus or ""
    return f"{part.kind.replace('_', ' ')} {whose}".strip()


def ixml_of(part: Part, song: Song, files: int) -> IxmlFields:
    """The iXML fields of one part, of so many files: a name a channel, and the common start."""
    names = (part.part,) if part.channels == 1 else (f"{part.part} left", f"{part.part} right")
    return IxmlFields(
        project=song.name,
        tracks=names,
        rate=song.file_rate,
        bits=song.deliver.bits,
        time_reference=_start(song),
        note=f"{_called(part)}: {_DONE[part.kind]}",
        files=files,
    )


def _start(song: Song) -> int:
    """The common start in samples since midnight at the files' rate."""
    return round((song.time_reference or 0) * song.file_rate / song.rate)


def bext_of(part: Part, song: Song) -> BextFields:
    """The fields for one part; date and time are those of the earliest track, never now.

    The start keeps its time of day: it is rounded to whole samples of the delivered rate. The lines of the coding
    history follow EBU R 98, whose free text holds no comma.
    """
    rate, headers = song.file_rate, [mic.track.header for mic in song.mics]
    stamps = sorted((h.origination_date, h.origination_time or "") for h in headers if h.origination_date)
    date, time = stamps[0] if stamps else ("", "")
    mode = "mono" if part.channels == 1 else "stereo"
    history = (
        f"A=PCM,F={song.rate},W={headers[0].bits},M=mono,T={len(headers)} tracks\r\n"
        f"A=PCM,F={rate},W={song.deliver.bits},M={mode},T=premix {__version__}; {_DONE[part.kind]}\r\n"
    )
    return BextFields(
        description=f"{song.name}, {_called(part)}",
        date=date,
        time=time,
        time_reference=_start(song),
        coding_history=history,
    )
