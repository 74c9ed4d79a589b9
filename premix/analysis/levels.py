"""Levels of one track, streamed: peak, rms, DC, NaN, runs at full scale, dropouts; and a first look at every track.

The look takes loudness and noise floor in the same quick pass, without the filters of the meters: loudness is that of
ITU-R BS.1770 with its K-weighting applied to the spectrum of each 400 ms block, blocks side by side instead of
overlapping, within 0.2 LU of the meter on music.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from premix.analysis.damage import SoftestBlocks
from premix.arrays import BoolArray, FloatArray, IndexArray, ThreadArray
from premix.audio.filters import sections_response
from premix.audio.reader import TrackReader
from premix.audio.samples import LOUDEST, impossible
from premix.measures.loudness import STANDARD_RATE, gated_loudness, k_weighting_sections
from premix.model.song import Song
from premix.model.tracks import Hum, Track, TrackLevels, TrackLook

CLIP_RUN = 3
"""Samples in a row at full scale that count as clipping; a single one may be a lucky peak."""
DROPOUT_S = 0.001
"""Shortest run of exact zeros inside sound that counts as a digital dropout."""
MAX_RUNS = 200
"""Runs remembered per track, so that a broken file cannot fill the memory."""


def _runs(at: IndexArray) -> tuple[IndexArray, IndexArray]:
    """First place of every run of neighbours among ascending places, and the one after its last."""
    gaps = np.flatnonzero(at[1:] - at[:-1] > 1)
    return np.concatenate((at[:1], at[gaps + 1])), np.concatenate((at[gaps], at[-1:])) + 1


class RunFinder:
    """Finds runs of True in a streamed condition; remembers the first `MAX_RUNS` of at least `shortest`."""

    def __init__(self, shortest: int) -> None:
        self.runs: list[tuple[int, int]] = []
        self._shortest = shortest
        self._open_at = -1
        self._position = 0

    def feed(self, flags: BoolArray) -> None:
        """Take the next block of the condition."""
        hits = np.flatnonzero(flags)
        if not len(hits):
            self.skip(len(flags))
            return
        starts, stops = (self._position + edges for edges in _runs(hits))
        if self._open_at >= 0 and hits[0] > 0:
            self._note(self._open_at, self._position)
        elif self._open_at >= 0:
            starts[0] = self._open_at
        self._position += len(flags)
        self._open_at = int(starts[-1]) if flags[-1] else -1
        ended = len(stops) - int(flags[-1])  # the last one may go on in the next block
        for run in np.flatnonzero(stops[:ended] - starts[:ended] >= self._shortest).tolist():
            self._note(int(starts[run]), int(stops[run]))

    def skip(self, count: int) -> None:
        """Take `count` samples where the condition is False."""
        if self._open_at >= 0:
            self._note(self._open_at, self._position)
        self._open_at = -1
        self._position += count

    def finish(self, keep_open_run: bool) -> tuple[tuple[int, int], ...]:
        """All runs; one that reaches the end is kept only if asked for."""
        if self._open_at >= 0 and keep_open_run:
            self.skip(0)
        return tuple(self.runs)

    def _note(self, start: int, stop: int) -> None:
        if stop - start >= self._shortest and len(self.runs) < MAX_RUNS:
            self.runs.append((start, stop - start))


FLAT_TOPS = 5
"""So many tops cut off at one level, below full scale, are no accident."""
_FLAT = 1e-4
"""Samples this near to the highest one, relatively, stand at the same level."""
_CORNER = 1e-3
"""The samples beside a cut top lie at least this much lower; beside the round top of the lowest note they do not."""
_LONGEST_TOP = 4096


_FLAGS = ThreadArray(np.bool_)


class FlatTops:
    """Runs of at least `CLIP_RUN` samples at the track's own highest level, with a corner at both ends.

    Something before the file clipped, and turned it down: a preamplifier, a converter, an export. sign: 1 for the
    positive half waves, -1 for the negative ones.
    """

    def __init__(self, sign: int) -> None:
        self._sign, self._ceiling = sign, 0.0
        self._runs: list[tuple[int, int]] = []
        self._carried = np.zeros(0)

    def feed(self, block: FloatArray, position: int, top: float) -> None:
        """Take the next samples, which begin at `position`; top: the highest of them, with the sign."""
        if top <= 0.0 or (top < self._ceiling * (1.0 - _FLAT) and len(self._carried) < 2):
            self._carried = block[-1:].copy()
            return
        if top > self._ceiling * (1.0 + _FLAT):
            self._runs.clear()
        self._ceiling = max(self._ceiling, top)
        before, limit = len(self._carried), self._ceiling * (1.0 - _FLAT)
        flags = _FLAGS.first(len(block))
        np.greater_equal(block, limit, out=flags) if self._sign > 0 else np.less_equal(block, -limit, out=flags)
        near = np.concatenate((np.flatnonzero(self._sign * self._carried >= limit), before + np.flatnonzero(flags)))
        starts, stops = _runs(near)
        self._find(starts, stops, block, position - before)
        self._carry(starts, stops, block)

    def _carry(self, starts: IndexArray, stops: IndexArray, block: FloatArray) -> None:
        """Keep the end of the samples in hand: from the last one below the ceiling on."""
        before, end = len(self._carried), len(self._carried) + len(block)
        first = int(starts[-1]) if len(stops) and stops[-1] == end else end
        begin = max(first - 1 if first > 0 else end - 1, end - _LONGEST_TOP)
        self._carried = np.concatenate((self._carried[begin:], block[max(0, begin - before) :]))

    def runs(self) -> tuple[tuple[int, int], ...]:
        """(start, length) of the tops, none where they are too few to mean anything."""
        return tuple(self._runs) if len(self._runs) >= FLAT_TOPS else ()

    def _find(self, starts: IndexArray, stops: IndexArray, block: FloatArray, position: int) -> None:
        """Note the tops among the runs at the ceiling of the samples in hand."""
        before, end = len(self._carried), len(self._carried) + len(block)
        inside = (starts > 0) & (stops < end) & (stops - starts >= CLIP_RUN)
        low = self._ceiling * (1.0 - _CORNER)

        def corner(at: int) -> bool:
            return bool(self._sign * (self._carried[at] if at < before else block[at - before]) < low)

        for start, stop in zip(starts[inside].tolist(), stops[inside].tolist(), strict=True):
            if corner(start - 1) and corner(stop) and len(self._runs) < MAX_RUNS:
                self._runs.append((position + start, stop - start))


class LevelMeter:
    """Levels of one track; `feed` blocks of shape (n,) in order, then read the attributes and runs.

    clip_level: the largest positive sample the file's format can hold (1.0 for float).
    """

    def __init__(self, rate: int, clip_level: float) -> None:
        self.peak = 0.0
        self.nonfinite = 0
        self._clip_level = clip_level
        self._count = 0
        self._sum = 0.0
        self._square_sum = 0.0
        self._heard_at = -1
        self._clipped = RunFinder(CLIP_RUN)
        self._zeros = RunFinder(max(2, round(DROPOUT_S * rate)))
        self._flat = FlatTops(1), FlatTops(-1)

    def feed(self, block: FloatArray) -> None:
        """Take the next samples; those that no recording holds are counted and measured as zeros."""
        if not len(block):
            return
        with np.errstate(over="ignore"):
            square_sum = float(np.dot(block, block))
        if not square_sum < LOUDEST**2:
            bad = impossible(block)
            self.nonfinite += int(np.count_nonzero(bad))
            block = np.where(bad, 0.0, block)
            square_sum = float(np.dot(block, block))
        highest, lowest = float(block.max(initial=0.0)), float(block.min(initial=0.0))
        peak = max(highest, -lowest)
        self.peak = max(self.peak, peak)
        for tops, top in zip(self._flat, (highest, -lowest), strict=True):
            tops.feed(block, self._count, top)
        self._sum += float(block.sum())
        self._square_sum += square_sum
        if peak >= self._clip_level:
            self._clipped.feed(np.abs(block) >= self._clip_level)
        else:
            self._clipped.skip(len(block))
        self._zeros.feed(np.equal(block, 0.0, out=_FLAGS.first(len(block))))
        if self._heard_at < 0 and peak > 0.0:
            self._heard_at = self._count + int(np.flatnonzero(block)[0])
        self._count += len(block)

    @property
    def rms(self) -> float:
        return float(np.sqrt(self._square_sum / self._count)) if self._count else 0.0

    @property
    def dc(self) -> float:
        return self._sum / self._count if self._count else 0.0

    def clipped_runs(self) -> tuple[tuple[int, int], ...]:
        """(start, length) of runs at full scale."""
        return self._clipped.finish(keep_open_run=True)

    def flat_tops(self) -> tuple[tuple[int, int], ...]:
        """(start, length) of tops cut off below full scale."""
        if self.peak >= self._clip_level:
            return ()
        return tuple(sorted(run for tops in self._flat for run in tops.runs()))

    def dropouts(self) -> tuple[tuple[int, int], ...]:
        """(start, length) of runs of exact zeros with sound before and after them."""
        runs = self._zeros.finish(keep_open_run=False)
        return tuple(run for run in runs if run[0] > self._heard_at >= 0)

    def record(self, track: Track, sha256: str, hum: Hum | None = None) -> TrackLevels:
        """What was measured of a whole track."""
        return TrackLevels(
            performance=track.performance,
            mic=track.mic,
            frames=track.header.frames,
            sample_peak=self.peak,
            rms=self.rms,
            dc=self.dc,
            nonfinite=self.nonfinite,
            clipped=self.clipped_runs(),
            flat_tops=self.flat_tops(),
            zero_runs=self.dropouts(),
            sha256=sha256,
            hum=hum,
        )


def clip_level(track: Track) -> float:
    """Largest positive sample of the track's format."""
    bits = track.header.bits
    return 1.0 if track.header.subtype in ("FLOAT", "DOUBLE") else 1.0 - 2.0 ** (1 - bits)


_BLOCK_S = 0.4
_FLOOR_S = 0.025
"""Blocks of the noise floor: they fit into the shortest stops."""


def look(song: Song, progress: Callable[[int], None] = lambda samples: None) -> tuple[Song, tuple[TrackLook, ...]]:
    """Read every track once: the song with its mics' levels, and a look a mic, in order.

    progress: told how many samples were read since the last call.
    """
    looks = {mic.label: _look(mic.track, song.rate, progress) for mic in song.mics}
    return song.with_mics(lambda mic: replace(mic, levels=looks[mic.label].levels)), tuple(looks.values())


def _look(track: Track, rate: int, progress: Callable[[int], None]) -> TrackLook:
    meter = LevelMeter(rate, clip_level(track))
    size = round(_BLOCK_S * rate)
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    sections = k_weighting_sections(STANDARD_RATE)
    weight = np.abs(sections_response(sections, np.minimum(freqs, 0.49 * STANDARD_RATE), STANDARD_RATE)) ** 2
    weight *= 2.0 / size**2
    powers: list[float] = []
    plain: list[FloatArray] = []
    soft = SoftestBlocks(size, rate)
    pieces = round(_BLOCK_S / _FLOOR_S)
    block = np.empty(size)
    with TrackReader(track, hash_samples=True) as reader:
        for start in range(track.start, track.end, size):
            count = min(size, track.end - start)
            block[count:] = 0.0
            reader.read(start, block[:count])
            meter.feed(block[:count])
            if count == size and not impossible(block).any():
                spectrum = np.fft.rfft(block)
                soft.feed(spectrum, float(np.dot(block, block)) / size)
                powers.append(float(np.dot(weight, spectrum.real**2 + spectrum.imag**2)))
                plain.append((block[: pieces * (size // pieces)].reshape(pieces, -1) ** 2).mean(axis=1))
            progress(count)
        sha256 = reader.sha256()
    levels = meter.record(track, sha256, soft.hum())
    return TrackLook(levels, gated_loudness(np.array(powers)), _floor(np.concatenate(plain) if plain else np.zeros(0)))


def _floor(powers: FloatArray) -> float | None:
    """Level of the quietest tenth of the short blocks, digital silence left out."""
    heard = powers[powers > 1e-14]
    return float(10.0 * np.log10(np.percentile(heard, 10))) if len(heard) else None
