"""From the followed key to played passages: where each starts and stops, to the millisecond.

A passage starts where the guitar rises out of the rest, and stops where a hand falls on the strings, or where the last
note has sunk to the floor. A hand is a sudden fall: what is heard after it, the guitar's own room or a string that
still rings, is no playing until something rises out of it again, or until it turns out not to die away at all.
"""

import bisect
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from premix.arrays import BoolArray, FloatArray
from premix.gate.following import RISES_DB
from premix.gate.key import QUIETEST_DB, Key

FALL_MS, FALL_DB = 12.0, 12.0
"""A hand on the strings: the level falls by 12 dB from 12 ms before to 12 ms after (0.5 dB/ms). Damped strings fall by
2 to 5 dB/ms; drums, palm mutes and rooms by 0.1 to 0.5."""
QUICK_DB, QUICK_MS = 8.0, 4.0
"""And somewhere in there by 8 dB within 8 ms (1 dB/ms): strings that die away fall evenly."""
HAND_DB = 5.0
"""Where it reaches the floor, half of that is a hand: no note falls so fast by itself."""
RISE_DB = 8.0
"""A new start rises this far above the lowest level since the stop."""
FLAT_FROM_MS, FLAT_TO_MS, FLAT_DB_PER_S, FLAT_ABOVE_DB = 40.0, 150.0, 30.0, 3.0
"""What falls by less than 30 dB/s after a sudden fall is played on softly: rooms fall by 60 dB/s and more (1 s)."""
EDGE_MS, EDGE_DB = 30.0, 12.0
"""Within 30 ms of where a level is passed, the sound starts or stops where it is this far below its top."""
STOP_DB = 10.0
"""Of a stop: an amp that clips hides the first of the fall, and what stays 11 dB under the riff may be a hit."""
ONSET_MS = 10.0
"""A start is not looked for further ahead than this: what comes before is bleed."""
SMEAR_MS = 4.0
"""Half a judged frame: so close to a start or a stop, what was taken for bleed may be the guitar."""
MUTE_DB_PER_S, BRIDGE_MS = 50.0, 300.0
"""A muted note dies away at 50 dB/s or more; when another follows within 300 ms the riff has not stopped."""


@dataclass(frozen=True, slots=True)
class Passage:
    """A stretch of playing, in control frames. muted: it died away like a mute; sudden: a hand stopped it.
    peak_db: its highest level."""

    on: int
    off: int
    muted: bool
    sudden: bool
    peak_db: float


@dataclass(frozen=True, slots=True)
class Levels:
    """A stretch of the key, in dB re full scale: as it is, and without bleed; the levels that open and shut. start:
    its first frame."""

    start: int
    key: FloatArray
    clean: FloatArray
    opens: FloatArray
    shuts: FloatArray


class PassageFinder:
    """Finds passages in a song that comes in stretches. span: control frames of a time in ms."""

    def __init__(self, key: Key) -> None:
        self._edge, self._onset, self._fall = (key.span(ms) for ms in (EDGE_MS, ONSET_MS, FALL_MS))
        self._smear, self._quick = key.span(SMEAR_MS), key.span(QUICK_MS)
        self._flat = key.span(FLAT_FROM_MS), key.span(FLAT_TO_MS)
        self._flat_db = FLAT_DB_PER_S * (FLAT_TO_MS - FLAT_FROM_MS) / 1000.0
        self._frames, self._frame_s = key.frames, key.frame_s
        self.before, self.after = self._edge + self._fall, self._flat[1] + 1
        self._playing, self._at, self._low, self._on = False, 0, QUIETEST_DB, 0
        self._high, self._peak_db, self._mute = 0, -np.inf, 0.0

    def feed(self, levels: Levels) -> Iterator[Passage]:
        """Passages that end in a stretch; it has `before` frames more at its beginning, `after` at its end."""
        size = levels.clean.size - self.before - self.after
        core = slice(self.before, self.before + size)
        now, opens = levels.clean[core], levels.opens[core]
        earlier, later = (levels.clean[core.start + by :][:size] for by in (-self._fall, self._fall))
        sunk = now < levels.shuts[core]
        ends = np.flatnonzero(sunk | self._hands(levels.clean, earlier - later >= FALL_DB))
        loud = np.flatnonzero(now >= opens)
        while self._at < size:
            if not self._playing:
                if not self._opens(levels, now, opens):
                    break
            else:
                number = int(np.searchsorted(ends, self._at))
                stop = int(ends[number]) if number < ends.size else size
                self._peak_db = max(self._peak_db, float(now[self._at : stop].max(initial=-np.inf)))
                if stop == size:
                    self._at = size
                elif not sunk[stop] and self._flattens(levels, stop):
                    self._at = stop + self._flat[1]
                else:
                    yield from self._stops(levels, stop, bool(sunk[stop]), loud)
        self._at -= size
        self._high = levels.start + int(loud[-1]) if loud.size else self._high

    def _hands(self, level: FloatArray, falls: BoolArray) -> BoolArray:
        """Those of the core's frames around which a level falls far that have a quick fall within FALL_MS."""
        at = np.flatnonzero(falls)
        if not at.size:
            return falls
        quick = np.flatnonzero(self._falls_quickly(level)) + self._quick
        reach = [np.searchsorted(quick, self.before + at + by) for by in (-self._fall, self._fall + 1)]
        hands = np.zeros(falls.size, bool)
        hands[at[reach[0] < reach[1]]] = True
        return hands

    def _falls_quickly(self, level: FloatArray) -> BoolArray:
        """Whether a level falls quickly, but for the first and last QUICK_MS of it."""
        return level[: -2 * self._quick] - level[2 * self._quick :] >= QUICK_DB

    def finish(self) -> Iterator[Passage]:
        """The passage that lasts to the end of the song, if there is one."""
        if self._playing:
            yield Passage(self._on, self._frames, False, False, self._peak_db)

    def _opens(self, levels: Levels, now: FloatArray, opens: FloatArray) -> bool:
        """Go on to the next start; False where the stretch holds none."""
        at, reach = self._at, 256
        while at < now.size:
            part = now[at : at + reach]
            low = np.minimum(np.minimum.accumulate(part), self._low)
            rises = part >= np.maximum(opens[at : at + reach], low + RISE_DB)
            k = int(np.argmax(rises))
            if rises[k]:
                self._start(levels, at + k)
                return True
            self._low, at, reach = float(low[-1]), at + part.size, 4 * reach
        self._at = now.size
        return False

    def _start(self, levels: Levels, k: int) -> None:
        at = self.before + k
        around, ahead = levels.key[at - self._onset : at + self._edge], slice(at - self._onset, at - self._smear)
        bleed = levels.key[ahead][levels.clean[ahead] < levels.key[ahead]]
        top = self._onset + int(np.argmax(around[self._onset :]))
        softer = np.flatnonzero(~_sounding(around, float(bleed.max(initial=-np.inf)))[:top])
        rise = int(softer[-1]) + 1 if softer.size else 0
        self._on = max(0, levels.start + k - self._onset + rise) if levels.start + k else 0
        self._playing, self._at, self._peak_db = True, k + 1, float(levels.clean[at])
        self._mute = float(levels.opens[at] - levels.shuts[at]) / MUTE_DB_PER_S / self._frame_s

    def _stops(self, levels: Levels, k: int, sunk: bool, loud: npt.NDArray[np.intp]) -> Iterator[Passage]:
        at = self.before + k
        off = levels.start + k - self._edge + self._fallen(levels, at, sunk)
        last = int(np.searchsorted(loud, k))
        high = levels.start + int(loud[last - 1]) if last else self._high
        damped = float(levels.clean[at - self._fall] - levels.clean[at + self._fall]) >= HAND_DB
        muted = sunk and not damped and levels.start + k - high <= self._mute
        if off > self._on:
            yield Passage(self._on, off, muted, damped or not sunk, self._peak_db)
        self._playing, self._at, self._low = False, k + 1, float(levels.clean[at])

    def _fallen(self, levels: Levels, at: int, sunk: bool) -> int:
        """Where the sound has stopped around frame `at` of a stretch: frames after the first that is looked at."""
        around = slice(at - self._edge, at + self._edge)
        key = levels.key[around]
        hidden = levels.clean[around] < key
        fall = key[: self._edge + 1 + int(np.argmin(key[self._edge :]))]
        first, bleed_db = 0, -np.inf
        if hidden.any():
            known = hidden[: fall.size - self._smear] & hidden[self._smear : fall.size]
            bleed_db = float(fall[self._smear :][known].max(initial=-np.inf))
        elif not sunk:
            first = self._before_hand(key)
        return first + int(np.flatnonzero(_sounding(fall[first:], bleed_db, STOP_DB))[-1]) + 1

    def _before_hand(self, key: FloatArray) -> int:
        """From which frame on the edge of a hand's fall is looked for: not from the top of a note that had died away
        ahead of it. key: EDGE_MS to either side of where it falls."""
        reach = self._fall + self._quick
        quick = self._falls_quickly(key[self._edge - reach : self._edge + reach + 1])
        before = self._edge - 2 * self._fall + int(np.argmax(quick))
        return before if key[: before + 1].max() >= key[before] + HAND_DB else 0

    def _flattens(self, levels: Levels, k: int) -> bool:
        """Whether what is left after a sudden fall does not die away."""
        part = levels.clean[self.before + k + self._flat[0] : self.before + k + self._flat[1] + 1]
        first, last = float(part[0]), float(part[-1])
        opens = float(levels.opens[self.before + k + self._flat[1]])
        level = first - self._flat_db <= last > opens + FLAT_ABOVE_DB and float(part.max()) < first + RISE_DB
        return level and float(part.min()) > opens  # nor was it gone in between


def _sounding(part: FloatArray, bleed_db: float = -np.inf, edge_db: float = EDGE_DB) -> BoolArray:
    """Where an edge is high: `edge_db` below its top, or half-way down where it is smaller than that. bleed_db: level
    of a hit beside it, if there is one: what rises out of that by RISES_DB is the guitar."""
    top, bottom = float(part.max()), float(part.min())
    half = (top + bottom) / 2.0
    if bleed_db + RISES_DB <= top:
        half = max(half, min((top + bleed_db) / 2.0, bleed_db + RISES_DB))
    return part >= max(top - edge_db, half)


def joined(passages: Iterable[Passage], bridge: int) -> Iterator[Passage]:
    """Passages, with muted notes that die away and are followed by another within `bridge` frames put together."""
    held: Passage | None = None
    for passage in passages:
        if held is not None and (passage.on <= held.off or (held.muted and passage.on - held.off < bridge)):
            peak_db = max(held.peak_db, passage.peak_db)
            passage = replace(passage, on=held.on, off=max(passage.off, held.off), peak_db=peak_db)
        elif held is not None:
            yield held
        held = passage
    if held is not None:
        yield held


def without_ghosts(passages: Sequence[Passage], shortest: int, softer_db: float) -> Iterator[Passage]:
    """Passages without those that are shorter than `shortest` frames and `softer_db` under the softer of the passages
    of full length before and after: the loud level around."""
    whole = [p for p in passages if p.off - p.on >= shortest]
    for passage in passages:
        if passage.off - passage.on < shortest:
            after = bisect.bisect(whole, passage.on, key=lambda p: p.on)
            around = [p.peak_db for p in whole[max(0, after - 1) : after + 1]]
            if around and passage.peak_db <= min(around) - softer_db:
                continue
        yield passage
