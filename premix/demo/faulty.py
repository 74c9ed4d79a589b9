"""One thing that goes wrong in a session, put into the demo on purpose: to see how it is found, told and mended.

Each happens to one mic of one performance, as it does in a studio: a box in the mic's path that adds its latency after
a punch-in, a polarity switch that is touched, a converter with a clock of its own, a plug-in's latency printed into a
file, two files that were named in the wrong order.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.demo.rig import DemoMic
from premix.units import ms_to_samples, samples_to_ms

FaultKind = Literal["jump", "turned", "drift", "late", "swapped"]
FAULTS: tuple[FaultKind, ...] = ("jump", "turned", "drift", "late", "swapped")
_AT = 0.6
"""Where in the song it happens, as a part of it."""
_JUMP_MS, _LATE_MS, _DRIFT_PPM = 1.7, 7.01, 40.0
_WHERE: dict[FaultKind, tuple[str, str]] = {
    "jump": ("left_b", "condenser"),
    "turned": ("right_a", "ribbon"),
    "drift": ("right_b", "condenser"),
    "late": ("left_a", "ribbon"),
    "swapped": ("right_a", "condenser"),
}
_SWAPPED_WITH = "ribbon"
Recorded = list[tuple[DemoMic, FloatArray]]


@dataclass(frozen=True, slots=True)
class FaultTruth:
    """What was done to one mic of one performance.

    from_s: from when on, to the end of the song. delay_samples: how much later it is then than without the fault;
    ppm: and how that grows from there. turned: whether its polarity is turned over. swapped_with: the other file.
    """

    kind: FaultKind
    performance: str
    mic: str
    from_s: float = 0.0
    delay_samples: float = 0.0
    ppm: float = 0.0
    turned: bool = False
    swapped_with: str | None = None

    def words(self, rate: int) -> str:
        """'left_b/condenser jumps by +1.708 ms (+82 samples) at 14.40 s'"""
        label, delay = f"{self.performance}/{self.mic}", self.delay_samples
        size = f"{samples_to_ms(delay, rate):+.3f} ms ({delay:+g} samples)"
        return {
            "jump": f"{label} jumps by {size} at {self.from_s:.2f} s",
            "turned": f"{label} is turned over from {self.from_s:.2f} s on",
            "drift": f"{label} drifts by {self.ppm:+g} ppm from {self.from_s:.2f} s on",
            "late": f"{label} comes later by {size}",
            "swapped": f"{label} and {self.performance}/{self.swapped_with} have each other's files",
        }[self.kind]


def fault_of(kind: FaultKind, seconds: float, rate: int) -> FaultTruth:
    """What a fault of this kind does in a song of so many seconds."""
    performance, mic = _WHERE[kind]
    at_s = round(_AT * seconds * rate) / rate
    if kind == "jump":
        return FaultTruth(kind, performance, mic, at_s, float(round(ms_to_samples(_JUMP_MS, rate))))
    if kind == "late":
        return FaultTruth(kind, performance, mic, 0.0, float(round(ms_to_samples(_LATE_MS, rate))))
    if kind == "drift":
        return FaultTruth(kind, performance, mic, 0.0, ppm=_DRIFT_PPM)
    if kind == "turned":
        return FaultTruth(kind, performance, mic, at_s, turned=True)
    return FaultTruth(kind, performance, mic, swapped_with=_SWAPPED_WITH)


def spoiled(fault: FaultTruth, recorded: Recorded, rate: int) -> Recorded:
    """The recordings (frames) of the performance that it happens to, with the fault in them."""
    signals = {mic.name: signal for mic, signal in recorded}
    if fault.swapped_with is not None:
        signals[fault.mic], signals[fault.swapped_with] = signals[fault.swapped_with], signals[fault.mic]
    else:
        signals[fault.mic] = _changed(fault, signals[fault.mic], rate)
    return [(mic, signals[mic.name]) for mic, _ in recorded]


def _changed(fault: FaultTruth, signal: FloatArray, rate: int) -> FloatArray:
    """One file with its fault; what was recorded before it stays as it was, bit for bit."""
    at, late = round(fault.from_s * rate), round(fault.delay_samples)
    if fault.ppm:
        import soxr

        slower = soxr.resample(signal[at:], rate, rate * (1.0 + 1e-6 * fault.ppm), quality="VHQ")
        return np.concatenate([signal[:at], slower, np.zeros(len(signal))])[: len(signal)]
    after = -signal[at:] if fault.turned else signal[at:]
    # What a box adds is its last buffer once more; before the file's first sample there is none.
    again = signal[at - late : at] if at else np.zeros(late)
    return np.concatenate([signal[:at], again, after])[: len(signal)]
