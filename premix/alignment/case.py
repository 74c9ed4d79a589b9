"""One performance as the solver sees it: its signal spectra, which mics may take part, what the recipe fixes.

Finished decisions become phase terms of the same case, and give the sum efficiency that they reach.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from premix.alignment.evidence import against_rest, halves_agreement, mean_coherence
from premix.alignment.kernel import SignalSpectra, measure_efficiency, phase_terms, signal_spectra
from premix.alignment.lateness import FINE_SEARCH_MS, delay_by_hand
from premix.alignment.rotation import rotation_response
from premix.alignment.shares import mic_shares
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.filters import mic_sections, sections_response
from premix.model.alignment import Efficiency, MicDecision
from premix.model.song import Mic, Performance, Song
from premix.processors.base import Setting
from premix.processors.chains import linear_response

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

    @property
    def all(self) -> bool:
        """Whether nothing is to be found."""
        return self.delay_samples is not None and self.polarity is not None


@dataclass(slots=True)
class Case:
    """One performance. mics: (M), in the order of the spectra; refusals: slug by name of those that may not be aligned.

    coherence: (M) with the other close mic that fits best, 1 for those that were not compared. offsets: (M) whole
    samples by which the signal is ahead of the track. filter_delays: (M) mean delay in samples of the filters and chain
    that the recipe puts on each mic. reference: the mic that stays here. late: how late those mics are, in samples,
    that lie outside the search.
    """

    performance: str
    mics: tuple[Mic, ...]
    by_hand: tuple[ByHand, ...]
    signal: SignalSpectra
    coherence: FloatArray
    refusals: dict[str, str]
    offsets: tuple[int, ...]
    filter_delays: FloatArray
    reference: str
    late: dict[str, float] = field(default_factory=dict)

    def in_step(self, starts: Mapping[int, int]) -> "Case":
        """The case with some mics (by index) read `starts` samples ahead of their tracks, as far as frames allow."""
        offsets = tuple(starts.get(m, offset) for m, offset in enumerate(self.offsets))
        ahead = np.subtract(offsets, self.offsets)[:, None]
        turn = np.exp(1j * self.signal.omega * ahead)
        pair = turn[:, None, :] * turn[None, self.signal.partners, :].conj()
        signal = replace(self.signal, matrix=self.signal.matrix * pair, responses=self.signal.responses * turn)
        return replace(self, signal=signal, offsets=offsets)

    @property
    def chosen(self) -> BoolArray:
        """(M) close mics that are summed and may be aligned."""
        out = (mic.is_room or mic.mute or mic.name in self.refusals for mic in self.mics)
        return ~np.fromiter(out, np.bool_, len(self.mics))

    def index(self, name: str) -> int | None:
        """Where the mic of that name stands, None where this performance has none."""
        return next((m for m, mic in enumerate(self.mics) if mic.name == name), None)


def build_case(song: Song, performance: Performance) -> Case:
    """Prepare one performance: filters and gains of its mics, noise, and who is coherent with whom."""
    case = untried_case(song, performance)
    wide = song.alignment.search_ms > FINE_SEARCH_MS
    _find_trusted(case, case.reference, "alignment-offset" if wide else "alignment-incoherent")
    return case


def untried_case(song: Song, performance: Performance) -> Case:
    """Prepare one performance whose mics are decided already: nobody is held against anybody."""
    spectra, mics, rate = performance.spectra, performance.judged, song.rate
    responses = mic_responses(mics, spectra.freqs_hz, rate)
    signal = signal_spectra(spectra, rate, responses, np.array([mic.role == "sub" for mic in mics]))
    return Case(
        performance=performance.name,
        mics=mics,
        by_hand=tuple(_by_hand(mic, rate, song.alignment.temperature_c) for mic in mics),
        signal=signal,
        coherence=np.ones(len(mics)),
        refusals={},
        offsets=spectra.offsets,
        filter_delays=_filter_delays(responses, signal),
        reference=performance.reference,
    )


def mic_responses(mics: Sequence[Mic], freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(M, F) complex gain of each mic before the sum."""
    return np.stack([_response(mic, freqs_hz, rate) for mic in mics])


def _response(mic: Mic, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) complex gain of a mic before the sum: its gain, its filters and the linear part of its chain."""
    sections = mic_sections(rate, mic.high_pass_hz, mic.low_pass_hz)
    return mic.gain * sections_response(sections, freqs_hz, rate) * chain_response(mic, freqs_hz, rate)


def chain_response(mic: Mic, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) complex gain of the linear processors of a mic's chain; their latency is compensated and left out."""
    return linear_response(mic.chain, freqs_hz, Setting(rate, 1))


def _filter_delays(responses: ComplexArray, signal: SignalSpectra) -> FloatArray:
    """(M) group delay in samples of each mic's response (M, F), averaged over the power that comes through it."""
    step = 2.0 * np.pi * (signal.freqs_hz[1] - signal.freqs_hz[0]) / signal.rate
    turn = np.angle(responses[:, 1:] * responses[:, :-1].conj())
    power = signal.power[:, 1:]
    delays: FloatArray = -(turn * power).sum(axis=1) / np.maximum(power.sum(axis=1) * step, 1e-300)
    return delays


def _by_hand(mic: Mic, rate: int, temperature_c: float) -> ByHand:
    return ByHand(delay_by_hand(mic, rate, temperature_c), mic.polarity)


def _find_trusted(case: Case, reference: str, stranger: str) -> None:
    """Find the largest group of mutually coherent close mics; refuse close mics that stay outside.

    Where groups are equal, or nobody agrees with anybody, the reference's own group is believed. stranger: slug of
    the refusal of mics outside.
    """
    close = [m for m, mic in enumerate(case.mics) if not mic.is_room]
    alive = [m for m in close if case.mics[m].levels.sample_peak >= SILENT_PEAK]
    case.refusals |= {case.mics[m].name: "alignment-silent" for m in close if m not in alive}
    anchor = case.index(reference)
    if len(alive) < 2 or anchor is None:
        return
    heard = [n for n in case.signal.partners.tolist() if n in alive]
    links = {(m, n): _link(case, m, n) for m in alive for n in heard if m != n}
    groups = _groups(alive, {pair for pair, link in links.items() if link[0]})
    group = max(groups, key=lambda g: (len(g), anchor in g))
    if len(group) == 1:
        group = next((g for g in groups if anchor in g), group)
    for m in alive:
        others = [n for n in heard if n != m]
        others = [n for n in others if case.mics[n].presence >= case.mics[m].presence] or others
        _, case.coherence[m] = max((links[m, n] for n in others), default=(False, 0.0))
        if m not in group:
            case.refusals[case.mics[m].name] = stranger


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


def _link(case: Case, m: int, n: int) -> tuple[bool, float]:
    """Whether mics m and n hear the same performance, and the coherence of m against n alone.

    The delay between them does not matter.
    """
    turned = np.zeros((len(case.mics), len(case.signal.freqs_hz)), np.complex128)
    turned[n] = 1.0
    evidence = against_rest(case.signal, m, turned)
    # A mic that is there for a part of the song is judged on that part: in the rest the other one was alone.
    coherence = min(1.0, mean_coherence(evidence) / (case.mics[m].presence * case.mics[n].presence))
    return coherence >= MIN_COHERENCE and halves_agreement(evidence) >= MIN_AGREEMENT, coherence


def as_recorded(mic: Mic, reference: str) -> MicDecision:
    """The decision to leave a mic alone, in the sum unless it is muted or a DI."""
    summed = not mic.mute and not mic.is_di
    return MicDecision(mic.performance, mic.name, mic.role, reference, 0.0, 1, "auto", summed=summed)


def efficiency_of(case: Case, own: Sequence[MicDecision]) -> Efficiency:
    """As recorded against as decided (a decision a mic of the case), over the close mics that are in the sum."""
    chosen = np.array([decision.summed and decision.role != "room" for decision in own])
    freqs, rate = case.signal.freqs_hz, case.signal.rate
    rotated = np.ones((len(own), len(freqs)), np.complex128)
    for m, decision in enumerate(own):
        if decision.rotation is not None:
            rotated[m] = rotation_response(decision.rotation, freqs, rate)
    offsets = np.array(case.offsets, np.float64)
    delays, signs = np.array([d.delay_samples for d in own]), np.array([float(d.polarity) for d in own])
    before = phase_terms(freqs, rate, -offsets, np.ones(len(own)))
    after = phase_terms(freqs, rate, delays - offsets, signs, rotated)
    measured = measure_efficiency(case.performance, case.signal, chosen, before, after)
    return replace(measured, shares=mic_shares(case.signal, chosen, after))
