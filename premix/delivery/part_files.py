"""The sink of the render pass: blocks of parts to measured files, with one look at the ceiling for all of them."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from premix.audiofile.bext import patch_loudness
from premix.audiofile.writer import PartWriter
from premix.delivery.resample import FloatArray, Resampler, frames_at
from premix.delivery.start_stamp import bext_of
from premix.measures.render_meters import RenderMeters
from premix.model.recipe import Deliver
from premix.model.render import Part, PartMeasures, WrittenFile
from premix.model.tracks import TrackSet
from premix.side_by_side import SideBySide
from premix.units import db_to_gain


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
        return self._stack.enter_context(PartWriter(
            path,
            rate=rate,
            channels=part.channels,
            frames=self._frames,
            container=deliver.format,
            bits=deliver.bits,
            dither=deliver.dither == "tpdf" or (deliver.dither == "auto" and deliver.bits == 16),
            seed=int.from_bytes(digest[:8], "little"),
            bext=bext_of(part, tracks, rate=rate, bits=deliver.bits),
        ))

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
            files.append(
                WrittenFile(part, path, done.frames, self._bits, done.sha256, done.overs, measured)
            )
        return tuple(files)
