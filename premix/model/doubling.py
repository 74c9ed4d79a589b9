"""How two performances of the same part relate: the spread of their onsets, and whether they are one take."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OnsetSpread:
    """Spread of the matched onsets of two performances. Nothing is ever moved by it.

    onsets_a, onsets_b: how many each has; matched: pairs within the matching window.
    median_ms, p90_ms: of |difference|; offset_ms: median difference, positive when b is late.
    None where no onset matches.
    """

    performance_a: str
    performance_b: str
    onsets_a: int
    onsets_b: int
    matched: int
    median_ms: float | None
    p90_ms: float | None
    offset_ms: float | None


@dataclass(frozen=True, slots=True)
class TakePair:
    """Likeness of two performances' stems: the largest normalised cross-correlation within the search.

    correlation: -1 to 1, its sign kept; lag_ms: positive when b is late; same_take: |correlation| is above
    what two real performances of a part can reach.
    """

    performance_a: str
    performance_b: str
    correlation: float
    lag_ms: float
    same_take: bool
