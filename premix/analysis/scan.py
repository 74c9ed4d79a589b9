"""The one pass over all tracks: every sample of every file is read once, and everything later stages need is kept."""

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from premix.analysis.levels import LevelMeter
from premix.analysis.spectra import SpectraCollector, median_level_db
from premix.audiofile.reader import TrackReader
from premix.dsp.envelope import KeyPower
from premix.model.analysis import Analysis, FloatArray, KeyEnvelopes, Spectra, TrackLevels
from premix.model.recipe import Recipe
from premix.model.tracks import Track, TrackSet

BLOCK_HOPS = 8
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
    names = tracks.performances()

    def one(performance: str) -> tuple[Spectra, KeyEnvelopes, list[TrackLevels]]:
        return _PerformanceScan(tracks, recipe, performance, scratch, offsets or {}).run(progress)

    if threads > 1 and len(names) > 1:
        with ThreadPoolExecutor(threads) as pool:
            results = list(pool.map(one, names))
    else:
        results = [one(name) for name in names]
    return Analysis(
        rate=tracks.rate,
        frames=tracks.frames,
        spectra=tuple(r[0] for r in results),
        envelopes=tuple(r[1] for r in results),
        levels=tuple(level for r in results for level in r[2]),
    )


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
        self._hop = control_hop(tracks.rate)
        band = recipe.gate.band_hz or DEFAULT_KEY_BAND_HZ
        self._key_powers = [KeyPower(tracks.rate, self._hop, band) for _ in close]
        self._levels = [LevelMeter(tracks.rate, clip_level(t)) for t in self._tracks]
        self._envelope_path = scratch / f"{performance}.key"
        self._control = np.zeros((self._keyed, 0), np.float32)
        self._control_start = 0
        self._performance = performance

    def run(self, progress: Progress) -> tuple[Spectra, KeyEnvelopes, list[TrackLevels]]:
        """Read to the end and put the records together."""
        collector = self._collector
        block = BLOCK_HOPS * collector.hop
        keep = collector.frame - collector.hop
        samples = np.zeros((len(self._tracks), keep + block))
        with ExitStack() as stack:
            readers = [stack.enter_context(TrackReader(t, hash_samples=True)) for t in self._tracks]
            envelope_file = stack.enter_context(self._envelope_path.open("wb"))
            for start in range(0, self._frames, block):
                count = min(block, self._frames - start)
                new = samples[:, keep : keep + count]
                for row, reader in enumerate(readers):
                    reader.read(start + self._offsets[row], new[row])
                self._take(new, envelope_file)
                self._take_frames(samples[:, : keep + count], start - keep)
                samples[:, :keep] = samples[:, count : count + keep]
                progress(count * len(readers))
            hashes = [reader.sha256() for reader in readers]
            self._write_control([p.finish() for p in self._key_powers], envelope_file)
        return self._spectra(), self._envelopes(), self._track_levels(hashes)

    def _take(self, new: FloatArray, envelope_file: BinaryIO) -> None:
        for meter, row in zip(self._levels, new, strict=True):
            meter.feed(row)
            if meter.nonfinite:
                np.nan_to_num(row, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        self._write_control([p.feed(row) for p, row in zip(self._key_powers, new, strict=False)], envelope_file)

    def _write_control(self, rows: list[npt.NDArray[np.float32]], envelope_file: BinaryIO) -> None:
        if rows:
            powers = np.stack(rows)
            envelope_file.write(np.ascontiguousarray(powers.T).tobytes())
            self._control = np.concatenate([self._control, powers], axis=1)

    def _take_frames(self, samples: FloatArray, first: int) -> None:
        """Hand every whole frame of `samples`, which begin at `first` on the time line, to the collector."""
        frame, hop = self._collector.frame, self._collector.hop
        for offset in range(0, samples.shape[1] - frame + 1, hop):
            position = first + offset
            if position >= 0 and self._keyed:
                lo = position // self._hop - self._control_start
                powers = self._control[:, lo : lo + frame // self._hop]
                level = median_level_db(powers.mean(axis=1, dtype=np.float64)) if powers.size else -200.0
                self._collector.take(samples[:, offset : offset + frame], level)
        spent = max(0, (first + samples.shape[1] - frame) // self._hop - self._control_start)
        self._control = self._control[:, spent:]
        self._control_start += spent

    def _spectra(self) -> Spectra:
        active, n_active, quiet, n_quiet = self._collector.result()
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
        )

    def _envelopes(self) -> KeyEnvelopes:
        mics = tuple(t.mic for t in self._tracks[: self._keyed])
        size = self._envelope_path.stat().st_size
        frames = size // (4 * len(mics)) if mics else 0
        return KeyEnvelopes(self._performance, mics, self._rate, self._hop, frames, self._envelope_path)

    def _track_levels(self, hashes: list[str]) -> list[TrackLevels]:
        return [
            TrackLevels(
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
            for track, meter, sha256 in zip(self._tracks, self._levels, hashes, strict=True)
        ]


def clip_level(track: Track) -> float:
    """Largest positive sample of the track's format."""
    bits = track.header.bits
    return 1.0 if track.header.subtype in ("FLOAT", "DOUBLE") else 1.0 - 2.0 ** (1 - bits)
