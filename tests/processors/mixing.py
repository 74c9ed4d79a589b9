"""A song of two performances and its recipe with chains at any place, rendered once a recipe."""

import hashlib
from pathlib import Path

from premix.pipeline import render
from tests.rigs.sessions import Song, write_recipe

RATE, FRAMES = 48_000, 2 * 48_000 + 123
RECIPE = """\
format: 1
song: Chains
mics:
  dynamic: {polarity: normal, delay: none%(dynamic)s}
  ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.37}%(ribbon)s}
  room: {role: room, gain_db: -4, polarity: normal%(room)s}
performances:
  left: {bus: left, gain_db: -1.5%(performance)s}
  right: {bus: right}
buses:
  left: {pan: -0.8, gain_db: -2%(bus)s}
  right: {pan: 0.7, gain_db: 0.4}
guitar_bus: {width: 1.3, gain_db: -1.1%(guitar_bus)s}
deliver: {bits: 32, ceiling_dbtp: %(ceiling)s, files: [stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics]}
%(more)s
"""
PLACES = ("dynamic", "ribbon", "room", "performance", "bus", "guitar_bus")


def recipe(ceiling: float | str = 0.0, more: str = "", **chains: str) -> str:
    """The recipe with chains at some places."""
    placed = {place: f", chain: {chains[place]}" if place in chains else "" for place in PLACES}
    return RECIPE % {**placed, "ceiling": ceiling, "more": more}


def rendered(song: Song, text: str) -> Path:
    """A render after a recipe of its own; the same recipe is rendered once."""
    name = named(text)
    out = song.out(name)
    if not out.exists():
        render(write_recipe(song.recipe.parent, text, f"{name}.yaml"), song.tracks, out)
    return out


def named(text: str) -> str:
    """The name of a recipe's file and output folder."""
    return hashlib.sha256(text.encode()).hexdigest()[:12]
