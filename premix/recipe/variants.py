"""Variants of a recipe: other blends of the same recordings, as whole recipes."""

from dataclasses import dataclass
from typing import TypeVar

from premix.model.recipe import MicException, Performance, Recipe, Section, Variant, VariantMic, VariantPart

_S = TypeVar("_S", bound=Section)
AS_RECORDED = VariantMic(polarity="normal", delay="none")
MUTED = VariantMic(mute=True)


@dataclass(frozen=True, slots=True)
class NamedVariant:
    """A variant, its name, and the whole recipe it makes."""

    name: str
    variant: Variant
    recipe: Recipe


def variants_of(recipe: Recipe, *, by_mics: bool = False) -> tuple[NamedVariant, ...]:
    """The recipe itself first, then its `variants`; or with `by_mics` a set made of its mics.

    That set: as recorded, each mic alone, and each mic left out. Mics that the recipe mutes stay muted.
    """
    own = mic_variants(recipe) if by_mics else recipe.variants
    base = "recipe"
    while base in own:
        base += "_0"
    named = {base: Variant()} | own
    return tuple(NamedVariant(name, variant, varied(recipe, variant)) for name, variant in named.items())


def mic_variants(recipe: Recipe) -> dict[str, Variant]:
    """As recorded, each mic alone, and, where that leaves more than one, each mic left out."""
    mics = [name for name, mic in recipe.mics.items() if not mic.mute]
    found = {"as_recorded": Variant(mics=dict.fromkeys(recipe.mics, AS_RECORDED))}
    if len(mics) > 1:
        for mic in mics:
            found[f"only_{mic}"] = Variant(mics=dict.fromkeys((m for m in mics if m != mic), MUTED))
    if len(mics) > 2:
        for mic in mics:
            found[f"without_{mic}"] = Variant(mics={mic: MUTED})
    return found


def varied(recipe: Recipe, variant: Variant) -> Recipe:
    """The recipe with a variant put in. What a variant says of a mic holds in every performance."""
    performances = {
        name: _exceptions_aside(changed(performance, variant.performances.get(name)), variant)
        for name, performance in recipe.performances.items()
    }
    guitar_bus = recipe.guitar_bus
    if variant.width is not None:
        guitar_bus = guitar_bus.model_copy(update={"width": variant.width})
    return recipe.model_copy(
        update={
            "mics": {name: changed(mic, variant.mics.get(name)) for name, mic in recipe.mics.items()},
            "performances": performances,
            "buses": {name: changed(bus, variant.buses.get(name)) for name, bus in recipe.buses.items()},
            "guitar_bus": guitar_bus,
        }
    )


def changed(section: _S, change: VariantMic | VariantPart | None) -> _S:
    """A section of the recipe with what the change states; what it leaves out stays."""
    return section if change is None else section.model_copy(update=_stated(change))


def _stated(change: VariantMic | VariantPart) -> dict[str, object]:
    fields = ((name, getattr(change, name)) for name in type(change).model_fields)
    return {name: value for name, value in fields if value is not None}


def _exceptions_aside(performance: Performance, variant: Variant) -> Performance:
    """The performance without the exceptions that a variant of the same mic overrides."""
    mics: dict[str, MicException] = {}
    for name, exception in performance.mics.items():
        change = variant.mics.get(name)
        mics[name] = exception if change is None else exception.model_copy(update=dict.fromkeys(_stated(change)))
    return performance.model_copy(update={"mics": mics})
