"""What differs between songs that share a set-up: a mic that was moved, a polarity, a level.

The usual value of a mic is the one that most songs hold within the tolerance, of equals the earlier song's; so one
song that differs never bends it, and of two songs the second is held against the first. Tolerances are ours:
1 cm of a close mic's distance is 29 microseconds, over which 6 kHz turns by 63 degrees; room mics are estimated
more coarsely. Levels differ between songs by what is played, so only drifts beyond that are told.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from premix.batch.facts import MicFacts, SongFacts
from premix.messages.batch import SLUGS
from premix.model.finding import Finding
from premix.units import samples_to_cm

CLOSE_MS, ROOM_MS = 0.03, 0.3
LEVEL_DB, PLAYING_DB = 2.0, 3.0


@dataclass(frozen=True, slots=True)
class Difference:
    """One song's value beside the usual one of its set-up, in words with units."""

    song: str
    subject: str
    what: str
    usual: str
    here: str
    slug: str

    def finding(self) -> Finding:
        message = f"{self.what}: {self.here}, in the other songs {self.usual}"
        return Finding(self.slug, "warning", f"{self.song}/{self.subject}", message, SLUGS[self.slug])


def differences(songs: Sequence[tuple[str, SongFacts]]) -> tuple[Difference, ...]:
    """All differences between the songs (name, facts) of each set-up, by set-up, mic and song."""
    setups: dict[object, list[tuple[str, SongFacts]]] = {}
    for song in songs:
        setups.setdefault(song[1].setup, []).append(song)
    return tuple(found for group in setups.values() if len(group) > 1 for found in _in_setup(group))


def _in_setup(songs: Sequence[tuple[str, SongFacts]]) -> Iterable[Difference]:
    playing = [(name, facts.playing_db) for name, facts in songs]
    for name, usual, here in _odd(playing, PLAYING_DB):
        yield Difference(
            name, "close mics", "level while the guitar plays", f"{usual:.1f} dB", f"{here:.1f} dB",
            "batch-level-drifted",
        )
    for place in range(len(songs[0][1].mics)):
        yield from _of_mic([(name, facts.mics[place]) for name, facts in songs])


def _of_mic(songs: Sequence[tuple[str, MicFacts]]) -> Iterable[Difference]:
    first = songs[0][1]

    def values(of: Callable[[MicFacts], float | None]) -> list[tuple[str, float | None]]:
        return [(name, of(mic)) for name, mic in songs]

    for name, usual, here in _odd(values(lambda m: m.arrival_ms), ROOM_MS if first.role == "room" else CLOSE_MS):
        cm = samples_to_cm(here - usual, 1000)  # at 1000 Hz a sample is a millisecond
        yield Difference(
            name, first.mic, "arrival after the reference", f"{usual:+.3f} ms", f"{here:+.3f} ms ({cm:+.1f} cm)",
            "batch-mic-moved",
        )
    for name, usual, here in _odd(values(lambda m: m.polarity), 0.5):
        yield Difference(
            name, first.mic, "polarity against the reference", _polarity(usual), _polarity(here),
            "batch-polarity-changed",
        )
    for name, usual, here in _odd(values(lambda m: m.level_db), LEVEL_DB):
        yield Difference(
            name, first.mic, "level against the reference", f"{usual:+.1f} dB", f"{here:+.1f} dB",
            "batch-level-drifted",
        )


def _odd(values: Sequence[tuple[str, float | None]], tolerance: float) -> list[tuple[str, float, float]]:
    """(song, usual value, its own value) of every song that is beyond the tolerance."""
    known = [(name, value) for name, value in values if value is not None]
    if not known:
        return []
    ordered = sorted(value for _, value in known)

    def agreeing(value: float) -> int:
        return bisect_right(ordered, value + tolerance) - bisect_left(ordered, value - tolerance)

    usual = max((value for _, value in known), key=agreeing)
    return [(name, usual, value) for name, value in known if abs(value - usual) > tolerance]


def _polarity(value: float) -> str:
    return "inverted" if value < 0 else "normal"
