"""From the recipe to the song's tree: exceptions, groups, defaults and gains resolved, once and for all.

And from its variants, other blends of the same recordings, to a whole tree each.
"""

from collections.abc import Collection, Iterator
from dataclasses import replace
from typing import Any, Literal, TypeVar

from premix.audio.gains import pan_gains
from premix.model import song as tree
from premix.model.settings import Deliver, Gate, Section, WidthLimit
from premix.model.song import PlacedChain, Song
from premix.recipe.record import MergedRecipe, Performance, Recipe, Variant, VariantMic, VariantPart
from premix.units import db_to_gain

_S = TypeVar("_S", bound=Section)
_POLARITIES: dict[str, Literal[1, -1] | None] = {"auto": None, "normal": 1, "inverted": -1}
_CHANNELS: dict[Any, Any] = {"left": 1, "right": 2}


def song_of(merged: MergedRecipe) -> Song:
    """The tree of a recipe, before any file is looked for: every mic in every performance."""
    recipe = merged.recipe
    muted = {name for name, bus in recipe.buses.items() if bus.mute}
    return Song(
        name=recipe.song or "",
        performances=tuple(_performance(recipe, name, muted) for name in recipe.performances),
        buses=tuple(_buses(recipe)),
        guitar_bus=_guitar_bus(recipe),
        reference=_reference(recipe),
        alignment=recipe.alignment,
        gate=recipe.gate,
        deliver=_deliver(recipe.deliver),
        limits=recipe.limits,
        recipe=merged.text,
        track_pattern=recipe.tracks.name,
        resample=recipe.tracks.resample,
        chains=tuple(placed for placed in _chains(recipe) if placed.chain),
        corners=tuple(_corners(recipe)),
    )


def _guitar_bus(recipe: Recipe) -> tree.GuitarBus:
    bus = recipe.guitar_bus
    limit = bus.width if isinstance(bus.width, WidthLimit) else None
    width = 1.0 if isinstance(bus.width, WidthLimit) else bus.width
    return tree.GuitarBus(db_to_gain(bus.gain_db), width, bus.chain, limit)


def _deliver(deliver: Deliver) -> Deliver:
    """With the ceiling where everybody looks for it, whichever of its two names the recipe uses."""
    ceiling = deliver.level.ceiling_dbtp if deliver.level else None
    return deliver if ceiling is None else deliver.model_copy(update={"ceiling_dbtp": ceiling})


def _performance(recipe: Recipe, name: str, muted_buses: set[str]) -> tree.Performance:
    settings = recipe.performances[name]
    gone = {mic for one in settings.without for mic in (recipe.groups[one].mics if one in recipe.groups else (one,))}
    mics = tuple(_mic(recipe, name, mic) for mic in recipe.mics if mic not in gone)
    return tree.Performance(
        name=name,
        reference=_reference(recipe, gone),
        bus=settings.bus,
        gain=db_to_gain(settings.gain_db),
        mute=settings.mute,
        heard=not settings.mute and not {mic.bus for mic in mics if not mic.is_di} <= muted_buses,
        chain=settings.chain,
        mics=mics,
        aliases=settings.aliases,
        optional=settings.optional,
        spans=None if settings.gate is None else settings.gate.spans,
    )


def _mic(recipe: Recipe, performance: str, name: str) -> tree.Mic:
    """One mic with the performance's exceptions; its groups' gains are added and their chains come first."""
    own, here = recipe.mics[name], recipe.performances[performance]
    said = _stated(here.mics.get(name))
    groups = {key: group for key, group in recipe.groups.items() if name in group.mics}
    asides = [_stated(here.groups.get(key)) for key in groups]
    gains_db = [aside.get("gain_db", group.gain_db) for aside, group in zip(asides, groups.values(), strict=True)]
    apart = next((key for key, group in groups.items() if group.stem == "own"), None)
    channel = said.get("channel", own.channel)
    return tree.Mic(
        performance=performance,
        name=name,
        role=own.role,
        bus=_bus(recipe, here, name, apart),
        gain=db_to_gain(said.get("gain_db", own.gain_db) + sum(gains_db)),
        mute=said.get("mute", own.mute) or any(aside.get("mute", False) for aside in asides),
        polarity=_POLARITIES[said.get("polarity", own.polarity)],
        delay=said.get("delay", own.delay or ("none" if own.role == "room" else "auto")),
        high_pass_hz=own.high_pass_hz,
        low_pass_hz=own.low_pass_hz,
        chain=(*(step for group in groups.values() for step in group.chain), *own.chain),
        gate=recipe.gate.model_copy(update=_stated(own.gate)) if own.role == "room" else None,
        stem_gate=_stem_gate(recipe, performance, name),
        aliases=own.aliases,
        file=said.get("file"),
        optional=said.get("optional", own.optional),
        group=None if own.role in ("room", "di") else apart,
        channel=_CHANNELS.get(channel, channel),
    )


def _stem_gate(recipe: Recipe, performance: str, mic: str) -> Gate | None:
    """A close mic's own, else its performance's."""
    if recipe.mics[mic].role in ("room", "di"):
        return None
    said = recipe.mics[mic].stem_gate or recipe.performances[performance].stem_gate
    return None if said is None else recipe.gate.model_copy(update=_stated(said))


def _bus(recipe: Recipe, here: Performance, name: str, group: str | None) -> str:
    """Where a mic is sent: a room mic's own bus, that of its group with a stem of its own, the performance's."""
    said = _stated(here.mics.get(name)).get("bus", recipe.mics[name].bus)
    if said is None and group is not None:
        said = _stated(here.groups.get(group)).get("bus", recipe.groups[group].bus)
    return said or here.bus


def _buses(recipe: Recipe) -> Iterator[tree.Bus]:
    for name, bus in recipe.buses.items():
        left, right = pan_gains(bus.pan, recipe.guitar_bus.pan_law_db)
        yield tree.Bus(name, db_to_gain(bus.gain_db), bus.pan, left, right, bus.mute, bus.chain)


def _reference(recipe: Recipe, gone: Collection[str] = ()) -> str:
    """As given, else the first close mic, the first sub mic, the first mic. gone: what a performance is without."""
    if recipe.alignment.reference is not None and recipe.alignment.reference not in gone:
        return recipe.alignment.reference
    mics = {name: mic for name, mic in recipe.mics.items() if name not in gone}
    return next(name for role in ("close", "sub", "room", "di") for name, mic in mics.items() if mic.role == role)


def _chains(recipe: Recipe) -> Iterator[PlacedChain]:
    yield from (PlacedChain(group.chain, "mic", f"groups.{name}.chain") for name, group in recipe.groups.items())
    yield from (PlacedChain(mic.chain, "mic", f"mics.{name}.chain") for name, mic in recipe.mics.items())
    for name, performance in recipe.performances.items():
        yield PlacedChain(performance.chain, "performance", f"performances.{name}.chain")
    yield from (PlacedChain(bus.chain, "bus", f"buses.{name}.chain") for name, bus in recipe.buses.items())
    yield PlacedChain(recipe.guitar_bus.chain, "guitar_bus", "guitar_bus.chain")


def _corners(recipe: Recipe) -> Iterator[tuple[str, float]]:
    for name, mic in recipe.mics.items():
        for key in ("high_pass_hz", "low_pass_hz"):
            if (value := getattr(mic, key)) is not None:
                yield f"mics.{name}.{key}", value


def variants_of(merged: MergedRecipe, *, by_mics: bool = False) -> tuple[tree.Variant, ...]:
    """The recipe itself first, then its `variants`; or with `by_mics` a set made of its mics.

    That set: as recorded, each mic alone, and each mic left out. Mics that the recipe mutes stay muted.
    """
    recipe = merged.recipe
    own = _mic_variants(recipe) if by_mics else recipe.variants
    base = "recipe"
    while base in own:
        base += "_0"
    return tuple(
        tree.Variant(
            name,
            variant.model_dump(mode="json", exclude_none=True, exclude_defaults=True),
            frozenset(mic for mic, change in variant.mics.items() if change.polarity or change.delay),
            song_of(replace(merged, recipe=_varied(recipe, variant))),
        )
        for name, variant in ({base: Variant()} | own).items()
    )


def _mic_variants(recipe: Recipe) -> dict[str, Variant]:
    """As recorded, each mic alone, and, where that leaves more than one, each mic left out."""
    mics = [name for name, mic in recipe.mics.items() if not mic.mute]
    recorded, muted = VariantMic(polarity="normal", delay="none"), VariantMic(mute=True)
    found = {"as_recorded": Variant(mics=dict.fromkeys(recipe.mics, recorded))}
    if len(mics) > 1:
        found |= {f"only_{mic}": Variant(mics=dict.fromkeys((m for m in mics if m != mic), muted)) for mic in mics}
    if len(mics) > 2:
        found |= {f"without_{mic}": Variant(mics={mic: muted}) for mic in mics}
    return found


def _varied(recipe: Recipe, variant: Variant) -> Recipe:
    """The recipe with a variant put in. What a variant says of a mic holds in every performance."""
    width = {} if variant.width is None else {"width": variant.width}
    return recipe.model_copy(
        update={
            "mics": {name: _changed(mic, variant.mics.get(name)) for name, mic in recipe.mics.items()},
            "performances": {
                name: _exceptions_aside(_changed(performance, variant.performances.get(name)), variant)
                for name, performance in recipe.performances.items()
            },
            "buses": {name: _changed(bus, variant.buses.get(name)) for name, bus in recipe.buses.items()},
            "guitar_bus": recipe.guitar_bus.model_copy(update=width),
        }
    )


def _changed(section: _S, change: VariantMic | VariantPart | None) -> _S:
    return section.model_copy(update=_stated(change))


def _stated(change: Section | None) -> dict[str, Any]:
    """What an exception, an override or a variant states; what it leaves out stays."""
    return {} if change is None else {name: value for name, value in change if value is not None}


def _exceptions_aside(performance: Performance, variant: Variant) -> Performance:
    """The performance without the exceptions that a variant of the same mic overrides."""
    mics = {
        name: exception.model_copy(update=dict.fromkeys(_stated(variant.mics.get(name))))
        for name, exception in performance.mics.items()
    }
    return performance.model_copy(update={"mics": mics})
