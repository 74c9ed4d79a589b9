"""Steps: what a mic that changes is read through, passages against its longest one.

They are placed on the samples from the parts of a trail, or from spans in which the mic does not fit, put on top of
each other where a mic was followed twice, and become the passages of its decision.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from premix.alignment.case import Case
from premix.alignment.changes import MIN_DRIFT_PPM, Change, Part
from premix.alignment.placing import Answer, Heard, place_of_change, slip_of
from premix.alignment.trails import MIN_CHANGE_S, Trails
from premix.model.alignment import MicDecision, Passage
from premix.model.song import Mic, Song

NEAREST_S, SHORTEST_S = 0.05, 0.4
"""Changes nearer to each other than this are one, and parts shorter than this none."""
FAR_S = 0.004
"""What a trail says of changes beyond this is asked of the samples: windows take 24 ms for 19 the other way."""
AROUND_S = 2.0
"""A slip begins and ends within this of where it is seen."""
SMALLEST_SAMPLES = 1.0
"""Two parts of a drift whose ends lie this near meet there."""


class Placing:
    """Puts the parts of one mic's trail on the time line."""

    def __init__(self, song: Song, case: Case, trails: Trails, decisions: Sequence[MicDecision], m: int) -> None:
        self._trails, self._decisions = trails, decisions
        self._stretches, self._rate, self._end_s = trails.stretches, song.rate, song.frames / song.rate
        heard = [Heard(mic, trails.responses[n], trails.freqs_hz) for n, mic in enumerate(case.mics)]
        self._m, self._one, self._own, self._mean = m, heard[m], decisions[m], trails.means[m]
        self._rest = [
            (n, heard[n])
            for n, d in enumerate(decisions)
            if n != m and d.summed and d.role != "room" and d.refusal is None
        ]

    def steps(self, parts: Sequence[Part]) -> tuple[Passage, ...]:
        """The parts as passages against the longest, at its middle, which is 0 and 1 itself: the longest of those that
        are near to where the mic was decided to be, if there are any."""
        kept = list(parts)
        edges = self._edges(kept)
        while (short := self._too_short(kept, edges)) is not None:
            del kept[short]
            edges = self._edges(kept)
        lengths = [to_s - from_s for from_s, to_s in itertools.pairwise(edges)]
        starts = zip(kept, edges[:-1], strict=True)
        near = [i for i, (part, at_s) in enumerate(starts) if abs(self._at(part, at_s)) <= FAR_S * self._rate]
        longest = max(near or range(len(kept)), key=lambda i: lengths[i])
        home, sign = self._at(kept[longest], 0.5 * (edges[longest] + edges[longest + 1])), kept[longest].sign
        return tuple(
            Passage(from_s, to_s, self._at(part, from_s) - home, part.sign * sign, 1e6 * part.slope / self._rate)
            for part, (from_s, to_s) in zip(kept, itertools.pairwise(edges), strict=True)
        )

    def confirmed(self, parts: Sequence[Part]) -> list[Part]:
        """The parts, where they go far as the samples have them, in the trail as well; neighbours that are then the
        same put together."""
        delays = [part.delay for part in parts]
        if max(delays) - min(delays) <= FAR_S * self._rate:
            return list(parts)
        found: list[Part] = []
        for part in parts:
            if not part.slope:
                here = self._own.delay_samples + part.delay, self._own.polarity * part.sign
                rest = [(heard, self._believed(n, part.first, part.stop - 1)) for n, heard in self._rest]
                span_s = self._stretches[part.first].from_s, self._stretches[part.stop - 1].to_s
                off = slip_of(self._one, rest, here, self._mean, *span_s) if rest else None
                if off is not None and abs(off[0]) > SMALLEST_SAMPLES:
                    part = replace(part, delay=part.delay + off[0], sign=part.sign * off[1])
                    self._trails.delays[part.first : part.stop, self._m] += off[0]
                    self._trails.signs[part.first : part.stop, self._m] *= off[1]
            last = found[-1] if found else None
            if last is not None and last.sign == part.sign and abs(last.delay - part.delay) <= 2.0 * SMALLEST_SAMPLES:
                found[-1] = replace(last, stop=part.stop)
            else:
                found.append(part)
        return found

    def slips(self, spans_s: Sequence[tuple[float, float]]) -> tuple[Passage, ...]:
        """Spans in which the mic does not fit as passages, those in which it plays clearly elsewhere; () for none.

        The others are taken to be where they were decided: in such a span trails make them meet the mic half way.
        """
        home = self._own.delay_samples, self._own.polarity
        rest = [(heard, (self._decisions[n].delay_samples, self._decisions[n].polarity)) for n, heard in self._rest]
        steps = [Passage(0.0, self._end_s, 0.0, 1)]
        for from_s, to_s in spans_s if rest else ():
            off = slip_of(self._one, rest, home, self._mean, from_s, min(to_s, self._end_s))
            if off is None or (abs(off[0]) <= SMALLEST_SAMPLES and off[1] > 0):
                continue
            there = home[0] + off[0], home[1] * off[1]
            begin_s, end_s = self._edge(rest, home, there, from_s), self._edge(rest, there, home, to_s)
            begin_s = begin_s if begin_s > self._stretches[0].from_s + SHORTEST_S else 0.0
            end_s = end_s if end_s < self._stretches[-1].to_s - SHORTEST_S else self._end_s
            if end_s - begin_s > SHORTEST_S and begin_s >= steps[-1].from_s:
                steps[-1] = replace(steps[-1], to_s=begin_s)
                steps += [Passage(begin_s, end_s, *off), Passage(end_s, self._end_s, 0.0, 1)]
        kept = tuple(step for step in steps if step.to_s > step.from_s)
        return kept if len(kept) > 1 else ()

    def _edge(self, rest: Sequence[tuple[Heard, Answer]], before: Answer, after: Answer, near_s: float) -> float:
        """Where one answer gives way to another, near a place."""
        lo_s, hi_s = max(0.0, near_s - AROUND_S), min(near_s + AROUND_S, self._end_s)
        return place_of_change(self._one, rest, before, after, self._mean, lo_s, hi_s)

    def _too_short(self, parts: Sequence[Part], edges: Sequence[float]) -> int | None:
        """A part of a single stretch that vanishes when its ends are placed: it only held the change."""
        lengths = [to_s - from_s for from_s, to_s in itertools.pairwise(edges)]
        single = [i for i, part in enumerate(parts) if part.stop - part.first == 1 and 0 < i < len(parts) - 1]
        return next((i for i in single if lengths[i] < SHORTEST_S), None)

    def _edges(self, parts: Sequence[Part]) -> list[float]:
        """Where each part begins, in seconds, and where the last ends."""
        places = [self._place(before, after) for before, after in itertools.pairwise(parts)]
        return list(itertools.accumulate([0.0, *places, self._end_s], max))

    def _place(self, before: Part, after: Part) -> float:
        last, first = self._stretches[before.stop - 1], self._stretches[after.first]
        middle = 0.5 * (last.to_s + first.from_s)
        ends = self._at(before, middle), self._at(after, middle)
        if before.sign == after.sign and abs(ends[0] - ends[1]) < SMALLEST_SAMPLES:
            return middle  # a drift that bends
        answers = [
            (self._own.delay_samples + delay, self._own.polarity * part.sign)
            for delay, part in zip(ends, (before, after), strict=True)
        ]
        lo_s, hi_s = max(0.0, last.from_s), min(first.to_s, self._end_s)
        rest = [(heard, self._believed(n, before.stop - 1, after.first)) for n, heard in self._rest]
        return place_of_change(self._one, rest, answers[0], answers[1], self._mean, lo_s, hi_s)

    def _believed(self, n: int, first: int, last: int) -> Answer:
        """Where mic n stands from stretch `first` to `last`."""
        trails, own = self._trails, self._decisions[n]
        turned = int(trails.signs[first, n])
        return own.delay_samples + float(np.median(trails.delays[first : last + 1, n])), own.polarity * turned

    def _at(self, part: Part, time_s: float) -> float:
        return part.at(time_s, self._stretches)


def changes_of(mic: str, steps: Sequence[Passage], rate: int) -> Iterator[Change]:
    """What steps say: turns of polarity and jumps between them, drifts within."""
    for before, after in itertools.pairwise(steps):
        size = after.delay_samples - _end(before, rate)
        if before.polarity != after.polarity:
            yield Change("turned", mic, after.from_s, after.from_s, samples=size)
        elif abs(size) >= SMALLEST_SAMPLES or not (before.ppm or after.ppm):
            yield Change("jump", mic, after.from_s, after.from_s, samples=size)
    for step in steps:
        if abs(step.ppm) >= MIN_DRIFT_PPM:
            size = _end(step, rate) - step.delay_samples
            yield Change("drift", mic, step.from_s, step.to_s, samples=size, ppm=step.ppm)


def _end(step: Passage, rate: int) -> float:
    """Its delay where it ends."""
    return step.delay_samples + 1e-6 * step.ppm * (step.to_s - step.from_s) * rate


def worth_following(steps: Sequence[Passage], role: str, rate: int) -> bool:
    """Whether steps go far enough to be worth their own delays."""
    ends = [delay for step in steps for delay in (step.delay_samples, _end(step, rate))]
    return len({step.polarity for step in steps}) > 1 or float(np.ptp(ends)) >= 2.0 * MIN_CHANGE_S[role] * rate


def composed(first: Sequence[Passage], then: Sequence[Passage], role: str, rate: int) -> tuple[Passage, ...]:
    """Steps found on a track that was itself read through steps, as one list; neighbours that are not worth telling
    apart are one."""
    if not first:
        return tuple(then)
    edges = sorted({p.from_s for p in (*first, *then)} | {then[-1].to_s})
    steps: list[Passage] = []
    for from_s, to_s in itertools.pairwise(edges):
        if to_s - from_s > NEAREST_S:
            middle = 0.5 * (from_s + to_s)
            both = [next(p for p in reversed(list_) if p.from_s <= middle) for list_ in (first, then)]
            delay = sum(p.delay_samples + 1e-6 * p.ppm * (from_s - p.from_s) * rate for p in both)
            start = steps[-1].to_s if steps else from_s
            step = Passage(start, to_s, delay, both[0].polarity * both[1].polarity, both[0].ppm + both[1].ppm)
            pair = (steps[-1], step) if steps else ()
            if pair and not any(p.ppm for p in pair) and not worth_following(pair, role, rate):
                long = [p.to_s - p.from_s for p in pair]
                mean = sum(p.delay_samples * own for p, own in zip(pair, long, strict=True)) / sum(long)
                steps[-1] = replace(steps[-1], to_s=to_s, delay_samples=mean)
            else:
                steps.append(step)
    return tuple(steps)


def passages_of(mic: Mic) -> tuple[Passage, ...]:
    """Its steps on top of its delay and polarity; those that a sheet gives as they stand, to the last bit."""
    own = mic.decision
    return own.passages or tuple(
        replace(step, delay_samples=own.delay_samples + step.delay_samples, polarity=own.polarity * step.polarity)
        for step in mic.steps
    )
