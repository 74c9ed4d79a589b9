"""plug_in: a user's own effect plug-in, in a process of its own."""

from typing import Annotated, ClassVar

from pydantic import Field

from premix.chain.plug_in_host import HostedPlugIn
from premix.chain.processor import Processor, Running, Setting


class PlugIn(Processor):
    """A VST3 plug-in of your own, loaded in a process of its own; its reported latency is compensated.

    It runs twice, and is marked as not reproducible where the two differ. It works in 32 bits. What it does to the
    phase is not known to the alignment. Tested on Linux with a small plug-in built for it; others were not tried.
    """

    kind: ClassVar[str] = "plug_in"
    files: ClassVar[tuple[str, ...]] = ("file", "state")

    file: str = Field(
        description="The plug-in, from this recipe's folder.",
        examples=["/plugins/Warm.vst3"],
        min_length=1,
        max_length=400,
    )
    name: str | None = Field(
        None,
        description="Which one, where the file holds several.",
        examples=["Warm Mono"],
        min_length=1,
        max_length=200,
    )
    state: str | None = Field(
        None,
        description="A file with the plug-in's settings (its raw state, or a .vstpreset), from this recipe's folder.",
        examples=["warm.vstpreset"],
        min_length=1,
        max_length=400,
    )
    time_limit_s: Annotated[float, Field(ge=1.0, le=600.0, allow_inf_nan=False)] = Field(
        30.0, description="Longest that loading, or any one block, may take.", examples=[30]
    )

    def make(self, setting: Setting) -> Running:
        return HostedPlugIn(setting, self.file, self.name, self.state, self.time_limit_s)
