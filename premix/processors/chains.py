"""Chains: the processors they may hold, one at work, its response, and what of a song's chains its tracks forbid."""

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.errors import Finding, Problem, RecipeError
from premix.model.mix import ChainFile
from premix.model.settings import Chain, ChainStep
from premix.model.song import PlacedChain, Song
from premix.processors.base import Place, Processor, Running, Setting, too_high
from premix.processors.colour import Gain, MidSide, Polarity, Saturation
from premix.processors.dynamics import Compressor, Expander, Limiter
from premix.processors.equalisers import BandPass, Bell, HighPass, HighShelf, LowPass, LowShelf, Notch, Tilt
from premix.processors.plug_in import PlugIn
from premix.processors.space import Convolution, Delay, Reverb

_EQUALISERS = (HighPass, LowPass, BandPass, Bell, LowShelf, HighShelf, Tilt, Notch)
_OTHERS = (Gain, Polarity, Delay, MidSide, Saturation, Expander, Compressor, Limiter, Reverb, Convolution, PlugIn)
PROCESSORS: dict[str, type[Processor]] = {processor.kind: processor for processor in (*_EQUALISERS, *_OTHERS)}
"""kind -> processor: the one table behind recipe keys, schema, reference and contract tests."""


def processor_of(step: ChainStep) -> Processor:
    """The typed parameters of one step; KeyError or pydantic's ValidationError for a step that is not valid."""
    return PROCESSORS[step.kind].model_validate(step.params)


def _placed(chain: Chain, where: str) -> Iterator[tuple[str, Processor]]:
    """Each step's place in the recipe, as messages name it, and its processor; where: the chain's own place."""
    for index, step in enumerate(chain):
        yield f"{where}[{index}].{step.kind}", processor_of(step)


class RunningChain(Running):
    """The instances of a chain in order, their latencies summed; setting.where names the chain."""

    def __init__(self, chain: Chain, setting: Setting) -> None:
        self._where = setting.where
        self._steps: list[tuple[str, Running]] = []
        with ExitStack() as stack:
            for where, processor in _placed(chain, setting.where):
                made = processor.make(replace(setting, where=where, lag=setting.lag + self.latency_samples))
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
        raise RecipeError(Problem("chain-not-finite", where, f"{which} are not finite"))


def linear_response(chain: Chain, freqs_hz: FloatArray, setting: Setting) -> ComplexArray:
    """(F) complex gain of a chain, latencies taken out; steps that are not linear count as 1."""
    total = np.ones(len(freqs_hz), np.complex128)
    for step in chain:
        turned = processor_of(step).response(freqs_hz, setting)
        if turned is not None:
            total *= turned
    return total


def chain_paths(song: Song) -> Iterator[Path]:
    """Where the files are that a song's chains name, in the order of the recipe."""
    for placed in song.chains:
        for _, processor in _placed(placed.chain, placed.path):
            yield from (Path(value) for key in processor.files if (value := getattr(processor, key)) is not None)


def chain_files(song: Song) -> tuple[ChainFile, ...]:
    """Every file that a step names, in the order of the recipe."""
    return tuple(
        ChainFile(f"{where}.{key}", Path(value).name, _sha256(Path(value)))
        for placed in song.chains
        for where, processor in _placed(placed.chain, placed.path)
        for key in processor.files
        if (value := getattr(processor, key)) is not None
    )


def _sha256(path: Path) -> str:
    """Of a file's bytes, or of the names and bytes of all files in a folder (a plug-in's bundle)."""
    digest = hashlib.sha256()
    files = [path] if path.is_file() else sorted(p for p in path.rglob("*") if p.is_file())
    for file in files:
        if file != path:
            digest.update(file.relative_to(path).as_posix().encode("utf-8", "surrogateescape"))
        with file.open("rb") as stream:
            while piece := stream.read(1 << 20):
                digest.update(piece)
    return digest.hexdigest()


def check_chains(song: Song) -> None:
    """Raise RecipeError with every problem of every chain and mic filter."""
    problems = []
    for path, value in song.corners:  # a mic's own filters must lie in the band of its tracks, too
        where = f"{song.recipe.origins.get(path, '')} {path}".strip()
        problems += [Problem(u.slug, where, u.what, u.allowed, remedy="") for u in too_high(path, value, song.rate)]
    for placed in song.chains:
        problems += _chain_problems(placed, song)
    if problems:
        raise RecipeError(problems)


def _chain_problems(placed: PlacedChain, song: Song) -> Iterator[Problem]:
    setting = Setting(song.rate, 2 if placed.place == "guitar_bus" else 1, placed.path)
    origin = song.recipe.origins.get(placed.path, "")
    for place, processor in _placed(placed.chain, placed.path):
        where = f"{origin} {place}".strip()
        for unfit in processor.problems(setting):
            yield Problem(unfit.slug, f"{where}.{unfit.key}", unfit.what, unfit.allowed, remedy="")
        if (key := getattr(processor, "key", None)) is not None:
            yield from _key_problems(key, placed.place, song, f"{where}.key")


def _key_problems(key: str, place: Place, song: Song, where: str) -> Iterator[Problem]:
    """A key must be heard: a performance anywhere; a mic, not on a bus, in every performance."""
    heard = {performance.name: performance for performance in song.performances if performance.heard}
    if key in heard:
        return
    without = [name for name, performance in heard.items() if performance.mic(key) is None]
    what = f"'{key}' is no performance that is heard"
    if place not in ("bus", "guitar_bus"):
        if not without:
            return
        what += f", and no mic of {without[0]}"
    yield Problem("chain-no-key", where, what, ", ".join(heard), remedy="")
