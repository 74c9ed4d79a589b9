"""What every processor of the table owes: block sizes without effect, typed parameters, no NaN, honest latency."""

from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from pydantic import Field, ValidationError

from premix.arrays import FloatArray
from premix.errors import RecipeError
from premix.messages import REMEDIES
from premix.model.settings import ChainStep
from premix.processors.base import PLACES, Processor, Running, Setting
from premix.processors.chains import PROCESSORS, RunningChain, processor_of
from premix.recipe import schema
from premix.recipe import schema as step_schema
from premix.recipe.read import read_recipe
from premix.recipe.reference import reference
from premix.recipe.schema import recipe_schema

from .driving import RATE, drive, impulse, noise, setting, step
from .examples import STEPS

UNITS = ("_hz", "_db", "_ms", "_s", "_db_oct", "_mb")
PLAIN = {"q", "ratio", "phase", "harmonics", "mix", "room_size", "damping", "width", "key", "file", "name", "state"}
"""Parameters that have no unit."""


def test_every_kind_has_an_example_here() -> None:
    """A processor that is added to the table is added to these tests."""
    assert list(STEPS) == list(PROCESSORS)


@pytest.mark.parametrize("sizes", [[1, 7, 1000, 257, 4096], [1920], [57600], [1023, 1025, 3]])
def test_the_samples_do_not_depend_on_the_block_size(any_step: ChainStep, sizes: list[int]) -> None:
    """Bit for bit the same as in one go, two channels, over many rows of those that work in rows."""
    signal = noise(2, 30_000, level=0.3)
    assert np.array_equal(drive(any_step, signal, sizes), drive(any_step, signal))


def test_a_fresh_instance_starts_afresh(any_step: ChainStep) -> None:
    """What one instance heard does not reach the next."""
    signal = noise(2, 9_000, level=0.3)
    drive(any_step, noise(2, 9_000, seed=8))
    assert np.array_equal(drive(any_step, signal), drive(any_step, signal))


def test_the_latency_is_what_is_stated(any_step: ChainStep) -> None:
    """With the stated latency out, the peak of an impulse comes out where it went in.

    Where a filter's own rise moves the peak, the first sample tells: it comes in time, and nothing before it.
    """
    at = 20_000
    made = np.abs(drive(any_step, np.stack([impulse(40_000, at), 0.5 * impulse(40_000, at)]))[0])
    if any_step.kind in ("low_pass", "band_pass", "convolution"):
        assert made[at] > 1e-6
        assert made[:at].max() < 1e-15  # rounding of the transforms
    else:
        assert int(made.argmax()) == at + (round(1.2345e-3 * RATE) if any_step.kind == "delay" else 0)


def test_silence_stays_silence(any_step: ChainStep) -> None:
    """Nothing is made out of nothing."""
    assert not drive(any_step, np.zeros((2, 20_000))).any()


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_samples_that_are_no_numbers_are_refused(any_step: ChainStep, bad: float) -> None:
    """The chain stops before its states are spoilt; nothing is passed on."""
    signal = noise(2, 20_000)
    signal[1, 9_000] = bad
    with pytest.raises(RecipeError, match=r"^chain: the samples that go in are not finite.*\[chain-not-finite\]$"):
        drive(any_step, signal)


def test_a_step_that_makes_no_numbers_is_named() -> None:
    """Finite samples in, infinite ones out: the second step is to blame."""
    with (
        pytest.raises(RecipeError, match=r"^chain\[1\].gain: the samples that come out are not finite"),
        np.errstate(over="ignore"),
    ):
        drive([step("polarity"), *[step("gain", gain_db=40.0)] * 2], np.full(10, 1e152))


def numbers(kind: str) -> list[str]:
    """The parameters of a kind that take a number."""
    entries = PROCESSORS[kind].model_json_schema()["properties"].items()
    return [key for key, entry in entries if {"number", "integer"} & types_of(entry)]


def types_of(entry: dict[str, Any]) -> set[str]:
    """The JSON types that an entry of a schema takes."""
    return {branch.get("type", "") for branch in (entry, *entry.get("anyOf", ()))}


@pytest.mark.parametrize(("kind", "key"), [(kind, key) for kind in PROCESSORS for key in numbers(kind)])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e9, 1e9, "80", True])
def test_a_parameter_out_of_its_range_or_type_is_refused(kind: str, key: str, value: Any) -> None:
    """NaN, infinity, absurd numbers, texts and switches stand for no number."""
    with pytest.raises(ValidationError):
        processor_of(step(kind, **{**STEPS[kind].params, key: value}))


@pytest.mark.parametrize("kind", PROCESSORS)
def test_every_parameter_says_what_it_is(kind: str) -> None:
    """Description and example for the reference; a unit in the name, or none that could be meant."""
    assert PROCESSORS[kind].__doc__
    for key, entry in PROCESSORS[kind].model_json_schema()["properties"].items():
        assert entry.get("description"), key
        assert entry.get("examples"), key
        assert key.endswith(UNITS) or key in PLAIN, key


@pytest.mark.parametrize(
    ("kind", "key"), [(kind, key) for kind in PROCESSORS for key in numbers(kind) if key.endswith("_hz")]
)
def test_a_frequency_must_lie_in_the_band_of_the_tracks(kind: str, key: str) -> None:
    """Above 0.45 of the rate it is refused in words, with what is allowed; at it, it is fine."""
    if kind == "notch":
        cases = {} if key == "width_hz" else {19_000.0: True, 3_000.0: False}
    else:
        cases = {19_000.0: True, 0.45 * 32_000: False}
    for value, refused in cases.items():
        params = {**STEPS[kind].params, key: value, **({"low_hz": 20.0} if key == "high_hz" else {})}
        problems = list(processor_of(step(kind, **params)).problems(setting(rate=32_000)))
        assert any(unfit.key == key and "14400 Hz" in unfit.allowed for unfit in problems) == refused


def test_every_unfit_slug_has_a_remedy(tmp_path: Path) -> None:
    """The slugs that processors give are in the list of messages."""
    crossed = processor_of(step("band_pass", low_hz=5000.0, high_hz=80.0))
    missing = processor_of(step("convolution", file=str(tmp_path / "none.wav")))
    (tmp_path / "text.wav").write_text("no audio")
    no_audio = processor_of(step("convolution", file=str(tmp_path / "text.wav")))
    found = [unfit.slug for processor in (crossed, missing, no_audio) for unfit in processor.problems(setting())]
    assert found == ["chain-range", "chain-no-file", "chain-file"]
    assert set(found) < set(REMEDIES)


class Louder(Processor):
    """A processor that only this test knows."""

    kind: ClassVar[str] = "louder"

    factor: float = Field(ge=1.0, le=4.0, description="How much.", examples=[2])

    def make(self, setting: Setting) -> Running:
        return _Louder(self.factor)


class _Louder(Running):
    latency_samples = 3

    def __init__(self, factor: float) -> None:
        self._factor, self._held = factor, np.zeros((1, 3))

    def process(self, block: FloatArray) -> FloatArray:
        both = np.concatenate([self._held, block], axis=1)
        self._held = both[:, -3:]
        return both[:, :-3] * self._factor


def test_adding_a_processor_is_one_class_and_one_line_of_the_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the class in the table it is read, checked, described, completed in editors, and run."""
    monkeypatch.setitem(PROCESSORS, Louder.kind, Louder)
    caches = (schema._schema, step_schema.parameters)
    for cache in caches:
        cache.cache_clear()
    try:
        recipe = tmp_path / "recipe.yaml"
        base = "format: 1\nmics: {dynamic: {chain: [{louder: {%s}}]}}\nperformances: {left: {bus: left}}\n"
        recipe.write_text(base % "factor: 2")
        steps = read_recipe(recipe).recipe.mics["dynamic"].chain
        recipe.write_text(base % "facter: 9")
        with pytest.raises(RecipeError) as caught:
            read_recipe(recipe)
        lines = [problem.line() for problem in caught.value.problems]
        assert "louder.facter: unknown key 'facter'; allowed: factor; did you mean 'factor'?" in lines[1]
        assert "### `louder`" in reference()
        assert "How much." in reference()
        for place in PLACES:
            assert "louder" in recipe_schema()["$defs"][f"ChainStep_{place}"]["anyOf"][1]["properties"]
        assert np.array_equal(drive(list(steps), np.ones(10)), np.full(10, 2.0))
    finally:
        monkeypatch.undo()
        for cache in caches:
            cache.cache_clear()
    assert "louder" not in recipe_schema()["$defs"]["ChainStep_mic"]["anyOf"][1]["properties"]


def test_latencies_add_up_along_a_chain() -> None:
    """A chain is as late as its steps together, and its lag reaches the steps behind."""
    steps = (step("compressor", threshold_db=0.0), step("saturation", drive_db=0.0), step("limiter"))
    alone = [RunningChain((one,), setting()).latency_samples for one in steps]
    assert RunningChain(steps, setting()).latency_samples == sum(alone)
    assert min(alone) > 0
