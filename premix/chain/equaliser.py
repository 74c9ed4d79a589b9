"""What the equalisers share: second-order sections that are always minimum-phase."""

from abc import abstractmethod

from premix.chain.processor import Processor, Running, Setting
from premix.chain.sections import SectionFilter
from premix.dsp.mic_filters import sections_response
from premix.model.analysis import ComplexArray, FloatArray


class Equaliser(Processor):
    """Base of the processors that are sections and nothing else."""

    @abstractmethod
    def sections(self, rate: int) -> FloatArray:
        """The sections (n, 6)."""

    def make(self, setting: Setting) -> Running:
        return SectionFilter(self.sections(setting.rate), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return sections_response(self.sections(setting.rate), freqs_hz, setting.rate)
