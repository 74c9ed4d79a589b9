"""Which delivered files are plain sums of other delivered files, and with what gains."""

from collections.abc import Sequence

import numpy as np

from premix.dsp.pan import apply_width
from premix.measures.loudness_gram import Sums
from premix.model.analysis import FloatArray
from premix.model.recipe import CENTRE_BUS
from premix.model.render import MixPlan, Part


def linear_sums(plan: MixPlan, parts: Sequence[Part]) -> Sums | None:
    """The stems and rooms as signals, and stems, rooms, buses and guitar buses as sums of them.

    None where that does not hold: a stem or room is no file, or a chain stands on a bus or on the guitar bus.
    """
    signals = [part for part in parts if part.kind in ("stem", "room") and part.gain_to_bus != 0.0]
    needed = sum(1 if plan.room_in_stem else 1 + len(p.rooms) for p in plan.performances)
    if len(signals) != needed or plan.guitar_chain or any(bus.chain for bus in plan.buses):
        return None
    gains: dict[str, FloatArray] = {s.part: row[None] for s, row in zip(signals, np.eye(needed), strict=True)}
    buses = {
        bus.name: np.array([[s.gain_to_bus if s.bus == bus.name else 0.0 for s in signals]]) for bus in plan.buses
    }
    for part in parts:
        if part.kind == "bus" and part.bus is not None:
            gains[part.part] = buses[part.bus]
        elif part.kind == "guitar_bus":
            without = None if part.part == "guitars" else CENTRE_BUS
            gains[part.part] = _stereo(plan, {n: row for n, row in buses.items() if n != without}, needed)
    return Sums(tuple(signal.part for signal in signals), gains)


def _stereo(plan: MixPlan, buses: dict[str, FloatArray], signals: int) -> FloatArray:
    stereo = np.zeros((2, signals))
    for bus in plan.buses:
        if bus.name in buses:
            stereo += np.array([[bus.left], [bus.right]]) * buses[bus.name]
    apply_width(stereo, plan.width)
    return stereo * plan.guitar_gain
