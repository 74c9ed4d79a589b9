"""Guitar buses of an album that sit together: every song's trimmed down to the softest one's loudness.

One gain a song, for all its files, on top of the trim that keeps it under the ceiling: the balance inside a song
stays, nothing is turned up, no ceiling is passed. Loudness is the integrated one of the guitar bus (ITU-R BS.1770).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from premix.batch.facts import SongFacts
from premix.messages.batch import SLUGS
from premix.model.finding import Finding

STEP_DB = 0.01
"""Trims are whole steps, so that a song is not rendered again over nothing."""


@dataclass(frozen=True, slots=True)
class Matching:
    """target_lufs: loudness of the softest song before any matching; trims_db: the extra trim each song gets (<= 0)."""

    target_lufs: float | None
    trims_db: Mapping[str, float]
    findings: tuple[Finding, ...]

    def told(self) -> str:
        """What was matched to what, as one line; '' where nothing could be."""
        if self.target_lufs is None:
            return ""
        return f"guitar buses matched to {self.target_lufs:.2f} LUFS, the softest song's"


def match_loudness(songs: Sequence[tuple[str, SongFacts]]) -> Matching:
    """The extra trims of songs (name, facts as last rendered), and a finding for each that cannot be matched."""
    loudness = {
        name: facts.loudness_lufs - facts.extra_trim_db for name, facts in songs if facts.loudness_lufs is not None
    }
    findings = tuple(
        Finding(
            "batch-not-matched", "warning", name, "the loudness of its guitar bus is not known",
            SLUGS["batch-not-matched"],
        )
        for name, facts in songs
        if facts.loudness_lufs is None
    )
    target = min(loudness.values(), default=None)
    trims = {} if target is None else {name: _whole_steps(target - lufs) for name, lufs in loudness.items()}
    return Matching(target, trims, findings)


def _whole_steps(trim_db: float) -> float:
    return round(round(trim_db / STEP_DB) * STEP_DB, 6) + 0.0
