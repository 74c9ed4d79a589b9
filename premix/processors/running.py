"""A whole chain at work: its steps in order, their latencies summed, nothing that is no number let through."""

from contextlib import ExitStack
from dataclasses import replace

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.errors import Problem, RecipeError
from premix.model.finding import Finding
from premix.model.recipe import Chain, ChainStep
from premix.processors.base import Processor, Running, Setting
from premix.processors.table import PROCESSORS


def processor_of(step: ChainStep) -> Processor:
    """The typed parameters of one step; KeyError or pydantic's ValidationError for a step that is not valid."""
    return PROCESSORS[step.kind].model_validate(step.params)


def place_of(where: str, index: int, step: ChainStep) -> str:
    """A step's place in the recipe, as messages name it."""
    return f"{where}[{index}].{step.kind}"


class RunningChain(Running):
    """The instances of a chain in order; setting.where names the chain."""

    def __init__(self, chain: Chain, setting: Setting) -> None:
        self._where = setting.where
        self._steps: list[tuple[str, Running]] = []
        with ExitStack() as stack:
            for index, step in enumerate(chain):
                where = place_of(setting.where, index, step)
                lag = setting.lag + self.latency_samples
                made = processor_of(step).make(replace(setting, where=where, lag=lag))
                stack.callback(made.close)
                self._steps.append((where, made))
                self.latency_samples += made.latency_samples
            self._stack = stack.pop_all()

    def process(self, block: FloatArray) -> FloatArray:
        if self._steps:
            _check_finite(block, self._where, "the samples that go in")
        for where, step in self._steps:
            block = step.process(block)
            _check_finite(block, where, "the samples that come out")
        return block

    def findings(self) -> tuple[Finding, ...]:
        return tuple(finding for _, step in self._steps for finding in step.findings())

    def close(self) -> None:
        self._stack.close()


def _check_finite(block: FloatArray, where: str, which: str) -> None:
    """Refuse NaN and infinity: they would stay in the states, and some libraries turn them into full scale."""
    flat = block.ravel()
    if not np.isfinite(np.dot(flat, flat)):
        what, slug = f"{which} are not finite", "chain-not-finite"
        raise RecipeError(Problem(slug, where, what))


def linear_response(chain: Chain, freqs_hz: FloatArray, setting: Setting) -> ComplexArray:
    """(F) complex gain of a chain, latencies taken out; steps that are not linear count as 1."""
    total = np.ones(len(freqs_hz), np.complex128)
    for step in chain:
        turned = processor_of(step).response(freqs_hz, setting)
        if turned is not None:
            total *= turned
    return total
