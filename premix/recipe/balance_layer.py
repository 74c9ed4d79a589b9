"""A balance as a layer of the recipe: the lines that differ, and nothing else, on top of what it extends."""

import json
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import fmean, median
from typing import Any

from premix.model.balance import FoundBalance, FoundPerformance
from premix.recipe.record import MergedRecipe, Recipe

LAYER_MARK = "# premix balance"
"""How a layer that premix wrote begins."""
STEP_DB, STEP_PAN = 0.1, 0.01
SAME_PAN = 0.05
"""Performances of one bus whose pans lie this near share it."""
SOFTEST_DB, LOUDEST_DB = -120.0, 40.0
Lines = dict[str, dict[str, Any]]
"""Section -> name -> key -> value, as the recipe has them; None takes an inherited value away."""
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")
_YAML_WORDS = ("y", "n", "yes", "no", "on", "off", "true", "false", "null")


def found_lines(merged: MergedRecipe, found: FoundBalance) -> Lines:
    """What a found balance changes of the recipe, by section."""
    recipe = merged.recipe
    lines: Lines = {"mics": {}, "performances": {}, "buses": {}, "guitar_bus": {}}
    for mic in found.mics:
        own = recipe.mics[mic.mic]
        if mic.found_db is None:
            lines["mics"] |= {} if own.mute else {mic.mic: {"mute": True}}
            continue
        asked = _stepped(mic.found_db - sum(g.gain_db for g in recipe.groups.values() if mic.mic in g.mics))
        lines["mics"] |= _differing(
            mic.mic, {"gain_db": own.gain_db, "mute": own.mute}, {"gain_db": asked, "mute": False}
        )
        for performance in _excepted(recipe, mic.mic):  # what is found holds in every performance
            own_mics = lines["performances"].setdefault(performance, {}).setdefault("mics", {})
            own_mics[mic.mic] = {"gain_db": None}
    _places(recipe, found, lines)
    if recipe.guitar_bus.width != 1.0:  # the pans that were found are those that are heard
        lines["guitar_bus"] = {"width": 1.0}
    return {section: own for section, own in lines.items() if own}


def _excepted(recipe: Recipe, mic: str) -> Iterator[str]:
    for name, performance in recipe.performances.items():
        if mic in performance.mics and performance.mics[mic].gain_db is not None:
            yield name


def _places(recipe: Recipe, found: FoundBalance, lines: Lines) -> None:
    """Levels and pans of the performances, and of the buses that only rooms or groups go to."""
    main = {p.performance: p for p in found.performances if recipe.performances[p.performance].bus == p.bus}
    for name, place in main.items():
        own = recipe.performances[name]
        if place.found_db is None:
            lines["performances"].setdefault(name, {}).update({} if own.mute else {"mute": True})
            continue
        asked = {"gain_db": _stepped(place.found_db), "mute": False}
        changed = _differing(name, {"gain_db": own.gain_db, "mute": own.mute}, asked)
        if changed:
            lines["performances"].setdefault(name, {}).update(changed[name])
    for bus in dict.fromkeys(place.bus for place in found.performances):
        there = [p for p in found.performances if p.bus == bus and p.found_db is not None and p.found_pan is not None]
        if there:
            _bus(recipe, bus, there, main, lines)


def _bus(
    recipe: Recipe, bus: str, there: list[FoundPerformance], main: Mapping[str, FoundPerformance], lines: Lines
) -> None:
    own, pans = recipe.buses[bus], [p.found_pan or 0.0 for p in there]
    others = [p for p in there if p.performance in main and main[p.performance] is not p]
    asked: dict[str, Any] = {"pan": _rounded(fmean(pans), STEP_PAN)}
    if others and len(others) == len(there):  # a bus of rooms, or of groups with a stem of their own
        beyond = [
            p.found_db - whole for p in others if p.found_db is not None and (whole := main[p.performance].found_db)
        ]
        asked["gain_db"] = _stepped(own.gain_db + (median(beyond) if beyond else 0.0))
    if max(pans) - min(pans) > SAME_PAN and not own.chain and not others:
        for place in there:
            name = place.performance
            while name in recipe.buses:
                name += "_own"
            lines["performances"].setdefault(place.performance, {})["bus"] = name
            lines["buses"][name] = {"pan": _rounded(place.found_pan or 0.0, STEP_PAN), "gain_db": own.gain_db}
        return
    lines["buses"] |= _differing(bus, {"pan": own.pan, "gain_db": own.gain_db}, asked)


def balance_base(recipe: Recipe, extends: str) -> dict[str, Any]:
    """The figures that a balance starts from, as plain data: gains and mutes of mics, performances and buses as they
    stand in the recipe; excepted: of a mic, the gains of performances that state their own."""
    return {
        "extends": extends,
        "mics": {
            name: {
                "gain_db": mic.gain_db,
                "mute": mic.mute,
                "room": mic.role == "room",
                "excepted": {p: recipe.performances[p].mics[name].gain_db for p in _excepted(recipe, name)},
            }
            for name, mic in recipe.mics.items()
        },
        "performances": {name: {"gain_db": p.gain_db, "mute": p.mute} for name, p in recipe.performances.items()},
        "buses": {name: {"gain_db": bus.gain_db, "mute": bus.mute} for name, bus in recipe.buses.items()},
    }


def _differing(name: str, now: Mapping[str, Any], asked: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    steps = {"gain_db": 0.5 * STEP_DB, "pan": 0.5 * STEP_PAN, "mute": 0.5}
    changed = {key: value for key, value in asked.items() if abs(value - now[key]) > steps[key] + 1e-9}
    return {name: changed} if changed else {}


def _stepped(db: float) -> float:
    return _rounded(min(LOUDEST_DB, max(SOFTEST_DB, db)), STEP_DB)


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6) + 0.0


def _flow(value: Any) -> str:
    """A value on one line of YAML: as JSON, which YAML holds, but for names and keys that need no quotes."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_flow(key)}: {_flow(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, str) and _PLAIN.fullmatch(value) and value.lower() not in _YAML_WORDS:
        return value
    return json.dumps(value)


def layer_text(lines: Lines, extends: str, words: str) -> str:
    """The layer as YAML, one line an entry; words: a comment for people, of one line."""
    said = [f"{LAYER_MARK}: {words}", "format: 1", f"extends: {_flow(extends)}"]
    for section, entries in lines.items():
        if section == "guitar_bus":
            said.append(f"{section}: {_flow(entries)}")
            continue
        said.append(f"{section}:")
        said += [f"  {_flow(name)}: {_flow(entry)}" for name, entry in entries.items()]
    return "\n".join(said) + "\n"


def extends_from(recipe: Path, layer: Path) -> str:
    """How a layer at `layer` names the recipe that it extends."""
    try:
        return Path(os.path.relpath(recipe.absolute(), layer.absolute().parent)).as_posix()
    except ValueError:  # another drive
        return recipe.absolute().as_posix()
