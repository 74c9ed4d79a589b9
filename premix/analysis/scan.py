"""The one pass over all tracks: every sample of every file is read once, and everything later stages need is kept."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack, nullcontext
from functools import partial
from pathlib import Path
from typing import BinaryIO

import numpy as np

from premix.analysis.levels import LevelMeter
from premix.analysis.spectra import Chosen, SpectraCollector, median_level_db
from premix.arrays import FloatArray
from premix.audio.envelope import KeyPower, PowerArray
from premix.audio.reader import TrackReader
from premix.model.analysis import Analysis, KeyEnvelopes, Spectra, TrackLevels
from premix.model.recipe import Recipe
from premix.model.tracks import Track, TrackSet
from premix.threads import Begun, SideBySide

BLOCK_HOPS = 32
"""Frames a block: large, because every hand-over between threads costs."""
DEFAULT_KEY_BAND_HZ = (80.0, 5000.0)
Progress = Callable[[int], None]


def control_hop(rate: int) -> int:
    """Samples in one control frame: about 1 ms."""
    return round(rate / 1000)


def scan(
    tracks: TrackSet,
    recipe: Recipe,
    scratch: Path,
    *,
    offsets: Mapping[str, int] | None = None,
    threads: int = 1,
    progress: Progress = lambda samples: None,
) -> Analysis:
    """Read every track once, in blocks, performance by performance.

    scratch: folder for the key envelopes; it must outlive the returned record. offsets: whole samples by which
    a track ('left_a/ribbon') is advanced while reading, for files with odd starts. progress: told how many
    samples of tracks were read since the last call.
    """
    with ThreadPoolExecutor(threads) if threads > 1 else nullcontext() as pool:
        results = [
            _PerformanceScan(tracks, recipe, performance, scratch, offsets or {}).run(progress, pool)
            for performance in tracks.performances()
        ]
    return Analysis(
        rate=tracks.rate,
        frames=tracks.frames,
        spectra=tuple(r[0] for r in results),
        envelopes=tuple(r[1] for r in results),
        levels=tuple(level for r in results for level in r[2]),
    )


class _TrackScan:
    """The pass over one track; a context manager. key_power: of a close mic.

    Reads the samples `offset` samples ahead.
    """

    def __init__(self, track: Track, rate: int, offset: int, key_power: KeyPower | None) -> None:
        self.track = track
        self.offset = offset
        self.levels = LevelMeter(rate, clip_level(track))
        self.key_power = key_power
        self._reader = TrackReader(track, hash_samples=True)
        self.sha256 = self._reader.sha256

    def __enter__(self) -> "_TrackScan":
        return self

    def __exit__(self, *error: object) -> None:
        self._reader.close()

    def read(self, start: int, out: FloatArray) -> PowerArray | None:
        """Fill `out` with the samples from `start` on, and give the key's powers that they complete."""
        self._reader.read(start + self.offset, out)
        self.levels.feed(out)
        if self.levels.nonfinite:
            np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return self.key_power.feed(out) if self.key_power is not None else None


class _PerformanceScan:
    """The pass over one performance: all its mics in step."""

    def __init__(
        self, tracks: TrackSet, recipe: Recipe, performance: str, scratch: Path, offsets: Mapping[str, int]
    ) -> None:
        own = tracks.of(performance)
        close = [t for t in own if recipe.mics[t.mic].role != "room"]
        rooms = [t for t in own if recipe.mics[t.mic].role == "room"]
        self._tracks: list[Track] = [*close, *rooms]
        self._keyed = len(close)
        self._frames, self._rate = tracks.frames, tracks.rate
        self._offsets = tuple(offsets.get(t.name, 0) for t in self._tracks)
        self._collector = SpectraCollector(tracks.rate, len(self._tracks))
        self._block, self._keep = BLOCK_HOPS * self._collector.hop, self._collector.frame - self._collector.hop
        self._hop = control_hop(tracks.rate)
        self._key_band_hz = recipe.gate.band_hz or DEFAULT_KEY_BAND_HZ
        self._envelope_path = scratch / f"{performance}.key"
        self._control = np.zeros((self._keyed, 0), np.float32)
        self._control_start = 0
        self._performance = performance

    def run(self, progress: Progress, pool: Executor | None) -> tuple[Spectra, KeyEnvelopes, list[TrackLevels]]:
        """Read to the end and put the records together.

        The next block is being read, and the frames of the one before are being collected, while one is in hand.
        """
        with ExitStack() as stack:
            scans = [stack.enter_context(self._open(row)) for row in range(len(self._tracks))]
            envelope_file = stack.enter_context(self._envelope_path.open("wb"))
            work = stack.enter_context(SideBySide(pool))
            collected: Begun[None] = work.begin([])
            for first, block, read in self._blocks(scans, work):
                self._write_control(read(), envelope_file)
                collected()
                chosen = self._chosen(block, first)
                collected = work.begin(
                    [partial(self._collector.add, [c for c in chosen if c.half == half]) for half in (0, 1)]
                )
                progress(min(self._block, self._frames - first - self._keep) * len(scans))
            collected()
            hashes = work.begin([scan.sha256 for scan in scans])()
            self._write_control([s.key_power.finish() for s in scans if s.key_power is not None], envelope_file)
        return self._spectra(), self._envelopes(), [_levels(*done) for done in zip(scans, hashes, strict=True)]

    def _blocks(
        self, scans: Sequence[_TrackScan], work: SideBySide
    ) -> Iterator[tuple[int, FloatArray, Begun[PowerArray | None]]]:
        """Time of the first sample, samples (tracks, n) and keys of every block; samples are there once the keys are.

        Each begins with the last samples of the one before, as much as a frame may reach back.
        """
        keep, size = self._keep, self._block
        buffers = np.zeros((3 if work.threaded else 2, len(scans), keep + size))

        def block(number: int) -> FloatArray:
            return buffers[number % len(buffers), :, : keep + min(size, self._frames - number * size)]

        def begin(number: int, after: Begun[PowerArray | None] | None = None) -> Begun[PowerArray | None]:
            rows = zip(scans, block(number)[:, keep:], strict=True)
            return work.begin([partial(s.read, number * size, row) for s, row in rows], after)

        count = -(-self._frames // size)
        reading = begin(0)
        for number in range(count):
            read = reading
            if number + 1 < count:
                reading = begin(number + 1, read)
            block(number)[:, :keep] = block(number - 1)[:, -keep:]
            yield number * size - keep, block(number), read

    def _open(self, row: int) -> _TrackScan:
        key = KeyPower(self._rate, self._hop, self._key_band_hz) if row < self._keyed else None
        return _TrackScan(self._tracks[row], self._rate, self._offsets[row], key)

    def _write_control(self, powers: Sequence[PowerArray | None], envelope_file: BinaryIO) -> None:
        rows = [power for power in powers if power is not None]
        if rows:
            control = np.stack(rows)
            envelope_file.write(np.ascontiguousarray(control.T).tobytes())
            self._control = np.concatenate([self._control, control], axis=1)

    def _chosen(self, samples: FloatArray, first: int) -> list[Chosen]:
        """Those whole frames of `samples`, which begin at `first` on the time line, that are to be collected."""
        frame, hop = self._collector.frame, self._collector.hop
        chosen = []
        for offset in range(0, samples.shape[1] - frame + 1, hop):
            position = first + offset
            if position >= 0 and self._keyed:
                lo = position // self._hop - self._control_start
                powers = self._control[:, lo : lo + frame // self._hop]
                level_db = median_level_db(powers.mean(axis=1, dtype=np.float64)) if powers.size else -200.0
                chosen.append(self._collector.choose(samples[:, offset : offset + frame], level_db))
        spent = max(0, (first + samples.shape[1] - frame) // self._hop - self._control_start)
        self._control = self._control[:, spent:]
        self._control_start += spent
        return [c for c in chosen if c is not None]

    def _spectra(self) -> Spectra:
        active, n_active, quiet, n_quiet = self._collector.result()
        softest, n_softest = self._collector.softest()
        return Spectra(
            performance=self._performance,
            mics=tuple(t.mic for t in self._tracks),
            freqs_hz=self._collector.freqs_hz,
            active=active,
            n_active=n_active,
            quiet=quiet,
            n_quiet=n_quiet,
            frame=self._collector.frame,
            hop=self._collector.hop,
            offsets=self._offsets,
            softest=softest,
            n_softest=n_softest,
        )

    def _envelopes(self) -> KeyEnvelopes:
        mics = tuple(t.mic for t in self._tracks[: self._keyed])
        size = self._envelope_path.stat().st_size
        frames = size // (4 * len(mics)) if mics else 0
        return KeyEnvelopes(self._performance, mics, self._rate, self._hop, frames, self._envelope_path)


def _levels(scan: _TrackScan, sha256: str) -> TrackLevels:
    track, meter = scan.track, scan.levels
    return TrackLevels(
        performance=track.performance,
        mic=track.mic,
        frames=track.header.frames,
        sample_peak=meter.peak,
        rms=meter.rms,
        dc=meter.dc,
        nonfinite=meter.nonfinite,
        clipped=meter.clipped_runs(),
        zero_runs=meter.dropouts(),
        sha256=sha256,
    )


def clip_level(track: Track) -> float:
    """Largest positive sample of the track's format."""
    bits = track.header.bits
    return 1.0 if track.header.subtype in ("FLOAT", "DOUBLE") else 1.0 - 2.0 ** (1 - bits)
