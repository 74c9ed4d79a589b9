"""Time and space: delay, convolution with an impulse response, reverb."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import TAPS, DelayLine, advance_fir, fir_response, split_delay
from premix.audio.headers import read_header
from premix.audio.reader import read_blocks
from premix.errors import TracksError
from premix.model.settings import GainDb
from premix.processors.base import FilePath, InRows, Part, Processor, Running, Setting, Unfit, between, library_effect
from premix.units import db_to_gain, ms_to_samples

LONGEST_S = 10.0
"""Of an impulse response."""
SMALLEST_ROW, LARGEST_ROW = 1024, 16384
"""Rows between them keep both the number of partitions and the memory small."""


class Convolver(InRows):
    """Convolution with taps (n,) or (channels, n): uniformly partitioned overlap-save.

    The spectra of the taps, one a row of them, and of as many rows of the signal (after Wefers, Partitioned
    Convolution Algorithms for Real-Time Auralization, 2015, ch. 5; from memory). latency: samples of it that are the
    taps' own (a linear phase).
    """

    def __init__(self, taps: FloatArray, channels: int, latency: int = 0) -> None:
        length = taps.shape[-1]
        row = min(LARGEST_ROW, max(SMALLEST_ROW, 1 << (length // 4).bit_length()))
        super().__init__(channels, row, latency)
        count = -(-length // row)
        padded = np.zeros((channels, count * row))
        padded[:, :length] = taps
        self._taps: ComplexArray = np.fft.rfft(padded.reshape(channels, count, row), 2 * row)
        self._heard: ComplexArray = np.zeros_like(self._taps)
        self._before = np.zeros((channels, row))
        self._newest = 0

    def work(self, row: FloatArray) -> FloatArray:
        both = np.concatenate([self._before, row], axis=1)
        self._before = both[:, self._row :]
        count = self._taps.shape[1]
        self._newest = (self._newest - 1) % count
        self._heard[:, self._newest] = np.fft.rfft(both)
        total = np.zeros_like(self._heard[:, 0])
        for k in range(count):
            total += self._taps[:, k] * self._heard[:, (self._newest + k) % count]
        made: FloatArray = np.fft.irfft(total, 2 * self._row)[:, self._row :]
        return made


class Delay(Processor):
    """Lets the signal sound later. Unlike latency it is heard: it is not compensated."""

    kind: ClassVar[str] = "delay"

    delay_ms: Annotated[float, between(0.0, 1000.0)] = Field(
        description="How much later; fractions of a sample are kept.", examples=[12]
    )

    def make(self, setting: Setting) -> Running:
        return _Later(ms_to_samples(self.delay_ms, setting.rate), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        turned: ComplexArray = np.exp(-2j * np.pi * freqs_hz * (self.delay_ms / 1000.0))
        return turned


class _Later(Running):
    """A delay line, and a short filter for the fraction of a sample."""

    def __init__(self, samples: float, channels: int) -> None:
        whole, rest = split_delay(samples)
        self._line = DelayLine(channels, whole)
        self._fraction = None
        if rest != 0.0:
            self._fraction = Convolver(advance_fir(-rest), channels, latency=TAPS // 2 - 1)
            self.latency_samples = self._fraction.latency_samples

    def process(self, block: FloatArray) -> FloatArray:
        block = self._line.process(block)
        return block if self._fraction is None else self._fraction.process(block)


class Convolution(Processor):
    """Convolution with an impulse response: a cabinet, a room. A unit impulse leaves the signal as it is."""

    kind: ClassVar[str] = "convolution"
    files: ClassVar[tuple[str, ...]] = ("file",)

    file: FilePath = Field(
        description=f"The impulse response, from this recipe's folder: mono (or stereo on the guitar bus), at most "
        f"{LONGEST_S:g} s. Its delay is part of it; at another rate it is resampled.",
        examples=["rooms/small.wav"],
    )
    mix: Part = Field(
        1.0, description="Part of the convolved signal in the sum; the dry signal is the rest.", examples=[0.2]
    )
    gain_db: GainDb = Field(0.0, description="Gain of the convolved signal.", examples=[-6])

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        missing = list(super().problems(setting))
        yield from missing
        if missing:
            return
        allowed = f"an audio file of at most {LONGEST_S:g} s, mono" + (" or stereo" if setting.channels > 1 else "")
        try:
            channels = len(load_response(Path(self.file), setting.rate))
        except UnfitResponse as unfit:
            yield Unfit("file", f"'{self.file}' is no impulse response: {unfit}", allowed, "chain-file")
        else:
            if channels > setting.channels:
                yield Unfit("file", f"'{self.file}' has {channels} channels", allowed, "chain-file")

    def make(self, setting: Setting) -> Running:
        return Convolver(self._taps(setting), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return fir_response(self._taps(setting)[0], freqs_hz, setting.rate)

    def _taps(self, setting: Setting) -> FloatArray:
        """The response at its own level, with mix and gain in it; the dry part is an impulse at its start."""
        taps = load_response(Path(self.file), setting.rate) * (self.mix * db_to_gain(self.gain_db))
        taps[:, 0] += 1.0 - self.mix
        return taps


class UnfitResponse(Exception):  # noqa: N818 (it says what is wrong with a file; the caller makes it a problem)
    """The file cannot be used; the text says why."""


def load_response(path: Path, rate: int) -> FloatArray:
    """Taps (1 or 2, n) at `rate`. UnfitResponse for anything else than a short, finite mono or stereo file.

    A file at another rate is resampled and scaled by the ratio of the rates, so that its frequency response stays.
    """
    try:
        header = read_header(path)
        if header.channels > 2 or header.frames > LONGEST_S * header.rate:
            raise UnfitResponse(f"it has {header.channels} channels and {header.frames} samples")
        (taps,) = read_blocks(header, header.frames)
    except TracksError as error:
        raise UnfitResponse(f"it cannot be read as audio ({error.problems[0].what})") from error
    if not np.isfinite(taps).all():
        raise UnfitResponse("it holds NaN or infinite samples")
    if header.subtype not in ("FLOAT", "DOUBLE"):
        # The largest integer counts as 1, in 32 bits: the sound of responses since the first version.
        steps = 2.0 ** (header.bits - 1)
        taps = ((taps * steps).astype(np.float32) * np.float32(1.0 / (steps - 1.0))).astype(np.float64)
    if header.rate != rate:
        import soxr

        taps = soxr.resample(taps.T, header.rate, rate, quality="VHQ").T * (header.rate / rate)
    return np.ascontiguousarray(taps)


_REVERB_ROW = 1024


class Reverb(Processor):
    """A simple artificial room, for colour. The tail ends with the file."""

    kind: ClassVar[str] = "reverb"

    mix: Part = Field(0.15, description="Part of the reverb in the sum; the dry signal is the rest.", examples=[0.15])
    room_size: Part = Field(0.5, description="How long it rings.", examples=[0.3])
    damping: Part = Field(0.5, description="How fast the highs die.", examples=[0.5])
    width: Part = Field(1.0, description="How wide it is; on the guitar bus only.", examples=[1])

    def make(self, setting: Setting) -> Running:
        return _Room(self, setting)


class _Room(InRows):
    """pedalboard's reverberator beside the 64-bit dry signal."""

    def __init__(self, settings: Reverb, setting: Setting) -> None:
        super().__init__(setting.channels, _REVERB_ROW)
        self._mix = settings.mix
        levels = {"wet_level": 1.0 / 3.0, "dry_level": 0.0}  # the library multiplies its wet level by three
        self._reverb = library_effect("Reverb", setting.rate, **settings.model_dump(exclude={"mix"}), **levels)

    def work(self, row: FloatArray) -> FloatArray:
        return (1.0 - self._mix) * row + self._mix * self._reverb(row).astype(np.float64)
