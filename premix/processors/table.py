"""The processors that a chain may hold: the one table behind recipe keys, schema, reference and contract tests."""

from premix.processors.base import Processor
from premix.processors.colour import Gain, MidSide, Polarity, Saturation
from premix.processors.dynamics import Compressor, Expander, Limiter
from premix.processors.equalisers import Bell, HighShelf, LowShelf, Notch, Tilt
from premix.processors.filters import BandPass, HighPass, LowPass
from premix.processors.plug_in import PlugIn
from premix.processors.space import Convolution, Delay, Reverb

_ALL: tuple[type[Processor], ...] = (
    HighPass,
    LowPass,
    BandPass,
    Bell,
    LowShelf,
    HighShelf,
    Tilt,
    Notch,
    Gain,
    Polarity,
    Delay,
    MidSide,
    Saturation,
    Expander,
    Compressor,
    Limiter,
    Reverb,
    Convolution,
    PlugIn,
)
PROCESSORS: dict[str, type[Processor]] = {processor.kind: processor for processor in _ALL}
"""kind -> processor."""
