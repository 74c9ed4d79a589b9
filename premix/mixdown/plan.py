"""The recipe's mix with all decisions filled in: what the render pass needs and nothing else.

Which delivered files are plain sums of other delivered files, and with what gains.
"""

from collections.abc import Sequence

import numpy as np

from premix.arrays import FloatArray
from premix.audio.gains import apply_width, pan_gains
from premix.measures.loudness import Sums
from premix.model.alignment import Alignment
from premix.model.gate import Gating
from premix.model.mix import BusPlan, MicPath, MixPlan, Part, PerformancePlan
from premix.model.recipe import CENTRE_BUS, Deliver, Recipe
from premix.model.tracks import Track, TrackSet
from premix.processors.check import chain_files
from premix.units import db_to_gain


def plan_mix(recipe: Recipe, tracks: TrackSet, alignment: Alignment, gating: Gating) -> MixPlan:
    """Resolve every gain, delay and gate; muted mics, performances and buses are left out."""
    performances = tuple(
        _performance(recipe, tracks, alignment, gating, name)
        for name in tracks.performances()
        if not recipe.performances[name].mute and not recipe.buses[recipe.performances[name].bus].mute
    )
    used = {p.bus for p in performances}
    buses = []
    for name, bus in recipe.buses.items():
        if name in used:
            left, right = pan_gains(bus.pan, recipe.guitar_bus.pan_law_db)
            buses.append(BusPlan(name, db_to_gain(bus.gain_db), bus.pan, left, right, bus.chain))
    return MixPlan(
        song=tracks.song,
        rate=tracks.rate,
        frames=tracks.frames,
        performances=performances,
        buses=tuple(buses),
        width=recipe.guitar_bus.width,
        guitar_gain=db_to_gain(recipe.guitar_bus.gain_db),
        guitar_chain=recipe.guitar_bus.chain,
        room_in_stem=recipe.deliver.room in ("stem", "both"),
        chain_files=chain_files(recipe),
    )


def _performance(recipe: Recipe, tracks: TrackSet, alignment: Alignment, gating: Gating, name: str) -> PerformancePlan:
    close: list[MicPath] = []
    rooms: list[MicPath] = []
    unheard: list[MicPath] = []
    for track in tracks.of(name):
        decision = alignment.of(name, track.mic)
        path = _path(recipe, alignment, gating, track)
        (unheard if not decision.summed else rooms if decision.role == "room" else close).append(path)
    settings = recipe.performances[name]
    return PerformancePlan(
        name, settings.bus, db_to_gain(settings.gain_db), tuple(close), tuple(rooms), settings.chain, tuple(unheard)
    )


def _path(recipe: Recipe, alignment: Alignment, gating: Gating, track: Track) -> MicPath:
    decision = alignment.of(track.performance, track.mic)
    mic = recipe.mic_in(track.performance, track.mic)
    is_room = decision.role == "room"
    return MicPath(
        track=track,
        gain=decision.polarity * db_to_gain(mic.gain_db),
        delay_samples=decision.delay_samples,
        high_pass_hz=mic.high_pass_hz,
        low_pass_hz=mic.low_pass_hz,
        rotation=decision.rotation,
        chain=mic.chain,
        curve=gating.room_of(track.performance, track.mic).curve if is_room and decision.summed else None,
    )


def parts_of(plan: MixPlan, deliver: Deliver) -> tuple[Part, ...]:
    """Every file that `deliver` asks for, in the order stems, rooms, buses, guitar bus."""
    wanted, parts = set(deliver.files), []
    bus_gain = {bus.name: bus.gain for bus in plan.buses}
    for performance in plan.performances:
        name, gain = performance.performance, bus_gain[performance.bus]
        if "stems" in wanted:
            parts.append(Part(f"stem_{name}", "stem", 1, name, None, performance.bus, gain))
        for path in performance.rooms:
            mic = path.track.mic
            label = name if len(performance.rooms) == 1 else f"{name}_{mic}"
            if "rooms" in wanted and deliver.room in ("own", "both"):
                counted = 0.0 if plan.room_in_stem else gain
                parts.append(Part(f"room_{label}", "room", 1, name, mic, performance.bus, counted))
            if "rooms_ungated" in wanted:
                parts.append(Part(f"room_ungated_{label}", "room", 1, name, mic, performance.bus, 0.0))
        if "aligned_mics" in wanted:
            for path in (*performance.close, *performance.rooms):
                mic = path.track.mic
                parts.append(Part(f"mic_{name}_{mic}", "aligned_mic", 1, name, mic, performance.bus, 0.0))
    if "buses" in wanted:
        parts.extend(Part(f"bus_{bus.name}", "bus", 1, bus=bus.name) for bus in plan.buses)
    if "guitar_bus" in wanted:
        parts.append(Part("guitars", "guitar_bus", 2))
    if "guitar_bus_without_centre" in wanted and any(b.name == CENTRE_BUS for b in plan.buses):
        parts.append(Part("guitars_without_centre", "guitar_bus", 2))
    order = {"stem": 0, "room": 1, "aligned_mic": 2, "bus": 3, "guitar_bus": 4}
    return tuple(sorted(parts, key=lambda part: order[part.kind]))


def linear_sums(plan: MixPlan, parts: Sequence[Part]) -> Sums | None:
    """The stems and rooms as signals, and stems, rooms, buses and guitar buses as sums of them.

    None where that does not hold: a stem or room is no file, or a chain stands on a bus or on the guitar bus.
    """
    signals = [part for part in parts if part.kind in ("stem", "room") and part.gain_to_bus != 0.0]
    needed = sum(1 if plan.room_in_stem else 1 + len(p.rooms) for p in plan.performances)
    if len(signals) != needed or plan.guitar_chain or any(bus.chain for bus in plan.buses):
        return None
    gains: dict[str, FloatArray] = {s.part: row[None] for s, row in zip(signals, np.eye(needed), strict=True)}
    buses = {bus.name: np.array([[s.gain_to_bus if s.bus == bus.name else 0.0 for s in signals]]) for bus in plan.buses}
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
