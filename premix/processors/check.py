"""The files that a recipe's chains depend on, by their hashes.

What of a recipe's chains cannot be used with these tracks: frequencies, files, keys.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from premix.errors import Problem, RecipeError
from premix.model.mix import ChainFile
from premix.model.recipe import Chain, Recipe
from premix.model.tracks import TrackSet
from premix.processors.base import HIGHEST, Place, Setting
from premix.processors.running import place_of, processor_of


def chain_files(recipe: Recipe) -> tuple[ChainFile, ...]:
    """Every file that a step names, in the order of the recipe."""
    found = []
    for placed in placed_chains(recipe):
        for index, step in enumerate(placed.chain):
            processor = processor_of(step)
            for key in processor.files:
                value = getattr(processor, key)
                if value is not None:
                    where = f"{place_of(placed.path, index, step)}.{key}"
                    found.append(ChainFile(where, Path(value).name, _sha256(Path(value))))
    return tuple(found)


def _sha256(path: Path) -> str:
    """Of a file's bytes, or of the names and bytes of all files in a folder (a plug-in's bundle)."""
    digest = hashlib.sha256()
    files = [path] if path.is_file() else sorted(p for p in path.rglob("*") if p.is_file())
    for file in files:
        if file != path:
            digest.update(file.relative_to(path).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()


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


def check_chains(recipe: Recipe, origins: dict[str, str], tracks: TrackSet) -> None:
    """Raise RecipeError with every problem of every chain and mic filter. origins: key path -> file:line:column."""
    problems = [*_filter_problems(recipe, origins, tracks.rate), *_chain_problems(recipe, origins, tracks)]
    if problems:
        raise RecipeError(problems)


def _filter_problems(recipe: Recipe, origins: dict[str, str], rate: int) -> Iterator[Problem]:
    """A mic's own filters must lie in the band of its tracks, too."""
    for name, mic in recipe.mics.items():
        for key in ("high_pass_hz", "low_pass_hz"):
            value, path = getattr(mic, key), f"mics.{name}.{key}"
            if value is not None and value > HIGHEST * rate:
                what, allowed = f"{value:g} Hz is too high for tracks at {rate} Hz", f"at most {HIGHEST * rate:g} Hz"
                yield Problem("chain-range", f"{origins.get(path, '')} {path}".strip(), what, allowed, remedy="")


def _chain_problems(recipe: Recipe, origins: dict[str, str], tracks: TrackSet) -> list[Problem]:
    problems = []
    for placed in placed_chains(recipe):
        origin = origins.get(placed.path, "")
        channels = 2 if placed.place == "guitar_bus" else 1
        setting = Setting(tracks.rate, channels, placed.path)
        for index, step in enumerate(placed.chain):
            processor = processor_of(step)
            where = f"{origin} {place_of(placed.path, index, step)}".strip()
            for unfit in processor.problems(setting):
                problems.append(Problem(unfit.slug, f"{where}.{unfit.key}", unfit.what, unfit.allowed, remedy=""))
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
    yield Problem("chain-no-key", where, what, ", ".join(heard), remedy="")
