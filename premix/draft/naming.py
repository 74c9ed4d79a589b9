"""Names for the recipe: performances and mics from what their files' names have in common, unique and plain ASCII."""

import re
from collections.abc import Callable, Sequence

from premix.draft.grid import Key
from premix.draft.names import plain

_LONGEST = 40


def performance_names(keys: Sequence[Key]) -> dict[Key, str]:
    """Key -> name: the side first, then what tells it from others of that side."""
    sides = ("left", "right", "centre")
    return _unique(keys, "guitar", lambda key: "_".join(sorted(key, key=lambda word: word not in sides)))


def mic_names(keys: Sequence[Key], performances: Sequence[str]) -> dict[Key, str]:
    """Key -> name. Where a performance and a mic joined would read like another pair, mics use - instead of _."""
    names = _unique(keys, "mic", "_".join)
    joined = [f"{performance}_{mic}" for performance in performances for mic in names.values()]
    return names if len(set(joined)) == len(joined) else {k: name.replace("_", "-") for k, name in names.items()}


def _unique(keys: Sequence[Key], default: str, spell: Callable[[Key], str]) -> dict[Key, str]:
    names: dict[Key, str] = {}
    for key in keys:
        name = wanted = _ascii(spell(key)) or default
        number = 2
        while name in names.values():
            name, number = f"{wanted}_{number}", number + 1
        names[key] = name
    return names


def _ascii(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", plain(text)).strip("_")[:_LONGEST].rstrip("_")
