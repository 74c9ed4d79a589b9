"""The players of a song's page: guitar bus, buses, stems and rooms, each as recorded against as it is delivered."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from premix.model.mix import BusPlan, MicPath, MixPlan, PerformancePlan
from premix.model.recipe import CENTRE_BUS
from premix.model.run import FinishedRun
from premix.report.excerpt import Stream, SumExcerpt, close_sum, room_sum
from premix.report.listening import Player, Source, Version, Voice

MOST_PERFORMANCES = 12
"""Songs with more performances are heard by bus, without single stems: a page holds a limited number of clips."""
_OVERSHOOT = 1.25
"""Filters and fractional delays may raise a peak by this much."""

ALIGNED, RECORDED, NO_CENTRE, ROOMS_OPEN = "aligned", "as recorded", "without centre", "rooms open"


@dataclass(frozen=True, slots=True)
class Group:
    """Performances of one bus that are heard as one clip."""

    name: str
    bus: BusPlan
    plans: tuple[PerformancePlan, ...]

    @property
    def moved(self) -> bool:
        """Whether any close mic is turned over, delayed or rotated."""
        paths = [path for plan in self.plans for path in plan.close]
        return any(p.gain < 0.0 or p.delay_samples or p.rotation for p in paths)

    @property
    def rooms(self) -> list[MicPath]:
        return [path for plan in self.plans for path in plan.rooms]

    @property
    def gated(self) -> bool:
        """Whether any room mic's gain ever changes or is not 0 dB."""
        return any(path.curve is not None and path.curve.gains_db.any() for path in self.rooms)


def groups_of(plan: MixPlan) -> tuple[Group, ...]:
    """One group a performance, or one a bus where there are too many performances."""
    buses = {bus.name: bus for bus in plan.buses}
    if len(plan.performances) <= MOST_PERFORMANCES:
        return tuple(Group(p.performance, buses[p.bus], (p,)) for p in plan.performances)
    members = {bus.name: tuple(p for p in plan.performances if p.bus == bus.name) for bus in plan.buses}
    return tuple(Group(f"bus_{name}", buses[name], plans) for name, plans in members.items())


def sources_of(run: FinishedRun, groups: Sequence[Group]) -> list[Source]:
    """Every clip that the players of these groups may use."""
    return [source for group in groups for source in _sources(run, group)]


def _sources(run: FinishedRun, group: Group) -> Iterable[Source]:
    def sums(of: Callable[[PerformancePlan, int], Stream]) -> Callable[[int], Stream]:
        return lambda start: SumExcerpt([of(plan, start) for plan in group.plans], run.plan.trim)

    rate = run.plan.rate
    close = _peak(run, [(plan.gain, path) for plan in group.plans for path in plan.close])
    rooms = _peak(run, [(plan.gain, path) for plan in group.plans for path in plan.rooms])
    yield Source(f"{group.name}_aligned", sums(lambda p, at: close_sum(p, rate, at, aligned=True)), close)
    if group.moved:
        yield Source(f"{group.name}_recorded", sums(lambda p, at: close_sum(p, rate, at, aligned=False)), close)
    if group.rooms:
        yield Source(f"{group.name}_room", sums(lambda p, at: room_sum(p, rate, at, gated=True)), rooms)
    if group.gated:
        yield Source(f"{group.name}_open", sums(lambda p, at: room_sum(p, rate, at, gated=False)), rooms)


def _peak(run: FinishedRun, paths: Sequence[tuple[float, MicPath]]) -> float:
    """A peak that the sum cannot pass: that of all tracks at their gains, added."""
    peaks = (
        gain * abs(path.gain) * run.analysis.levels_of(path.track.performance, path.track.mic).sample_peak
        for gain, path in paths
    )
    return _OVERSHOOT * run.plan.trim * sum(peaks)


def players_of(plan: MixPlan, groups: Sequence[Group]) -> list[Player]:
    """The guitar bus first, then buses, then stems and rooms."""
    stereo = {group.name: _guitar_gains(plan, group.bus) for group in groups}
    players = [Player("guitars", "Guitar bus", _mixes(groups, stereo, centre=True))]
    for bus in plan.buses:
        own = [group for group in groups if group.bus is bus]
        mono = {group.name: (bus.gain, bus.gain) for group in own}
        players.append(Player(f"bus_{bus.name}", f"Bus {bus.name}", _mixes(own, mono)))
    if len(plan.performances) <= MOST_PERFORMANCES:
        for group in groups:
            players.append(Player(f"stem_{group.name}", f"Stem {group.name}", _stem(group)))
        for group in groups:
            if group.rooms:
                players.append(Player(f"room_{group.name}", f"Room of {group.name}", _room(group)))
    return players


def _guitar_gains(plan: MixPlan, bus: BusPlan) -> tuple[float, float]:
    """Linear gains of a bus into the left and right of the guitar bus: bus gain, pan, width, bus of all."""
    side = 0.5 * (plan.width - 1.0) * (bus.left - bus.right)
    gain = bus.gain * plan.guitar_gain
    return gain * (bus.left + side), gain * (bus.right - side)


def _mixes(groups: Sequence[Group], gains: dict[str, tuple[float, float]], centre: bool = False) -> tuple[Version, ...]:
    versions = [Version(ALIGNED, _voices(groups, gains, "aligned", "room"))]
    if any(group.moved for group in groups):
        versions.append(Version(RECORDED, _voices(groups, gains, "recorded", "room")))
    sides = [group for group in groups if group.bus.name != CENTRE_BUS]
    if centre and 0 < len(sides) < len(groups):
        versions.append(Version(NO_CENTRE, _voices(sides, gains, "aligned", "room")))
    if any(group.gated for group in groups):
        versions.append(Version(ROOMS_OPEN, _voices(groups, gains, "aligned", "open")))
    return tuple(versions)


def _voices(groups: Sequence[Group], gains: dict[str, tuple[float, float]], close: str, room: str) -> tuple[Voice, ...]:
    """Close mics and rooms of the groups; what a group has only in one state is taken in that."""
    voices = []
    for group in groups:
        voices.append(Voice(f"{group.name}_{close if group.moved else 'aligned'}", *gains[group.name]))
        if group.rooms:
            voices.append(Voice(f"{group.name}_{room if group.gated else 'room'}", *gains[group.name]))
    return tuple(voices)


def _stem(group: Group) -> tuple[Version, ...]:
    names = {ALIGNED: "aligned"} | ({RECORDED: "recorded"} if group.moved else {})
    return tuple(Version(name, (Voice(f"{group.name}_{clip}", 1.0, 1.0),)) for name, clip in names.items())


def _room(group: Group) -> tuple[Version, ...]:
    names = {"stem and gated room": "room", "stem and open room": "open"} if group.gated else {"stem and room": "room"}
    stem = Voice(f"{group.name}_aligned", 1.0, 1.0)
    mixes = [Version(name, (stem, Voice(f"{group.name}_{clip}", 1.0, 1.0))) for name, clip in names.items()]
    return (*mixes, Version("stem alone", (stem,)))
