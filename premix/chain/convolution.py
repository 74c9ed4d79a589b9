"""convolution: a user's impulse response, in 64 bits, at its own level."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import Field

from premix.chain.impulse_response import LONGEST_S, UnfitResponse, load_response
from premix.chain.partitions import convolver
from premix.chain.processor import Processor, Running, Setting, Unfit
from premix.dsp.fir_response import fir_response
from premix.model.analysis import ComplexArray, FloatArray
from premix.model.recipe_values import GainDb
from premix.units import db_to_gain


class Convolution(Processor):
    """Convolution with an impulse response: a cabinet, a room. A unit impulse leaves the signal as it is."""

    kind: ClassVar[str] = "convolution"
    files: ClassVar[tuple[str, ...]] = ("file",)

    file: str = Field(
        description=f"The impulse response, from this recipe's folder: mono (or stereo on the guitar bus), at most "
        f"{LONGEST_S:g} s. Its delay is part of it; at another rate it is resampled.",
        examples=["rooms/small.wav"],
        min_length=1,
        max_length=400,
    )
    mix: Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)] = Field(
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
        return convolver(self._taps(setting), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return fir_response(self._taps(setting)[0], freqs_hz, setting.rate)

    def _taps(self, setting: Setting) -> FloatArray:
        """The response with mix and gain in it; the dry part is an impulse at its start."""
        taps = load_response(Path(self.file), setting.rate) * (self.mix * db_to_gain(self.gain_db))
        taps[:, 0] += 1.0 - self.mix
        return taps
