"""The mix as a plan: what the render pass needs and nothing else, the files it gives, and how it may be switched."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.audio.gains import apply_width
from premix.measures.loudness import Sums
from premix.model.gate import OPEN
from premix.model.mix import MicPath, MixPlan, Part, PerformancePlan
from premix.model.settings import CENTRE_BUS, Deliver
from premix.model.song import Mic, Performance, Song
from premix.processors.chains import chain_files


@dataclass(frozen=True, slots=True)
class Switches:
    """How a mix differs from the delivered one, for what is compared by ear or drawn.

    recorded: mics that are not turned over, delayed or rotated. rooms: through their gates, open, or left out. gains:
    other linear gains by mic name, 0 leaves the mic out. without_bus: a bus that is left out.
    """

    recorded: Literal["none", "close", "all"] = "none"
    rooms: Literal["gated", "open", "off"] = "gated"
    gains: Mapping[str, float] = field(default_factory=dict)
    without_bus: str | None = None


def plan_mix(song: Song) -> MixPlan:
    """The song's mix, every gain, delay and gate in place; muted mics, performances and buses are left out."""
    muted = {bus.name for bus in song.buses if bus.mute}
    performances = tuple(_performance(performance, muted) for performance in song.performances if performance.heard)
    used = {bus for performance in performances for bus in performance.buses if bus not in muted}
    return MixPlan(
        song=song.name,
        rate=song.rate,
        frames=song.frames,
        performances=performances,
        buses=tuple(bus for bus in song.buses if bus.name in used),
        guitar_bus=song.guitar_bus,
        room_in_stem=song.deliver.room in ("stem", "both"),
        chain_files=chain_files(song),
        in_files=song.deliver.balance == "in_files",
    )


def proved(plan: MixPlan, wanted: bool = True) -> MixPlan:
    """The same mix, whose tracks are hashed while they are read; or not."""
    performances = tuple(
        replace(
            p,
            close=tuple(replace(path, proved=wanted) for path in p.close),
            rooms=tuple(replace(path, proved=wanted) for path in p.rooms),
        )
        for p in plan.performances
    )
    return replace(plan, performances=performances)


def switched(plan: MixPlan, switches: Switches) -> MixPlan:
    """The same mix with some of it switched; what is left out may still be the key of a processor."""
    performances = tuple(
        replace(
            p,
            close=tuple(_switched(p.close, switches)),
            rooms=tuple(_switched(p.rooms, switches)),
            unheard=(*p.unheard, *(path for path in p.mics if not any(_switched([path], switches)))),
        )
        for p in plan.performances
    )
    buses = tuple(bus for bus in plan.buses if bus.name != switches.without_bus)
    return replace(plan, performances=performances, buses=buses)


def _switched(paths: Sequence[MicPath], switches: Switches) -> Iterator[MicPath]:
    for path in paths:
        gain = switches.gains.get(path.track.mic, path.gain)
        if gain == 0.0 or (path.curve is not None and switches.rooms == "off"):
            continue
        path = replace(path, gain=gain)
        if switches.recorded == "all" or (switches.recorded == "close" and path.curve is None):
            path = replace(path, polarity=1, delay_samples=0.0, rotation=None, passages=())
        yield replace(path, curve=OPEN) if path.curve is not None and switches.rooms == "open" else path


def _performance(performance: Performance, muted: set[str]) -> PerformancePlan:
    summed = [mic for mic in performance.mics if mic.decision.summed and mic.bus not in muted]
    heard = {mic.name for mic in summed}
    paths = {mic.name: _path(mic, mic.name in heard) for mic in performance.mics}
    return PerformancePlan(
        performance.name,
        performance.bus,
        performance.gain,
        close=tuple(paths[mic.name] for mic in summed if not mic.is_room),
        rooms=tuple(paths[mic.name] for mic in summed if mic.is_room),
        chain=performance.chain,
        unheard=tuple(paths[mic.name] for mic in performance.mics if mic.name not in heard),
        riff=performance.riff.spans,
        dis=tuple(paths[mic.name] for mic in performance.dis if not mic.mute),
    )


def _path(mic: Mic, heard: bool) -> MicPath:
    return MicPath(
        track=mic.track,
        gain=mic.gain,
        polarity=mic.decision.polarity,
        delay_samples=mic.decision.delay_samples,
        high_pass_hz=mic.high_pass_hz,
        low_pass_hz=mic.low_pass_hz,
        rotation=mic.decision.rotation,
        chain=mic.chain,
        curve=mic.room.curve if mic.is_room and heard else None,
        gate=mic.stem_curve,
        bus=mic.bus,
        group=mic.group,
        passages=mic.decision.passages,
    )


def parts_of(plan: MixPlan, deliver: Deliver) -> tuple[Part, ...]:
    """Every file that `deliver` asks for, in the order stems, rooms, aligned mics, buses, guitar bus, DIs."""
    wanted = set(deliver.files)
    parts = [part for performance in plan.performances for part in _own_parts(plan, performance, deliver)]
    if "buses" in wanted:
        parts.extend(Part(f"bus_{bus.name}", "bus", 1, bus=bus.name) for bus in plan.buses)
    if "guitar_bus" in wanted:
        parts.append(Part("guitars", "guitar_bus", 2))
    if "guitar_bus_without_centre" in wanted and any(b.name == CENTRE_BUS for b in plan.buses):
        parts.append(Part("guitars_without_centre", "guitar_bus", 2))
    order = {"stem": 0, "room": 1, "aligned_mic": 2, "bus": 3, "guitar_bus": 4, "di": 5}
    return tuple(sorted(parts, key=lambda part: order[part.kind]))


def _own_parts(plan: MixPlan, performance: PerformancePlan, deliver: Deliver) -> Iterator[Part]:
    """The files of one performance."""
    wanted, name = set(deliver.files), performance.performance
    bus_gain = {bus.name: 1.0 if plan.in_files else bus.gain for bus in plan.buses}
    if "stems" in wanted:
        for stem in performance.stems:
            if stem.bus in bus_gain:
                gain = bus_gain[stem.bus]
                yield Part(f"stem_{stem.label}", "stem", 1, name, None, stem.bus, gain, stem.group)
    for path in performance.rooms:
        mic, bus = path.track.mic, path.bus or performance.bus
        label = performance.room_label(mic)
        if "rooms" in wanted and deliver.room in ("own", "both"):
            yield Part(f"room_{label}", "room", 1, name, mic, bus, 0.0 if plan.room_in_stem else bus_gain[bus])
        if "rooms_ungated" in wanted:
            yield Part(f"room_ungated_{label}", "room", 1, name, mic, bus, 0.0)
    if "aligned_mics" in wanted:
        for path in performance.mics:
            mic = path.track.mic
            yield Part(f"mic_{name}_{mic}", "aligned_mic", 1, name, mic, path.bus or performance.bus, 0.0)
    if "dis" in wanted:
        for path in performance.dis:
            mic = path.track.mic
            yield Part(f"di_{performance.di_label(mic)}", "di", 1, name, mic, None, 0.0)


def linear_sums(plan: MixPlan, parts: Sequence[Part]) -> Sums | None:
    """The stems and rooms as signals, and stems, rooms, buses and guitar buses as sums of them.

    None where that does not hold: a stem or room is no file, or a chain stands on a bus or on the guitar bus.
    """
    signals = [part for part in parts if part.kind in ("stem", "room") and part.gain_to_bus != 0.0]
    heard = {bus.name for bus in plan.buses}
    stems = sum(stem.bus in heard for p in plan.performances for stem in p.stems)
    needed = stems + (0 if plan.room_in_stem else sum(len(p.rooms) for p in plan.performances))
    if len(signals) != needed or plan.guitar_bus.chain or any(bus.chain for bus in plan.buses):
        return None
    gains: dict[str, FloatArray] = {s.part: row[None] for s, row in zip(signals, np.eye(needed), strict=True)}
    buses = {bus.name: np.array([[s.gain_to_bus if s.bus == bus.name else 0.0 for s in signals]]) for bus in plan.buses}
    for part in parts:
        if part.kind == "bus" and part.bus is not None:
            gains[part.part] = buses[part.bus]
        elif part.kind == "guitar_bus":
            without = None if part.part == "guitars" else CENTRE_BUS
            stereo = stereo_gains(plan, {n: row for n, row in buses.items() if n != without}, needed)
            gains[part.part] = stereo if plan.in_files else stereo * plan.guitar_bus.gain
    return Sums(tuple(signal.part for signal in signals), gains)


def stereo_gains(plan: MixPlan, buses: dict[str, FloatArray], signals: int) -> FloatArray:
    """The panned and widened sum of buses as gains of signals (2, signals); buses: each as such gains (1, signals)."""
    stereo = np.zeros((2, signals))
    for bus in plan.buses:
        if bus.name in buses:
            stereo += np.array([[bus.left], [bus.right]]) * buses[bus.name]
    apply_width(stereo, plan.guitar_bus.width)
    return stereo
