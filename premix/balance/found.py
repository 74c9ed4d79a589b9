"""A rough mix of a song's tracks as a balance of its recipe: gains of the mics, levels and pans of the performances."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from premix.arrays import BoolArray, FloatArray
from premix.audio.gains import pan_gains
from premix.audio.rough_mix import MixSamples
from premix.balance.gathered import Gathered, gather, tracks_of
from premix.balance.offset import find_offset
from premix.balance.unmix import Gains, Layout, Unmixed, heard, unmix
from premix.errors import Finding, Problem, TracksError
from premix.model.balance import FoundBalance, FoundMic, FoundPerformance
from premix.model.song import Mic, Song
from premix.units import db_to_power, gain_to_db

CREDIBLE = 0.03
"""Share of a mix below which it is not one of these tracks."""
NOT_HEARD_DB = -40.0
"""A mic that far below the loudest one, in every third octave, is not in the mix."""
UNSURE_DB = 1.5
"""A found gain that parts of the song put further apart than this is warned of."""
TILTED_DB = 1.5
"""An equaliser of the mix that lifts or lowers the sub mic's band by more than this may as well be its level."""
SUB_HZ = 160.0
FLOOR_DB = 0.2
"""Standard deviation of a found gain that no part of the song shows: an equaliser is not flat within a third octave."""
Tracks = Literal["recorded", "aligned"]


class Progress(Protocol):
    """What is told of the long step."""

    def begin(self, step: str, samples: int) -> None: ...

    def advance(self, samples: int) -> None: ...


def balance_of(song: Song, mix: MixSamples, name: str, law_db: float, progress: Progress) -> FoundBalance:
    """The balance that makes `mix` (called `name`) of the song's tracks; the recipe's reference and loudest performance
    stay where they are, as a mix has no level of its own.

    name: how messages call it. law_db: the pan law of the recipe. Raises TracksError where the mix is not one of these
    tracks.
    """
    offset = find_offset(song, mix)
    mics = tracks_of(song)
    progress.begin("holding against it", song.frames * len(mics))
    gathered = gather(song, mix, offset, progress.advance)
    layout, places = _layout(song, gathered)
    start = _start(song, gathered, layout, places)
    if not sum(gathered.frames):
        raise TracksError(Problem("like-not-these", name, "it is silent where these tracks play"))
    tried: dict[Tracks, Unmixed] = {
        "recorded": unmix(gathered, gathered.recorded, layout, start),
        "aligned": unmix(gathered, gathered.aligned, layout, start),
    }
    tracks: Tracks = max(tried, key=lambda state: tried[state].explained)
    best = tried[tracks]
    if not best.explained > CREDIBLE:
        what = f"this is not a mix of these tracks: they explain {max(0.0, best.explained):.3f} of it"
        raise TracksError(Problem("like-not-these", name, what, f"more than {CREDIBLE:g}"))
    read = _Reading(song, gathered, layout, places, tracks, law_db)
    rows, performances = read.mics(best), read.performances(best)
    equalised = zip(gathered.bands, best.gains.equaliser, strict=True)
    equaliser_db = tuple((band.centre_hz, gain_to_db(max(1e-6, abs(complex(factor))))) for band, factor in equalised)
    return FoundBalance(
        explained=best.explained,
        offset_s=(offset + best.late_samples) / song.rate,
        tracks=tracks,
        mics=rows,
        performances=performances,
        equaliser_db=equaliser_db,
        findings=tuple(_findings(song, rows, performances, equaliser_db)),
    )


Place = tuple[str, str]
"""Performance and bus."""


def _layout(song: Song, gathered: Gathered) -> tuple[Layout, tuple[Place, ...]]:
    names = list(dict.fromkeys(mic.name for mic in gathered.mics))
    places = list(dict.fromkeys((mic.performance, mic.bus) for mic in gathered.mics))
    mic = np.array([names.index(mic.name) for mic in gathered.mics], np.int64)
    place = np.array([places.index((mic.performance, mic.bus)) for mic in gathered.mics], np.int64)
    return Layout(mic, place), tuple(places)


def _names(mics: Sequence[Mic]) -> list[str]:
    return list(dict.fromkeys(mic.name for mic in mics))


def _start(song: Song, gathered: Gathered, layout: Layout, places: Sequence[Place]) -> Gains:
    """The recipe's own balance, in the middle; a mic that it mutes or hides is tried at a tenth."""
    by_mic = [np.median([m.gain for m in gathered.mics if m.name == name]) for name in _names(gathered.mics)]
    mics = np.maximum(np.array(by_mic, np.float64), 0.1 * max(by_mic))
    levels = np.array([song.performance(p).gain * song.bus(bus).gain for p, bus in places])
    levels = np.maximum(levels, 0.2 * levels.max())
    return Gains(mics, np.stack((levels, levels)), np.ones(len(gathered.bands), np.complex128))


@dataclass(frozen=True, slots=True)
class _Reading:
    """Gains of a mix read as figures of the recipe."""

    song: Song
    gathered: Gathered
    layout: Layout
    places: tuple[Place, ...]
    tracks: Tracks
    law_db: float

    def mics(self, found: Unmixed) -> tuple[FoundMic, ...]:
        side = self.gathered.aligned if self.tracks == "aligned" else self.gathered.recorded
        there = heard(found.gains, self.layout, side.among.sum(axis=0), db_to_power(NOT_HEARD_DB))
        names = _names(self.gathered.mics)
        own_db = [self._mics_db(gains, there) for gains in (found.gains, *found.without)]
        spread = _jackknife(own_db[1:])
        now = [next(mic for mic in self.gathered.mics if mic.name == name) for name in names]
        return tuple(
            FoundMic(
                name,
                gain_to_db(mic.gain) if mic.gain > 0.0 else -120.0,
                float(own_db[0][m]) if there[m] else None,
                None if spread is None or not there[m] else math.hypot(float(spread[m]), FLOOR_DB),
            )
            for m, (name, mic) in enumerate(zip(names, now, strict=True))
        )

    def _mics_db(self, gains: Gains, there: BoolArray) -> FloatArray:
        """(M) gains with the one that stays at the recipe's."""
        names = _names(self.gathered.mics)
        stays = names.index(self.song.reference) if self.song.reference in names else 0
        if not there[stays]:
            stays = int(np.argmax(gains.mics))
        own = next(mic.gain for mic in self.gathered.mics if mic.name == names[stays])
        scaled: FloatArray = 20.0 * np.log10(np.maximum(gains.mics * own / max(gains.mics[stays], 1e-9), 1e-6))
        return scaled

    def performances(self, found: Unmixed) -> tuple[FoundPerformance, ...]:
        stays = int(np.argmax(np.hypot(*found.gains.places)))
        levels, pans = zip(*(self._places(gains, stays) for gains in (found.gains, *found.without)), strict=True)
        sure_db, sure_pan = _jackknife(levels[1:]), _jackknife(pans[1:])
        loudest = float(levels[0].max())
        rows = []
        for q, (performance, bus) in enumerate(self.places):
            there = levels[0][q] > loudest + NOT_HEARD_DB
            rows.append(
                FoundPerformance(
                    performance,
                    bus,
                    gain_to_db(self.song.performance(performance).gain),
                    float(levels[0][q]) - self._bus_db(bus) if there else None,
                    None if sure_db is None or not there else float(sure_db[q]),
                    self.song.bus(bus).pan,
                    float(pans[0][q]) if there else None,
                    None if sure_pan is None or not there else float(sure_pan[q]),
                )
            )
        return tuple(rows)

    def _bus_db(self, bus: str) -> float:
        return gain_to_db(max(self.song.bus(bus).gain, 1e-6))

    def _places(self, gains: Gains, stays: int) -> tuple[FloatArray, FloatArray]:
        """(Q) levels, those of performance and bus together, with the one that stays at the recipe's; (Q) pans."""
        pans = np.array([pan_of(left, right, self.law_db) for left, right in gains.places.T])
        loss = np.array([math.hypot(*pan_gains(pan, self.law_db)) for pan in pans])
        levels: FloatArray = 20.0 * np.log10(np.maximum(np.hypot(*gains.places) / loss, 1e-6))
        performance, bus = self.places[stays]
        own = gain_to_db(max(self.song.performance(performance).gain, 1e-6)) + self._bus_db(bus)
        return levels + own - levels[stays], pans


def pan_of(left: float, right: float, law_db: float) -> float:
    """The pan, -1 to 1, whose gains stand to each other as `left` to `right` (both >= 0); 0 for silence."""
    if left <= 0.0 and right <= 0.0:
        return 0.0
    wanted = math.atan2(right, left)
    low, high = -1.0, 1.0
    for _ in range(50):  # what a pan law gives to the right against the left never falls
        middle = 0.5 * (low + high)
        gains = pan_gains(middle, law_db)
        low, high = (middle, high) if math.atan2(gains[1], gains[0]) < wanted else (low, middle)
    return round(0.5 * (low + high), 9)


def _jackknife(answers: Sequence[FloatArray]) -> FloatArray | None:
    """Standard deviations of figures, each found without one part (Efron & Stein, Ann. Statist. 9(3), 1981)."""
    if len(answers) < 2:
        return None
    values, count = np.array(answers), len(answers)
    spread: FloatArray = np.sqrt((count - 1) / count * ((values - values.mean(axis=0)) ** 2).sum(axis=0))
    return spread


def _findings(
    song: Song,
    mics: Sequence[FoundMic],
    performances: Sequence[FoundPerformance],
    equaliser_db: Sequence[tuple[float, float]],
) -> Iterator[Finding]:
    roles = {mic.name: mic.role for mic in song.mics}
    for mic in mics:
        if mic.found_db is None:
            yield Finding("like-not-heard", "info", mic.mic, "it is not in the mix, or too soft to be told")
        elif mic.sure_db is not None and mic.sure_db > UNSURE_DB:
            what = (
                f"parts of the song put its gain {mic.sure_db:.1f} dB apart: automation, or too little of it is heard"
            )
            yield Finding("like-unsure", "warning", mic.mic, what)
        if roles[mic.mic] == "sub" and mic.found_db is not None:
            low = [db for hz, db in equaliser_db if hz < SUB_HZ]
            rest = [db for hz, db in equaliser_db if hz >= SUB_HZ]
            tilt_db = float(np.mean(low) - np.mean(rest)) if low and rest else 0.0
            if abs(tilt_db) > TILTED_DB:
                what = f"the mix is equalised by {tilt_db:+.1f} dB below {SUB_HZ:.0f} Hz; this may as well be its level"
                yield Finding("like-sub-or-equaliser", "warning", mic.mic, what)
    for place in performances:
        if place.found_db is None:
            subject = f"{place.performance} on {place.bus}"
            yield Finding("like-not-heard", "info", subject, "it is not in the mix, or too soft to be told")
