"""What of a recipe's chains cannot be used with these tracks: frequencies, files, keys."""

from collections.abc import Iterator
from dataclasses import dataclass

from premix.chain.processor import Place, Setting
from premix.chain.running import place_of, processor_of
from premix.errors import Problem
from premix.messages.chain import SLUGS
from premix.model.recipe import Chain, Recipe
from premix.model.tracks import TrackSet


@dataclass(frozen=True, slots=True)
class PlacedChain:
    """A chain and where it stands: its place, and the path of its key in the recipe."""

    chain: Chain
    place: Place
    path: str


def placed_chains(recipe: Recipe) -> Iterator[PlacedChain]:
    """Every chain of a recipe that holds a step."""
    found = [PlacedChain(group.chain, "mic", f"groups.{name}.chain") for name, group in recipe.groups.items()]
    found += [PlacedChain(mic.chain, "mic", f"mics.{name}.chain") for name, mic in recipe.mics.items()]
    found += [
        PlacedChain(performance.chain, "performance", f"performances.{name}.chain")
        for name, performance in recipe.performances.items()
    ]
    found += [PlacedChain(bus.chain, "bus", f"buses.{name}.chain") for name, bus in recipe.buses.items()]
    found.append(PlacedChain(recipe.guitar_bus.chain, "guitar_bus", "guitar_bus.chain"))
    return (placed for placed in found if placed.chain)


def chain_problems(recipe: Recipe, origins: dict[str, str], tracks: TrackSet) -> list[Problem]:
    """Every problem of every chain. origins: key path -> file:line:column."""
    problems = []
    for placed in placed_chains(recipe):
        origin = origins.get(placed.path, "")
        channels = 2 if placed.place == "guitar_bus" else 1
        setting = Setting(tracks.rate, channels, placed.path)
        for index, step in enumerate(placed.chain):
            processor = processor_of(step)
            where = f"{origin} {place_of(placed.path, index, step)}".strip()
            for unfit in processor.problems(setting):
                remedy = SLUGS[unfit.slug]
                problems.append(Problem(unfit.slug, f"{where}.{unfit.key}", unfit.what, unfit.allowed, remedy))
            key = getattr(processor, "key", None)
            if key is not None:
                problems += _key_problems(key, placed.place, recipe, tracks, f"{where}.key")
    return problems


def _key_problems(key: str, place: Place, recipe: Recipe, tracks: TrackSet, where: str) -> Iterator[Problem]:
    """A key must be heard: a performance anywhere; a mic, not on a bus, in every performance."""
    names = tracks.performances()
    heard = [n for n in names if not (recipe.performances[n].mute or recipe.buses[recipe.performances[n].bus].mute)]
    if key in heard:
        return
    without = [n for n in heard if key not in {track.mic for track in tracks.of(n)}]
    if place in ("bus", "guitar_bus"):
        what = f"'{key}' is no performance that is heard"
    elif without:
        what = f"'{key}' is no performance that is heard, and no mic of {without[0]}"
    else:
        return
    yield Problem("chain-no-key", where, what, ", ".join(heard), SLUGS["chain-no-key"])
