"""The one pass over all tracks: every sample of every file is read once, and everything later stages need is kept."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack, nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import BinaryIO

import numpy as np

from premix.analysis.absences import Absences, absences
from premix.analysis.band_file import BandFile
from premix.analysis.levels import LevelMeter, clip_level
from premix.analysis.spectra import MOST_PAIRED, Chosen, SpectraCollector, levels_db, median_level_db, partner_count
from premix.arrays import FloatArray, HalfArray, SingleArray
from premix.audio.bands import KEY_BAND_HZ, KeyPower
from premix.audio.passages import PassageReader
from premix.audio.reader import TrackReader
from premix.audio.samples import impossible
from premix.model.song import Performance, Song
from premix.model.tracks import KeptArray, KeyEnvelopes, Spectra, Track, Windows
from premix.threads import Begun, SideBySide

BLOCK_FRAMES = 16
"""Frames a block: large, because every hand-over between threads costs. With many mics fewer, so that memory holds."""
SILENCE_DB = -200.0
"""Level of a frame behind the end of the keys."""
Progress = Callable[[int], None]
KeyPart = tuple[SingleArray, HalfArray]
"""Of one close mic: mean squares of the key band, a control frame each, and the band itself."""


def control_hop(rate: int) -> int:
    """Samples in one control frame: about 1 ms."""
    return round(rate / 1000)


def scan(
    song: Song,
    scratch: Path,
    *,
    offsets: Mapping[str, int] | None = None,
    threads: int = 1,
    progress: Progress = lambda samples: None,
) -> Song:
    """Read every track once, in blocks, performance by performance; gives the song with levels, spectra and envelopes.

    scratch: folder for key envelopes and cross-spectra; it must outlive what is returned. offsets: whole samples by
    which a track ('left_a/ribbon') is advanced while reading, for files with odd starts. progress: told how many
    samples of tracks were read since the last call.
    """
    with ThreadPoolExecutor(threads) if threads > 1 else nullcontext() as pool:
        read = [_read(song, performance, scratch, offsets or {}, progress, pool) for performance in song.performances]
    return replace(song, performances=tuple(read))


def scan_steadied(song: Song, scratch: Path, *, threads: int = 1, progress: Progress = lambda samples: None) -> Song:
    """Read the performances again that have a mic with steps, each such mic through them; levels and hashes, which are
    those of the files, stay. Parameters as in `scan`."""
    with ThreadPoolExecutor(threads) if threads > 1 else nullcontext() as pool:

        def again(performance: Performance) -> Performance:
            if not performance.steps:
                return performance
            offsets = dict(zip((mic.label for mic in performance.judged), performance.spectra.offsets, strict=True))
            read = _read(song, performance, scratch, offsets, progress, pool)
            again = replace(performance, spectra=read.spectra, windows=read.windows)
            # The key shifts each envelope by the whole delay itself: those that were read in step stay as they are.
            return again if any(performance.spectra.offsets) else replace(again, envelopes=read.envelopes)

        return replace(song, performances=tuple(again(performance) for performance in song.performances))


def _read(
    song: Song,
    performance: Performance,
    scratch: Path,
    offsets: Mapping[str, int],
    progress: Progress,
    pool: Executor | None,
) -> Performance:
    """One performance read; once more where one of its two close mics is not always there, which is known at the end
    only."""
    first = _PerformanceScan(song, performance, scratch, offsets)
    read = first.run(progress, pool)
    gone = first.absences()
    if gone is None:
        return read
    return _PerformanceScan(song, performance, scratch, offsets, gone).run(lambda samples: None, pool)


def partners_of(performance: Performance, reference: str) -> tuple[int, ...]:
    """Places in `performance.judged` of the mics that every mic is compared with: with up to eight mics all, with more
    the reference first, then close mics that are summed, broadband ones before sub mics."""
    mics = performance.judged
    count = partner_count(len(mics))
    if count == len(mics):
        return tuple(range(count))
    close = [m for m, mic in enumerate(mics) if not mic.is_room]
    close.sort(key=lambda m: (mics[m].name != reference, mics[m].mute, mics[m].role == "sub"))
    return tuple(sorted(close[:count]))


class _TrackScan:
    """The pass over one track, `offset` samples ahead. key_power: of a close mic or a DI."""

    def __init__(self, reader: TrackReader | PassageReader, rate: int, offset: int, key_power: KeyPower | None) -> None:
        self.reader, self.track, self.offset = reader, reader.track, offset
        self.levels = LevelMeter(rate, clip_level(reader.track))
        self.key_power = key_power

    def read(self, start: int, out: FloatArray) -> KeyPart | None:
        """Fill `out` with the samples from `start` on, and give what they complete of the key."""
        self.reader.read(start + self.offset, out)
        self.levels.feed(out)
        if self.levels.nonfinite:
            out[impossible(out)] = 0.0
        return self.key_power.feed_both(out) if self.key_power is not None else None


class _PerformanceScan:
    """The pass over one performance: all its mics in step. gone: where a mic is not there, from a pass before."""

    def __init__(
        self,
        song: Song,
        performance: Performance,
        scratch: Path,
        offsets: Mapping[str, int],
        gone: Absences | None = None,
    ) -> None:
        self._performance = performance
        self._mics = (*performance.judged, *performance.dis)
        self._tracks = [mic.track for mic in self._mics]
        self._judged, self._keyed = len(performance.judged), len(performance.close)
        self._frames, self._rate = song.frames, song.rate
        self._offsets = tuple(offsets.get(track.name, 0) for track in self._tracks)
        self._collector = SpectraCollector(
            song.rate,
            self._judged,
            partners_of(performance, performance.reference),
            seconds=song.frames / song.rate,
            path=scratch / f"{performance.name}.windows",
        )
        frames = max(1, min(BLOCK_FRAMES, BLOCK_FRAMES * MOST_PAIRED // max(1, len(self._tracks))))
        self._block, self._keep = frames * self._collector.frame, self._collector.frame // 2
        self._hop = control_hop(song.rate)
        self._key_band_hz = song.gate.band_hz or KEY_BAND_HZ
        self._envelope_path = scratch / f"{performance.name}.key"
        self._bands = BandFile(performance, scratch / f"{performance.name}.band")
        self._di_path = scratch / f"{performance.name}.di.key"
        self._control = np.zeros((self._keyed, 0), np.float32)
        self._control_start = 0
        self._gone = gone
        self._own_db: list[list[float]] = []
        self._paired = 2 in (self._keyed, sum(mic.role == "close" for mic in performance.close))

    def absences(self) -> Absences | None:
        """Where one of two close mics is not there; everything must have been read."""
        subs = [mic.role == "sub" for mic in self._performance.close]
        return absences(np.array(self._own_db), subs, self._collector.hop / self._rate)

    def run(self, progress: Progress, pool: Executor | None) -> Performance:
        """Read to the end and put the records beside the mics.

        The next block is being read, and the frames of the one before are being collected, while one is in hand.
        """
        with ExitStack() as stack:
            scans = list(self._scans(stack))
            envelope_file = stack.enter_context(self._envelope_path.open("wb"))
            di_file = stack.enter_context(self._di_path.open("wb"))
            self._bands.open(stack)
            work = stack.enter_context(SideBySide(pool))
            collected: Begun[None] = work.begin([])
            for first, block, read in self._blocks(scans, work):
                self._write_control(read(), envelope_file, di_file)
                collected()
                chosen = self._chosen(block[: self._judged], first)
                collected = work.begin(
                    [partial(self._collector.add, [c for c in chosen if c.half == half]) for half in (0, 1)]
                )
                progress(min(self._block, self._frames - first - self._keep) * len(scans))
            collected()
            if self._collector.windows is not None:
                self._collector.windows.flush(last=True)
            hashes = work.begin([partial(_sha256, scan.reader) for scan in scans])()
            keys = [s.key_power.finish_both() if s.key_power else None for s in scans]
            self._write_control(keys, envelope_file, di_file)
        levels = {s.track.mic: s.levels.record(s.track, sha256) for s, sha256 in zip(scans, hashes, strict=True)}
        return replace(
            self._performance,
            mics=tuple(replace(mic, levels=levels[mic.name]) for mic in self._performance.mics),
            spectra=self._spectra(),
            windows=self._windows(),
            envelopes=self._envelopes(self._envelope_path, self._tracks[: self._keyed], self._bands),
            di_envelopes=self._envelopes(self._di_path, self._tracks[self._judged :]),
        )

    def _blocks(
        self, scans: Sequence[_TrackScan], work: SideBySide
    ) -> Iterator[tuple[int, FloatArray, Begun[KeyPart | None]]]:
        """Time of the first sample, samples (tracks, n) and keys of every block; samples are there once the keys are.

        Each begins with the last samples of the one before, as much as a frame may reach back.
        """
        keep, size = self._keep, self._block
        buffers = np.zeros((3 if work.threaded else 2, len(scans), keep + size))

        def block(number: int) -> FloatArray:
            return buffers[number % len(buffers), :, : keep + min(size, self._frames - number * size)]

        def begin(number: int, after: Begun[KeyPart | None] | None = None) -> Begun[KeyPart | None]:
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

    def _scans(self, stack: ExitStack) -> Iterator[_TrackScan]:
        for row, (mic, offset) in enumerate(zip(self._mics, self._offsets, strict=True)):
            key = (
                KeyPower(self._rate, self._hop, self._key_band_hz) if row < self._keyed or row >= self._judged else None
            )
            reader: TrackReader | PassageReader
            if mic.steps:
                reader = stack.enter_context(PassageReader(mic.track, mic.steps, 0.0, 1, self._rate))
            else:
                reader = stack.enter_context(TrackReader(mic.track, hash_samples=True))
            yield _TrackScan(reader, self._rate, offset, key)

    def _write_control(self, keys: Sequence[KeyPart | None], envelope_file: BinaryIO, di_file: BinaryIO) -> None:
        """Keep the keys of the close mics, which say what is riff, and the powers of the DIs."""
        for mine, file in ((keys[: self._keyed], envelope_file), (keys[self._judged :], di_file)):
            if rows := [key for key in mine if key is not None]:
                control = np.stack([power for power, _ in rows])
                file.write(np.ascontiguousarray(control.T).tobytes())
                if file is envelope_file:
                    self._bands.write([band for _, band in rows])
                    self._control = np.concatenate([self._control, control], axis=1)

    def _chosen(self, samples: FloatArray, first: int) -> list[Chosen]:
        """Those whole frames of `samples`, which begin at `first` on the time line, that are to be collected."""
        frame, hop = self._collector.frame, self._collector.hop
        if self._collector.windows is not None:
            self._collector.windows.flush()
        chosen = []
        for offset in range(0, samples.shape[1] - frame + 1, hop):
            position = first + offset
            if position >= 0 and self._keyed:
                lo = position // self._hop - self._control_start
                level_db, left_out = self._level(self._control[:, lo : lo + frame // self._hop])
                part = samples[:, offset : offset + frame]
                chosen.append(self._collector.choose(part, level_db, left_out=left_out))
        spent = max(0, (first + samples.shape[1] - frame) // self._hop - self._control_start)
        self._control = self._control[:, spent:]
        self._control_start += spent
        return [c for c in chosen if c is not None]

    def _level(self, powers: SingleArray) -> tuple[float, bool]:
        """Level of the next frame from the close mics' keys (M, n), and whether it is left out."""
        number = len(self._own_db)
        own = levels_db(powers.mean(axis=1, dtype=np.float64)) if powers.size else [SILENCE_DB] * self._keyed
        if self._paired:
            self._own_db.append(own)
        if self._gone is None:
            return median_level_db(own), False
        return float(self._gone.levels_db[number]), bool(self._gone.left_out[number])

    def _spectra(self) -> Spectra:
        collected = self._collector.result()
        soft_sums, softest, n_softest = self._collector.softest()
        return Spectra(
            performance=self._performance.name,
            mics=tuple(t.mic for t in self._tracks[: self._judged]),
            freqs_hz=self._collector.freqs_hz,
            kept_active=KeptArray.keep(collected.active, self._envelope_path.with_suffix(".active")),
            n_active=collected.n_active,
            kept_quiet=KeptArray.keep(collected.quiet, self._envelope_path.with_suffix(".quiet")),
            n_quiet=collected.n_quiet,
            frame=self._collector.frame,
            hop=self._collector.hop,
            offsets=self._offsets[: self._judged],
            partners=self._collector.partners,
            active_powers=collected.active_powers,
            quiet_powers=collected.quiet_powers,
            softest=softest,
            kept_softest=KeptArray.keep(soft_sums, self._envelope_path.with_suffix(".softest")),
            n_softest=n_softest,
        )

    def _windows(self) -> Windows:
        collector = self._collector
        assert collector.windows is not None
        start_s = (0 if collector.hop < collector.frame else self._keep) / self._rate
        return collector.windows.record(
            self._performance.name, [t.mic for t in self._tracks[: self._judged]], start_s, collector.riff_db
        )

    def _envelopes(self, path: Path, tracks: Sequence[Track], bands: BandFile | None = None) -> KeyEnvelopes:
        mics = tuple(track.mic for track in tracks)
        frames = path.stat().st_size // (4 * max(1, len(mics)))
        band = bands.record(self._hop, frames) if bands is not None else None
        return KeyEnvelopes(self._performance.name, mics, self._rate, self._hop, frames, path, band)


def _sha256(reader: TrackReader | PassageReader) -> str:
    """Of the file's samples; through passages it was not read as it is."""
    return reader.sha256() if isinstance(reader, TrackReader) else ""
