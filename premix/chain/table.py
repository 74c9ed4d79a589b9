"""The processors that a chain may hold: the one table behind recipe keys, schema, reference and contract tests."""

from premix.chain.band_pass import BandPass
from premix.chain.bell import Bell
from premix.chain.compressor import Compressor
from premix.chain.convolution import Convolution
from premix.chain.delay import Delay
from premix.chain.expander import Expander
from premix.chain.gain import Gain
from premix.chain.high_pass import HighPass
from premix.chain.limiter import Limiter
from premix.chain.low_pass import LowPass
from premix.chain.mid_side import MidSide
from premix.chain.notch import Notch
from premix.chain.plug_in import PlugIn
from premix.chain.polarity import Polarity
from premix.chain.processor import Processor
from premix.chain.reverb import Reverb
from premix.chain.saturation import Saturation
from premix.chain.shelves import HighShelf, LowShelf
from premix.chain.tilt import Tilt

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
