"""Faders and pans: how the delivered files add up to the guitar bus in a mixer's session.

There are three ways to it: stems and rooms, or the buses, or the guitar bus alone. With `deliver.balance: in_files`
every fader of each stands at zero. A pan is told with the gains to the left and right that it stands for, as
workstations have pan laws of their own.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from premix.model.mix import MixPlan, Part, Rendered, WrittenFile
from premix.model.settings import Chain
from premix.units import gain_to_db

Way = Literal["stems and rooms", "buses", "guitar bus", "beside the mix"]
_BESIDE = {
    "room": "its sound is in the stem",
    "aligned_mic": "its sound is in the stem or room",
    "di": "the guitar before the amp, for re-amping",
}
_WAYS: dict[str, Way] = {"stem": "stems and rooms", "room": "stems and rooms", "bus": "buses"}


@dataclass(frozen=True, slots=True)
class Fader:
    """One file in the mixer's session.

    gain: linear, of its fader; 0: it stays down. pan: -1 to 1, None for a stereo file. left, right: linear gains that
    the pan stands for. note: what the files of this way lack against the guitar bus.
    """

    file: WrittenFile
    way: Way
    gain: float
    pan: float | None
    left: float
    right: float
    note: str = ""

    @property
    def fader_db(self) -> float | None:
        """None: down."""
        return gain_to_db(self.gain) if self.gain > 0.0 else None


def faders(rendered: Rendered) -> tuple[Fader, ...]:
    """A fader for every delivered file, way by way."""
    order: list[Way] = ["stems and rooms", "buses", "guitar bus", "beside the mix"]
    made = [_fader(rendered.plan, file) for file in rendered.rendering.files]
    return tuple(sorted(made, key=lambda fader: order.index(fader.way)))


def width_line(plan: MixPlan) -> str:
    """What is left to do with the panned sum, in words; '' for nothing."""
    if plan.guitar_bus.width == 1.0:
        return ""
    side = f"{gain_to_db(plan.guitar_bus.width):+.2f} dB" if plan.guitar_bus.width > 0.0 else "off"
    return f"then on the sum of stems and rooms, or of buses: width {plan.guitar_bus.width:g} (side signal {side})"


def pan_words(pan: float | None) -> str:
    """'left', '40 right', 'centre'; a stereo file is 'stereo'."""
    if pan is None:
        return "stereo"
    if pan == 0.0:
        return "centre"
    side = "left" if pan < 0.0 else "right"
    return side if abs(pan) == 1.0 else f"{100.0 * abs(pan):g} {side}"


def _fader(plan: MixPlan, file: WrittenFile) -> Fader:
    part = file.part
    if part.kind == "guitar_bus":
        whole = part.part == "guitars"
        note = "" if whole else "the guitar bus without its centre"
        return Fader(file, "guitar bus" if whole else "beside the mix", float(whole), None, 1.0, 1.0, note)
    left_over = plan.guitar_bus.gain / plan.held_gain()
    bus = next((own for own in plan.buses if own.name == (part.bus or "")), None)
    way = _WAYS.get(part.kind, "beside the mix")
    if bus is None or (way == "stems and rooms" and part.gain_to_bus == 0.0):
        way = "beside the mix"
    pan, left, right = (bus.pan, bus.left, bus.right) if bus else (0.0, 1.0, 1.0)
    gain = 0.0 if way == "beside the mix" else part.gain_to_bus * left_over
    return Fader(file, way, gain, pan, left, right, "; ".join(_notes(plan, part, way)))


def _notes(plan: MixPlan, part: Part, way: Way) -> Iterator[str]:
    if way == "beside the mix":
        ungated = part.part.startswith("room_ungated")
        reason = "the room before its gate" if ungated else _BESIDE.get(part.kind, "not in the mix")
        yield f"stays down: {reason}"
        return
    bus = next(own for own in plan.buses if own.name == part.bus)
    if bus.chain and way == "stems and rooms":
        yield f"without the chain of bus {bus.name} ({_kinds(bus.chain)})"
    if plan.guitar_bus.chain:
        yield f"without the chain of the guitar bus ({_kinds(plan.guitar_bus.chain)})"


def _kinds(chain: Chain) -> str:
    return ", ".join(step.kind for step in chain)
