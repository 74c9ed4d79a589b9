"""Mics to one signal: each read ahead by its delay, filtered, and summed, block by block.

Delays and gains are one FIR a mic in overlap-save; the spectra are summed, so that a stem costs one inverse FFT instead
of one a mic. Rows of the transform lie at fixed places of the time line: the result does not depend on the block size.
"""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import Protocol

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import TAPS, SectionFilter, advance_fir, mic_sections, split_delay
from premix.audio.gains import curve_gain
from premix.audio.passages import PassageReader
from premix.audio.reader import TrackReader
from premix.model.mix import MicPath

FFT = 2048
HOP = 1920
HISTORY = FFT - HOP
"""Samples before each row that the FIR may reach back into; more than its TAPS - 1."""
_WARM_UP = 65536
RUN_IN = 1 << 18
"""Samples that filters and chains are fed at most before the first that counts, 5 s at 48 kHz: what a filter still
knows of earlier sound is below any sample's last bit."""


class Workspace(threading.local):
    """Arrays for what lives only while one block goes into a sum: all mics of a thread share them.

    rows: the most that a block has. overlapping: `samples` again, (rows, FFT), each row with its history.
    """

    def __init__(self, rows: int) -> None:
        self.samples = np.empty(HISTORY + rows * HOP)
        steps = (HOP * self.samples.itemsize, self.samples.itemsize)
        self.overlapping = np.ndarray((rows, FFT), np.float64, self.samples, 0, steps)
        self.total = np.empty((rows, FFT // 2 + 1), np.complex128)
        self.one = np.empty((rows, FFT // 2 + 1), np.complex128)
        self.back = np.empty((rows, FFT))
        self.gate = np.empty(rows * HOP)


class MicInsert(Protocol):
    """A mic's chain: late by `latency_samples`, first given the sample at time `first`."""

    first: int
    latency_samples: int

    def process(self, block: FloatArray) -> FloatArray: ...


MakeInsert = Callable[[MicPath], MicInsert]


class MicStream:
    """The samples of one mic, advanced by the whole part of its delay.

    `next` gives (HISTORY + rows * HOP) samples: HISTORY from before the block, then the block itself, where sample k of
    the block belongs at output sample k of the same block. A mic whose rest of delay is zero needs no FIR (`response`
    is None) and nulls against its file bit for bit. start: time of the first sample. insert: makes the path's chain;
    without it there is none.
    """

    def __init__(self, path: MicPath, rate: int, start: int = 0, insert: MakeInsert | None = None) -> None:
        self.gain = path.polarity * path.gain
        whole, rest = split_delay(path.delay_samples)
        self.response: ComplexArray | None = None
        if rest != 0.0:
            self.response = np.fft.rfft(advance_fir(rest) * self.gain, FFT)
            whole += TAPS // 2 - 1
        self._insert = insert(path) if insert is not None and path.chain else None
        self.name, self._proved = path.track.name, path.proved
        self._reader = _reader(path, rate)
        self._position = start + whole
        self._history = np.zeros(HISTORY)
        sections = mic_sections(rate, path.high_pass_hz, path.low_pass_hz, path.rotation)
        self._gate, self._late = path.gate, round(path.delay_samples)
        self._filter = SectionFilter(sections) if len(sections) else None
        try:
            self._warm_up(round(path.delay_samples))
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        self._reader.close()

    def next(self, rows: int, samples: FloatArray) -> FloatArray:
        """The next block with its history, in the first of `samples`."""
        block = samples[: HISTORY + rows * HOP]
        block[:HISTORY] = self._history
        new = block[HISTORY:]
        self._reader.read(self._position, new)
        self._shape(new, self._position)
        self._position += len(new)
        self._history[:] = block[-HISTORY:]
        return block

    def hashes(self) -> Iterator[tuple[str, str]]:
        """Hash of all samples of a track that is to be proved, if this stream reads it straight on."""
        if self._proved and isinstance(self._reader, TrackReader):
            yield self.name, self._reader.sha256()

    def _shape(self, samples: FloatArray, position: int) -> None:
        """Gate, filters and chain, in place; position: of the first sample in the track."""
        if self._gate is not None:
            gain = np.empty(len(samples))
            steady = curve_gain(self._gate, position - self._late, gain)
            samples *= gain if steady is None else steady
        if self._filter is not None:
            self._filter.run(samples[None])
        if self._insert is not None:
            samples[:] = self._insert.process(samples)

    def _warm_up(self, delay: int) -> None:
        """Let filter, chain and FIR see what lies before the first block: an advanced mic has sound there."""
        start = self._position - HISTORY
        if self._filter is not None or self._insert is not None:
            start = max(min(start, 0), start - RUN_IN)
        if self._insert is not None:
            self._insert.first = start - delay
            self._position += self._insert.latency_samples  # read ahead, so that it comes out in time
        while start < self._position:
            count = min(_WARM_UP, self._position - start)
            piece = np.zeros(count)
            self._reader.read(start, piece)
            self._shape(piece, start)
            keep = min(count, HISTORY)
            self._history = np.concatenate((self._history[keep:], piece[count - keep :]))
            start += count


def _reader(path: MicPath, rate: int) -> TrackReader | PassageReader:
    """What gives the mic's samples as if its delay and polarity were those of its path all through."""
    if path.passages:
        return PassageReader(path.track, path.passages, path.delay_samples, path.polarity, rate)
    return TrackReader(path.track, hash_samples=path.proved)


class MicSum:
    """The sum of some mics of one performance, streamed.

    work: shared with every sum that is not asked for while another one is. start: time of the first sample.
    insert: makes the mics' chains.
    """

    def __init__(
        self, paths: Sequence[MicPath], rate: int, work: Workspace, start: int = 0, insert: MakeInsert | None = None
    ) -> None:
        self._work = work
        self._streams: list[MicStream] = []
        with ExitStack() as stack:
            for path in paths:
                self._streams.append(MicStream(path, rate, start, insert))
                stack.callback(self._streams[-1].close)
            self.close = stack.pop_all().close

    def next(self, rows: int, out: FloatArray) -> None:
        """Fill `out` (rows * HOP,) with the next block of the sum."""
        work, total, begun = self._work, None, False
        for stream in self._streams:
            samples = stream.next(rows, work.samples)
            if stream.response is None:
                samples[HISTORY:] *= stream.gain
                _add(samples[HISTORY:], out, begun)
                begun = True
                continue
            spectra = (work.total if total is None else work.one)[:rows]
            np.fft.rfft(work.overlapping[:rows], axis=1, out=spectra)
            spectra *= stream.response
            if total is None:
                total = spectra
            else:
                total += spectra
        if total is not None:
            back = np.fft.irfft(total, FFT, axis=1, out=work.back[:rows])
            _add(back[:, HISTORY:], out.reshape(rows, HOP), begun)
        elif not begun:
            out[:] = 0.0

    def hashes(self) -> Iterator[tuple[str, str]]:
        """Hashes of the tracks that are to be proved, by 'performance/mic'; once the sum is through."""
        return (one for stream in self._streams for one in stream.hashes())


def _add(samples: FloatArray, out: FloatArray, begun: bool) -> None:
    """Into `out`, on top of what it holds where the sum has begun."""
    if begun:
        out += samples
    else:
        out[:] = samples
