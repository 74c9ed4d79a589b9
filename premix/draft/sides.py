"""The side of a performance: from its name, or a guess and a question."""

from premix.draft.grid import Key
from premix.draft.proposal import Sure

_TOLD = ("left", "right", "centre")


def find_side(key: Key, number: int) -> tuple[str, Sure, str, str]:
    """Bus, how sure it is, where it comes from, and the question; number: place among the performances, from 0."""
    for word in key:
        if word in _TOLD:
            return word, "sure", "by name", ""
    if not key:
        return "centre", "guessed", "nothing tells the side", "which side is it heard on: left, right or centre?"
    guess = _TOLD[number % 2]
    return guess, "guessed", "nothing tells the side", "which side is it heard on: left, right or centre?"
