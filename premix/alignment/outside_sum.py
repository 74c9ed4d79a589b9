"""Mics that take no part in the sum, room mics and muted ones, placed against the aligned sum of the close mics.

A room mic hears the guitar first, and loudest often later: two reflections that fall together, or one that the direct
sound's fellows cancel. Its arrival is therefore the onset of its response to the close mics, not the highest peak.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.agreement import TOLERANCES_S, Estimate, agreeing
from premix.alignment.case import Case, as_recorded
from premix.alignment.evidence import Against, against_rest, delay_spread, evened, halves_agreement, mean_coherence
from premix.alignment.lag import Peak, best_within, find_peaks, rival_height
from premix.alignment.lateness import FINE_SEARCH_MS, FITS_HERE, WHOLE_FRAME
from premix.alignment.solver import State
from premix.arrays import ComplexArray, FloatArray
from premix.model.alignment import MicDecision
from premix.model.settings import AlignmentSettings
from premix.units import ms_to_samples

CLEAR_RIVAL = 0.8
"""The other polarity's best peak must stay below this, against the winner, for a room mic's polarity to be called."""
ROOM_AGREEMENT = 0.3
"""Agreement of the halves from which a room mic is known to hear this performance; chance is near 0."""
OPPOSITE = -0.3
"""Correlation of two performances' cross-spectra below which the mic was inverted between them; chance is near 0."""
RESPONSE_HZ = (60.0, 10_000.0)
"""Band of the response, Hann over the whole of it: its pulse is 0.1 ms long and has no side lobes to mistake."""
ONSET_DB = 12.0
"""The onset is the first place so near the response's highest one. ISO 3382-1:2009 takes 20 dB under the peak of a
measured response; one that is found from a riff holds chance and bleed before the direct sound, and reaches 12."""
ONSET_FLOORS = 6.0
"""And so many times the rms of what the response holds before anything can have arrived."""
ONSET_WIDTH_MS = 0.75
"""The score's peak of the onset lies within this of it."""
BEFORE_MS = (60.0, 1.0)
"""The part of the response, before the reference hears anything, that tells its floor."""
Outside = dict[tuple[int, int], MicDecision]
"""Decisions by case and mic."""


@dataclass(frozen=True, slots=True)
class _Heard:
    """A mic that hears its performance (index k). cross: (F) with the aligned sum, every band weighed by its coherence;
    response: (F) of the mic to the sum, of even magnitude, weighed by coherence too. search_samples: how far it may be.
    """

    k: int
    against: Against
    cross: ComplexArray
    response: ComplexArray
    search_samples: float

    def signed(self, sign: int) -> "_Heard":
        return replace(self, cross=sign * self.cross, response=sign * self.response)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a mic was found: samples after the sum, as it was read; the polarity of the highest peak, by how many
    dB the best of the other polarity is lower (None: there is none), and whether that is clear."""

    arrival_samples: float
    polarity: int
    margin_db: float | None
    clear: bool


def decide_outside(settings: AlignmentSettings, cases: Sequence[Case], state: State) -> Outside:
    """Place every room mic and muted mic of every performance: each alone, then those together that agree.

    Only performances of one reference can agree: elsewhere another mic is where time begins.
    """
    found: Outside = {}
    for name, reference in dict.fromkeys((mic.name, case.reference) for case in cases for mic in case.mics):
        like = [(k, case) for k, case in enumerate(cases) if case.reference == reference]
        places = [(k, case.index(name)) for k, case in like if name not in case.refusals]
        members = {k: m for k, m in places if m is not None and not cases[k].chosen[m]}
        againsts = {k: against_rest(cases[k].signal, m, state.turned(k)) for k, m in members.items()}
        heard = [_heard(settings, cases[k], k, against) for k, against in againsts.items() if _hears(against)]
        placed, usual = _placed(settings, cases, heard)
        for k, m in members.items():
            place = placed.get(k)
            found[k, m] = _decision(cases[k], againsts[k], place, reference)
            if place is not None and not cases[k].mics[m].is_room:
                _tell_late(settings, cases[k], found[k, m])
            if place is not None and usual is not None and k not in usual:
                known = next(iter(usual.values()))
                found[k, m] = replace(found[k, m], moved_samples=place.arrival_samples - known.arrival_samples)
    return found


def _tell_late(settings: AlignmentSettings, case: Case, decision: MicDecision) -> None:
    """Remember a muted mic that lies outside the search, as those of the sum are."""
    search = ms_to_samples(settings.search_ms, case.signal.rate)
    late, m = decision.arrival_samples or 0.0, case.index(decision.mic)
    if m is not None and decision.origin == "auto" and abs(late) > search + abs(float(case.filter_delays[m])):
        case.late[decision.mic] = late


def _hears(against: Against) -> bool:
    return halves_agreement(against) >= ROOM_AGREEMENT


def _heard(settings: AlignmentSettings, case: Case, k: int, against: Against) -> _Heard:
    mic, rate = case.mics[against.m], case.signal.rate
    search_ms = settings.room_search_ms if mic.is_room else min(settings.search_ms, FINE_SEARCH_MS)
    search = ms_to_samples(search_ms, rate) + abs(float(case.filter_delays[against.m]))
    low_hz, high_hz = RESPONSE_HZ
    across = np.clip((case.signal.freqs_hz - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    response = evened(against) * against.local * np.sin(np.pi * across) ** 2
    return _Heard(k, against, _even(against), response, search)


def _placed(
    settings: AlignmentSettings, cases: Sequence[Case], heard: Sequence[_Heard]
) -> tuple[dict[int, _Place], dict[int, _Place] | None]:
    """Every performance's place of one mic, by index; and those of them that agree, None where there is nothing to
    agree about. The ones that agree share what all of them heard."""
    alone = {one.k: _place(cases[one.k], one) for one in heard}
    placed = {k: place for k, place in alone.items() if place is not None}
    if not settings.pool or len(placed) < 2:
        return placed, None
    case, m = cases[heard[0].k], heard[0].against.m
    starts = {one.k: cases[one.k].offsets[one.against.m] for one in heard}
    estimates = [Estimate(k, 0, p.arrival_samples + starts[k], p.polarity, np.inf) for k, p in placed.items()]
    agreed = [e.kernel for e in agreeing(estimates, TOLERANCES_S[case.mics[m].role] * case.signal.rate)]
    if len(agreed) > 1:
        together = _pooled([one for one in heard if one.k in agreed])
        placed |= {one.k: place for one in together if (place := _place(cases[one.k], one)) is not None}
    return placed, {k: placed[k] for k in agreed}


def _place(case: Case, heard: _Heard) -> _Place | None:
    """A room mic at the onset of its response, any other mic at its highest peak; None where there is none."""
    freqs_hz, rate, search = case.signal.freqs_hz, case.signal.rate, heard.search_samples
    peaks = find_peaks(heard.cross, freqs_hz, rate, search)
    best, is_room = best_within(peaks, search), case.mics[heard.against.m].is_room
    if not is_room:
        frame = rate / float(freqs_hz[1] - freqs_hz[0])
        best = _anywhere(best, find_peaks(heard.cross, freqs_hz, rate, WHOLE_FRAME * frame, 1))
        search = max(search, abs(best.delay_samples)) if best is not None else search
    if best is None:
        return None
    rival = rival_height(heard.cross, freqs_hz, rate, search, best)
    margin_db = 20.0 * float(np.log10(best.height / rival)) if rival > 0.0 else None
    first = _first_sound(heard, freqs_hz, rate) if is_room else best.delay_samples
    return _Place(first, best.polarity, margin_db, rival <= CLEAR_RIVAL * best.height)


def _anywhere(within: Peak | None, peaks: Sequence[Peak]) -> Peak | None:
    """The best place of a muted mic: that within the search, unless it fits better elsewhere in the frame."""
    far = next(iter(peaks), None)
    fits = within is not None and (far is None or within.height >= FITS_HERE * far.height)
    return within if fits else far


def _first_sound(heard: _Heard, freqs_hz: FloatArray, rate: int) -> float:
    """Samples after the aligned sum at which a room mic hears the guitar first."""
    onset = onset_samples(heard.response, freqs_hz, rate, heard.search_samples)
    width = ms_to_samples(ONSET_WIDTH_MS, rate)
    there = heard.cross * np.exp(2j * np.pi * freqs_hz / rate * onset)
    near = best_within(find_peaks(there, freqs_hz, rate, width), width)
    return onset + (near.delay_samples if near is not None else 0.0)


def onset_samples(response: ComplexArray, freqs_hz: FloatArray, rate: int, search_samples: float) -> float:
    """First place within +-search at which the envelope of a response (F) comes near its height there.

    The envelope is that of the analytic signal, so that the polarity does not matter.
    """
    step_hz = float(freqs_hz[1] - freqs_hz[0])
    size = 2 * round(rate / step_hz)
    spectrum = np.zeros(size, np.complex128)
    first = round(float(freqs_hz[0]) / step_hz)
    spectrum[first : first + len(response)] = response
    envelope = np.abs(np.fft.ifft(spectrum))
    start, stop = (round(2.0 * ms_to_samples(ms, rate)) for ms in BEFORE_MS)
    floor = float(np.sqrt(np.mean(envelope[-start:-stop] ** 2)))
    reach = round(2.0 * search_samples)
    within = envelope[np.arange(-reach, reach + 1)]
    top = float(within.max())
    least = min(max(top * 10.0 ** (-ONSET_DB / 20.0), ONSET_FLOORS * floor), 0.9 * top)
    at = int(np.argmax(within >= least))
    while at + 1 < len(within) and within[at + 1] > within[at]:
        at += 1
    return 0.5 * (at - reach)


def _decision(case: Case, against: Against, place: _Place | None, reference: str) -> MicDecision:
    """By hand first, then what was found; without clear evidence the mic stays as recorded."""
    signal, m = against.signal, against.m
    hand, start = case.by_hand[m], float(case.offsets[m])
    spread = delay_spread([against])
    decision = replace(
        as_recorded(case.mics[m], reference),
        delay_samples=hand.delay_samples or 0.0,
        polarity=hand.polarity or 1,
        origin="recipe" if hand.all else "auto",
        coherence=mean_coherence(against),
        chance=signal.chance,
        spread_samples=spread if np.isfinite(spread) else None,
    )
    if place is None:
        return decision
    arrival = start + place.arrival_samples
    return replace(
        decision,
        delay_samples=arrival if hand.delay_samples is None else hand.delay_samples,
        polarity=hand.polarity or (place.polarity if place.clear else 1),
        arrival_samples=arrival,
        margin_db=place.margin_db,
        polarity_clear=place.clear,
    )


def _pooled(heard: Sequence[_Heard]) -> list[_Heard]:
    """What all performances heard together, for each with its own sign: a mic that was inverted in one performance
    shows the others' phase turned over; it is turned back before the sum."""
    total, response, signs = heard[0].cross, heard[0].response, [1]
    for one in heard[1:]:
        size = float(np.linalg.norm(one.cross) * np.linalg.norm(total))
        signs.append(-1 if float(np.vdot(total, one.cross).real) < OPPOSITE * size else 1)
        total, response = total + signs[-1] * one.cross, response + signs[-1] * one.response
    sums = replace(heard[0], cross=total, response=response)
    return [replace(sums.signed(sign), k=one.k, against=one.against) for sign, one in zip(signs, heard, strict=True)]


def _even(against: Against) -> ComplexArray:
    """Cross-spectrum in which every band of the mic weighs by its coherence, whatever its level."""
    even = np.zeros_like(against.cross)
    for b, part in enumerate(against.signal.slices):
        size = float(np.abs(against.cross[part]).sum())
        if against.signal.mask[against.m, b] and size > 0.0:
            even[part] = against.cross[part] / size * float(np.sqrt(against.coherence[b]))
    return even
