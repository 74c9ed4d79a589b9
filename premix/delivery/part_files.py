"""The sink of the render pass: blocks of parts to measured files, with one look at the ceiling for all of them."""

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from pathlib import Path
from typing import TypeVar

import numpy as np

from premix.audiofile.bext import patch_loudness
from premix.audiofile.writer import PartWriter
from premix.delivery.resample import FloatArray, Resampler, frames_at
from premix.delivery.start_stamp import bext_of
from premix.measures.same_take import TakeCorrelation
from premix.measures.table import PartMeter, StereoMeter
from premix.model.doubling import TakePair
from premix.model.recipe import Deliver
from premix.model.render import Part, PartMeasures, StereoMeasures, WrittenFile
from premix.model.tracks import TrackSet
from premix.units import db_to_gain

_T = TypeVar("_T")
WITHOUT_CENTRE = "guitars_without_centre"
GUITARS = "guitars"


class Meters:
    """Every measure of a render, kept apart from the files so that a second pass with a trim need not measure again.

    stems: performances whose stems are compared with each other.
    """

    def __init__(self, parts: Sequence[Part], rate: int, stems: Sequence[str]) -> None:
        self.parts = {part.part: PartMeter(part.part, rate, part.channels) for part in parts}
        self.stereo = StereoMeter(rate)
        self.without_centre = StereoMeter(rate)
        self._stems = [f"stem_{name}" for name in stems]
        self._takes = TakeCorrelation(stems, rate) if len(stems) > 1 else None

    def feed_part(self, part: str, block: FloatArray) -> None:
        """Measure one block (channels, n) of one part."""
        if part in self.parts:
            self.parts[part].feed(block)
        if part == GUITARS:
            self.stereo.feed(block)
        elif part == WITHOUT_CENTRE:
            self.without_centre.feed(block)

    def feed_takes(self, blocks: Mapping[str, FloatArray]) -> None:
        """Compare the stems of one block."""
        if self._takes is not None and all(stem in blocks for stem in self._stems):
            self._takes.feed(np.concatenate([blocks[stem] for stem in self._stems]))

    def true_peak_dbtp(self) -> float | None:
        """Highest true peak of all files so far."""
        peaks = [m.result().true_peak_dbtp for m in self.parts.values()]
        return max((p for p in peaks if p is not None), default=None)

    def take_pairs(self) -> tuple[TakePair, ...]:
        return self._takes.pairs() if self._takes is not None else ()

    def stereo_measures(self) -> tuple[StereoMeasures, StereoMeasures]:
        """The guitar bus's stereo picture with and without the centre."""
        return self.stereo.result(), self.without_centre.result()


class PartFiles:
    """Writes (and in the first pass measures) all parts; a context manager.

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
        meters: Meters | None,
        pool: Executor | None = None,
    ) -> None:
        self._folder, self._names, self._parts, self._meters, self._pool = folder, names, parts, meters, pool
        self._ceiling = db_to_gain(deliver.ceiling_dbtp)
        self.passed_ceiling = False
        rate = tracks.rate if deliver.rate == "keep" else deliver.rate
        self._bits = deliver.bits
        self._frames = frames_at(tracks.frames, tracks.rate, rate)
        self._resamplers: dict[str, Resampler] = {}
        if rate != tracks.rate:
            measured = dict.fromkeys([GUITARS, WITHOUT_CENTRE], 2) if meters else {}
            channels = measured | {part.part: part.channels for part in parts}
            self._resamplers = {n: Resampler(tracks.rate, rate, c, tracks.frames) for n, c in channels.items()}
        self._stack = ExitStack()
        self._writers = {part.part: self._open(part, tracks, deliver, rate, seed) for part in parts}

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

    def __enter__(self) -> "PartFiles":
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def take(self, blocks: Mapping[str, FloatArray]) -> None:
        """Take one block of every part of the mix, in time order."""
        if self._meters is not None:
            self._meters.feed_takes(blocks)
        list(_each(self._pool, lambda item: self._one(*item), blocks.items()))

    def _one(self, part: str, block: FloatArray) -> None:
        written = part in self._writers
        if not written and (self._meters is None or part not in (GUITARS, WITHOUT_CENTRE)):
            return
        if part in self._resamplers:
            block = self._resamplers[part].feed(block)
        if self._meters is not None and block.size:
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


def _each(
    pool: Executor | None, work: Callable[[tuple[str, FloatArray]], _T], items: Iterable[tuple[str, FloatArray]]
) -> Iterable[_T]:
    return map(work, items) if pool is None else pool.map(work, items)
