"""One performance as the solver sees it: its signal spectra, which mics may take part, what the recipe fixes.

Decisions as phase terms of the mics of one performance, and the sum efficiency that they reach.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from premix.alignment.evidence import Against, against_rest, halves_agreement, mean_coherence
from premix.alignment.kernel import WIDE_HIGH_HZ, SignalSpectra, measure_efficiency, phase_terms, signal_spectra
from premix.alignment.rotation import rotation_response
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.filters import mic_sections, sections_response
from premix.model.alignment import Efficiency, MicDecision
from premix.model.analysis import Analysis
from premix.model.recipe import DelayByHand, Mic, Recipe
from premix.processors.base import Setting
from premix.processors.running import linear_response
from premix.units import cm_to_samples, db_to_gain, ms_to_samples

FINE_SEARCH_MS = 20.0
"""Widest search of the frames themselves; further offsets are found on the envelopes first."""
SILENT_PEAK = 10.0 ** (-80.0 / 20.0)
"""A track that never reaches -80 dBFS holds nothing to align."""
MIN_COHERENCE = 0.3
"""Good close mics show 0.6 to 1 in their own band, hum, hiss and bleed included; other takes stay below 0.2."""
MIN_AGREEMENT = 0.5
"""Half-way between a mic with one phase relation all through (near 1) and chance (near 0)."""


@dataclass(frozen=True, slots=True)
class ByHand:
    """What the recipe fixes of one mic; None: to be found."""

    delay_samples: float | None
    polarity: int | None


@dataclass(slots=True)
class Case:
    """One performance. refusals: slug by mic name; trusted: (M) mics coherent with the reference's group;
    filter_delays: (M) mean delay in samples of the filters and chain that the recipe puts on each mic."""

    performance: str
    mics: tuple[str, ...]
    settings: tuple[Mic, ...]
    by_hand: tuple[ByHand, ...]
    signal: SignalSpectra
    close: BoolArray
    trusted: BoolArray
    coherence: FloatArray
    agreement: FloatArray
    refusals: dict[str, str]
    offsets: tuple[int, ...]
    filter_delays: FloatArray

    @property
    def chosen(self) -> BoolArray:
        """(M) close mics that are summed and may be aligned."""
        unmuted = np.array([not s.mute for s in self.settings], np.bool_)
        chosen: BoolArray = self.close & unmuted & self.trusted
        return chosen

    def index(self, mic: str) -> int:
        return self.mics.index(mic)


def build_case(recipe: Recipe, analysis: Analysis, performance: str) -> Case:
    """Prepare one performance: filters and gains of the recipe, noise, and who is coherent with whom."""
    spectra = analysis.spectra_of(performance)
    settings = tuple(recipe.mic_in(performance, mic) for mic in spectra.mics)
    responses = np.stack([mic_response(s, spectra.freqs_hz, analysis.rate) for s in settings])
    signal = signal_spectra(spectra, responses, np.array([s.role == "sub" for s in settings]), WIDE_HIGH_HZ)
    temperature = recipe.alignment.temperature_c
    case = Case(
        performance=performance,
        mics=spectra.mics,
        settings=settings,
        by_hand=tuple(hand_values(s, analysis.rate, temperature) for s in settings),
        signal=signal,
        close=np.array([s.role != "room" for s in settings]),
        trusted=np.ones(len(settings), np.bool_),
        coherence=np.ones(len(settings)),
        agreement=np.ones(len(settings)),
        refusals={},
        offsets=spectra.offsets,
        filter_delays=_filter_delays(responses, signal, analysis.rate),
    )
    silent = [m for m in case.mics if analysis.levels_of(performance, m).sample_peak < SILENT_PEAK]
    wide = recipe.alignment.search_ms > FINE_SEARCH_MS
    _find_trusted(case, recipe.reference_mic(), silent, "alignment-offset" if wide else "alignment-incoherent")
    return case


def mic_response(mic: Mic, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) complex gain of a mic before the sum: its gain, its filters and the linear part of its chain."""
    sections = mic_sections(rate, mic.high_pass_hz, mic.low_pass_hz)
    filtered = db_to_gain(mic.gain_db) * sections_response(sections, freqs_hz, rate)
    return filtered * chain_response(mic, freqs_hz, rate)


def _filter_delays(responses: ComplexArray, signal: SignalSpectra, rate: int) -> FloatArray:
    """(M) group delay in samples of each mic's response (M, F), averaged over the power that comes through it."""
    step = 2.0 * np.pi * (signal.freqs_hz[1] - signal.freqs_hz[0]) / rate
    turn = np.angle(responses[:, 1:] * responses[:, :-1].conj())
    power = np.real(np.einsum("mmf->mf", signal.matrix))[:, 1:]
    delays: FloatArray = -(turn * power).sum(axis=1) / np.maximum(power.sum(axis=1) * step, 1e-300)
    return delays


def chain_response(mic: Mic, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) complex gain of the linear processors of a mic's chain; their latency is compensated and left out."""
    return linear_response(mic.chain, freqs_hz, Setting(rate, 1))


def hand_values(mic: Mic, rate: int, temperature_c: float) -> ByHand:
    """The delay in samples and the polarity that the recipe gives by hand."""
    polarity = {"auto": None, "normal": 1, "inverted": -1}[mic.polarity]
    delay = mic.delay
    if delay == "auto" or delay is None:
        return ByHand(None, polarity)
    if isinstance(delay, DelayByHand):
        if delay.ms is not None:
            return ByHand(ms_to_samples(delay.ms, rate), polarity)
        if delay.cm is not None:
            return ByHand(cm_to_samples(delay.cm, rate, temperature_c), polarity)
        return ByHand(delay.samples, polarity)
    return ByHand(0.0, polarity)


def pair_evidence(case: Case, m: int, n: int) -> Against:
    """Mic m against mic n alone; the delay between them does not matter."""
    turned = np.zeros((len(case.mics), len(case.signal.freqs_hz)), np.complex128)
    turned[n] = 1.0
    return against_rest(case.signal, m, turned)


def _find_trusted(case: Case, reference: str, silent: list[str], stranger: str) -> None:
    """Find the largest group of mutually coherent close mics; refuse close mics that stay outside.

    Where groups are equal, or nobody agrees with anybody, the reference's own group is believed. stranger: slug of
    the refusal of mics outside.
    """
    close = [m for m in range(len(case.mics)) if case.close[m]]
    for m in close:
        if case.mics[m] in silent:
            case.trusted[m] = False
            case.refusals[case.mics[m]] = "alignment-silent"
    alive = [m for m in close if case.trusted[m]]
    if len(alive) < 2 or reference not in case.mics:
        return
    links = {(m, n): _link(case, m, n) for m in alive for n in alive if m != n}
    groups = _groups(alive, {pair for pair, link in links.items() if link[2]})
    group = max(groups, key=lambda g: (len(g), case.index(reference) in g))
    if len(group) == 1:
        group = next((g for g in groups if case.index(reference) in g), group)
    for m in alive:
        best = max((links[m, n] for n in alive if n != m), key=lambda link: (link[2], link[0]))
        case.coherence[m], case.agreement[m] = best[0], best[1]
        if m not in group:
            case.trusted[m] = False
            case.refusals[case.mics[m]] = stranger


def _groups(mics: list[int], links: set[tuple[int, int]]) -> list[list[int]]:
    """Connected groups of mics, each in the order of the mics."""
    left, groups = list(mics), []
    while left:
        group = [left.pop(0)]
        for member in group:
            joined = [m for m in left if (m, member) in links or (member, m) in links]
            group.extend(joined)
            left = [m for m in left if m not in joined]
        groups.append(sorted(group))
    return groups


def _link(case: Case, m: int, n: int) -> tuple[float, float, bool]:
    """Coherence and agreement of the halves of two mics, and whether they hear the same performance."""
    evidence = pair_evidence(case, m, n)
    coherence, agreement = mean_coherence(evidence), halves_agreement(evidence)
    return coherence, agreement, coherence >= MIN_COHERENCE and agreement >= MIN_AGREEMENT


def efficiency_of(case: Case, decisions: Sequence[MicDecision], rate: int) -> Efficiency:
    """As recorded against as decided, over the close mics that are in the sum."""
    chosen, before, after = decided_terms(case, decisions, rate)
    return measure_efficiency(case.performance, case.signal, chosen, before, after)


def decided_terms(
    case: Case, decisions: Sequence[MicDecision], rate: int
) -> tuple[BoolArray, ComplexArray, ComplexArray]:
    """(M) mics in the sum, and (M, F) phase terms as recorded and as decided."""
    own = [d for d in decisions if d.performance == case.performance]
    chosen = np.array([case.close[m] and own[m].summed for m in range(len(own))])
    freqs = case.signal.freqs_hz
    zeros, ones = np.zeros(len(own)), np.ones(len(own))
    rotated = np.ones((len(own), len(freqs)), np.complex128)
    for m, decision in enumerate(own):
        if decision.rotation is not None:
            rotated[m] = rotation_response(decision.rotation, freqs, rate)
    offsets = np.array(case.offsets, np.float64)
    before = phase_terms(freqs, rate, zeros - offsets, ones)
    delays, signs = np.array([d.delay_samples for d in own]), np.array([float(d.polarity) for d in own])
    return chosen, before, phase_terms(freqs, rate, delays - offsets, signs, rotated)
