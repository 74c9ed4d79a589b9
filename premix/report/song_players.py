"""The players of a song's page: guitar bus, buses, stems and rooms, each as recorded against as it is delivered.

What is heard is mixed as it was rendered. Where no chain stands on a bus it is a sum, so the browser adds it up from
one clip for the close mics and one for the rooms of each performance. What a chain makes of a bus or of the guitar bus
is a clip of its own, for each state of the mix.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.mixdown.plan import Switches, stereo_gains, switched
from premix.mixdown.render import Excerpt
from premix.model.mix import MixPlan, PerformancePlan
from premix.model.settings import CENTRE_BUS
from premix.model.song import Bus
from premix.report.listening import Player, Source, Version, Voice, clips_of

MOST_PERFORMANCES = 12
"""Songs with more performances are heard by bus, without single stems: a page holds a limited number of clips."""

State = Literal["aligned", "recorded", "sides", "open"]
NAMES: dict[State, str] = {
    "aligned": "aligned",
    "recorded": "as recorded",
    "sides": "without centre",
    "open": "rooms open",
}
"""States of a mix and what their versions are called."""
Places = tuple[tuple[str, int], ...]
"""(part, channel) of what a clip is the sum of."""
Sides = tuple[float, float]
"""Linear gains to the left and right."""
UNITY: Sides = (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Group:
    """Stems and rooms of one bus that are heard as one clip each.

    plans: their performances, what goes to other buses left out. stems, labels: what the parts of their stems and rooms
    are called after 'stem_' and 'room_'.
    """

    name: str
    bus: Bus
    plans: tuple[PerformancePlan, ...]
    stems: tuple[str, ...]
    labels: tuple[str, ...]

    @property
    def moved(self) -> bool:
        """Whether any close mic is turned over, delayed or rotated."""
        paths = [path for plan in self.plans for path in plan.close]
        return any(p.polarity < 0 or p.delay_samples or p.rotation or p.passages for p in paths)

    @property
    def has_rooms(self) -> bool:
        return any(plan.rooms for plan in self.plans)

    @property
    def gated(self) -> bool:
        """Whether any room mic's gain ever changes or is not 0 dB."""
        paths = [path for plan in self.plans for path in plan.rooms]
        return any(path.curve is not None and path.curve.gains_db.any() for path in paths)

    def close(self, state: State, sides: Sides = UNITY) -> tuple[Voice, ...]:
        """Its close mics, if it has any; where they are as recorded anyway there is no clip of that."""
        recorded = state == "recorded" and self.moved
        voice = Voice(f"close_{self.name}_{'recorded' if recorded else 'aligned'}", *sides)
        return (voice,) if self.stems else ()

    def rooms(self, state: State, sides: Sides = UNITY) -> tuple[Voice, ...]:
        """Its room mics, if it has any."""
        opened = state == "open" and self.gated
        return (Voice(f"rooms_{self.name}_{'open' if opened else 'gated'}", *sides),) if self.has_rooms else ()


def groups_of(plan: MixPlan) -> tuple[Group, ...]:
    """One group a performance and bus, or one a bus where there are too many performances."""
    buses = {bus.name: bus for bus in plan.buses}
    apart = [_group(p, buses[bus]) for p in plan.performances for bus in _buses_of(p) if bus in buses]
    if len(plan.performances) <= MOST_PERFORMANCES:
        return tuple(apart)
    members = {name: [group for group in apart if group.bus.name == name] for name in buses}
    return tuple(
        Group(
            f"bus_{name}",
            buses[name],
            tuple(plan for group in groups for plan in group.plans),
            tuple(stem for group in groups for stem in group.stems),
            tuple(label for group in groups for label in group.labels),
        )
        for name, groups in members.items()
    )


def _buses_of(performance: PerformancePlan) -> tuple[str, ...]:
    """Its buses, those of its stems first."""
    rooms = (path.bus or performance.bus for path in performance.rooms)
    return tuple(dict.fromkeys((*(stem.bus for stem in performance.stems), *rooms)))


def _group(performance: PerformancePlan, bus: Bus) -> Group:
    """What one performance sends to one bus."""
    stems = [stem for stem in performance.stems if stem.bus == bus.name]
    rooms = tuple(path for path in performance.rooms if (path.bus or performance.bus) == bus.name)
    name = stems[0].label if len(stems) == 1 else f"{performance.performance}_{bus.name}"
    return Group(
        performance.performance if len(_buses_of(performance)) == 1 else name,
        bus,
        (replace(performance, close=tuple(path for stem in stems for path in stem.close), rooms=rooms),),
        tuple(stem.label for stem in stems),
        tuple(performance.room_label(path.track.mic) for path in rooms),
    )


def players_of(plan: MixPlan, groups: Sequence[Group]) -> list[Player]:
    """The guitar bus first, then what the gate does in the stops, buses, stems and rooms."""
    single = len(plan.performances) <= MOST_PERFORMANCES
    gated = [group for group in groups if single and group.gated and group.stems]
    players = [Player("guitars", "Guitar bus", _guitars(plan, groups))]
    players += [Player("stops", f"The stops of {group.name}", _room(plan, group)) for group in gated[:1]]
    for bus in plan.buses:
        own, held = [group for group in groups if group.bus is bus], _both(plan.held_gain())
        versions = tuple(Version(NAMES[state], _bus(bus, own, state, held)) for state in _states(own))
        players.append(Player(f"bus_{bus.name}", f"Bus {bus.name}", versions))
    if single:
        for group in groups:
            if group.stems:
                players.append(Player(f"stem_{group.name}", f"Stem {group.name}", _stem(plan, group)))
        for group in groups:
            if group.has_rooms:
                players.append(Player(f"room_{group.name}", f"Room of {group.name}", _room(plan, group)))
    return players


def _both(gain: float) -> Sides:
    return gain, gain


def _states(groups: Sequence[Group], *, sides: bool = False) -> list[State]:
    """The states in which these groups differ."""
    held: dict[State, bool] = {
        "aligned": True,
        "recorded": any(group.moved for group in groups),
        "sides": sides,
        "open": any(group.gated for group in groups),
    }
    return [state for state, differs in held.items() if differs]


def _guitars(plan: MixPlan, groups: Sequence[Group]) -> tuple[Version, ...]:
    sides = _sides(plan)
    centre = any(bus.name == CENTRE_BUS for bus in plan.buses) and len(plan.buses) > 1
    return tuple(Version(NAMES[state], _stereo(plan, groups, sides, state)) for state in _states(groups, sides=centre))


def _sides(plan: MixPlan) -> dict[str, Sides]:
    """Of each bus, at its own level, into the guitar bus: pan, width, and the guitar bus's gain."""
    each = {bus.name: row[None] for bus, row in zip(plan.buses, np.eye(len(plan.buses)), strict=True)}
    gains = stereo_gains(plan, each, len(each)) * plan.guitar_bus.gain
    return {name: (float(left), float(right)) for name, left, right in zip(each, *gains, strict=True)}


def _stereo(plan: MixPlan, groups: Sequence[Group], sides: Mapping[str, Sides], state: State) -> tuple[Voice, ...]:
    """The guitar bus in a state: two clips where it has a chain, else its buses."""
    if plan.guitar_bus.chain:
        return Voice(f"guitars_{state}_l", 1.0, 0.0), Voice(f"guitars_{state}_r", 0.0, 1.0)
    heard = [bus for bus in plan.buses if state != "sides" or bus.name != CENTRE_BUS]
    members = {bus.name: [group for group in groups if group.bus is bus] for bus in heard}
    return tuple(voice for bus in heard for voice in _bus(bus, members[bus.name], state, sides[bus.name]))


def _bus(bus: Bus, groups: Sequence[Group], state: State, sides: Sides = UNITY) -> tuple[Voice, ...]:
    """A bus in a state: a clip where it has a chain, else close mics and rooms of its groups, at its gain."""
    if bus.chain:
        return (Voice(f"bus_{bus.name}_{state if state in _states(groups) else 'aligned'}", *sides),)
    sides = bus.gain * sides[0], bus.gain * sides[1]
    return tuple(voice for group in groups for voice in (*group.close(state, sides), *group.rooms(state, sides)))


def _stem(plan: MixPlan, group: Group) -> tuple[Version, ...]:
    """A stem as its file is, with the gains that the file holds."""
    states: tuple[State, ...] = ("aligned", "recorded") if group.moved else ("aligned",)
    sides = _both(plan.held_gain(group.bus.name))
    rooms = group.rooms("aligned", sides) if plan.room_in_stem else ()
    return tuple(Version(NAMES[state], (*group.close(state, sides), *rooms)) for state in states)


def _room(plan: MixPlan, group: Group) -> tuple[Version, ...]:
    """A room beside the stem, beside the close mics where it is a part of the stem, or alone on a bus of its own."""
    sides = _both(plan.held_gain(group.bus.name))
    stem, close = "close mics" if plan.room_in_stem else "stem", group.close("aligned", sides)
    rooms: dict[str, State] = {"gated room": "aligned", "open room": "open"} if group.gated else {"room": "aligned"}
    beside = f"{stem} and " if close else ""
    mixes = (Version(f"{beside}{name}", (*close, *group.rooms(state, sides))) for name, state in rooms.items())
    return (*mixes, *([Version(f"{stem} alone", close)] if close else []))


def sources_of(plan: MixPlan, groups: Sequence[Group], players: Iterable[Player]) -> list[Source]:
    """The clips that the players use: one source for each state in which the mix has to be run."""
    plan = replace(plan, room_in_stem=False, in_files=False)
    switches = {"aligned": Switches(), "recorded": Switches(recorded="close"), "open": Switches(rooms="open")}
    plans = {run: switched(plan, switch) for run, switch in switches.items()}
    clips: dict[str, dict[str, Places]] = {run: {} for run in plans}
    for group in groups:
        close = tuple((f"stem_{label}", 0) for label in group.stems)
        labels = group.labels
        for state in ("aligned", "recorded"):
            clips[state][f"close_{group.name}_{state}"] = close
        clips["aligned"][f"rooms_{group.name}_gated"] = tuple((f"room_{label}", 0) for label in labels)
        clips["aligned"][f"rooms_{group.name}_open"] = tuple((f"room_ungated_{label}", 0) for label in labels)
    for state, own in clips.items():
        own |= {f"bus_{bus.name}_{state}": ((f"bus_{bus.name}", 0),) for bus in plan.buses}
        own |= {f"guitars_{state}_{side}": (("guitars", channel),) for channel, side in enumerate("lr")}
    for channel, side in enumerate("lr"):
        clips["aligned"][f"guitars_sides_{side}"] = (("guitars_without_centre", channel),)
    used = clips_of(list(players))
    wanted = {run: {name: places for name, places in own.items() if name in used} for run, own in clips.items()}
    return [Source(tuple(own), partial(MixStream, plans[run], own)) for run, own in wanted.items() if own]


class MixStream:
    """Clips out of one mix, from `start` on."""

    def __init__(self, plan: MixPlan, clips: Mapping[str, Places], start: int) -> None:
        self._places = tuple(clips.values())
        parts = dict.fromkeys(part for places in self._places for part, _ in places)
        self._excerpt = Excerpt(plan, tuple(parts), start)
        self.close = self._excerpt.close

    def next(self, count: int) -> FloatArray:
        """The next `count` samples, (clips, count)."""
        made = self._excerpt.next(count)
        return np.array([sum(made[part][channel] for part, channel in places) for places in self._places])
