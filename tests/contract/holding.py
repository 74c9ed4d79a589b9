"""Whether what is found still holds what is expected: fields may be added, none may change or go."""

import re
from collections.abc import Iterator
from typing import Any

FINE = {
    "delay_samples",
    "arrival_samples",
    "moved_samples",
    "halves_samples",
    "spread_samples",
    "delay_ms",
    "distance_cm",
    "riff",
    "open",
    "corner_hz",
    "q",
    "left_gain",
    "right_gain",
    "gain_to_bus_db",
    "gain_db",
    "pan",
    "width",
}
"""Fields held to 1e-6; all other fractions to 1e-3."""
LEFT_OUT = {"premix", "libraries", "seconds"}
"""Versions and times."""


def broken(expected: Any, found: Any, where: str = "", near: float = 1e-3) -> Iterator[str]:
    """Each place where `found` does not hold `expected`."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for key, value in expected.items():
            if key not in found:
                yield f"{where}.{key}: gone"
            elif key not in LEFT_OUT:
                yield from broken(value, found[key], f"{where}.{key}", 1e-6 if key in FINE else near)
    elif isinstance(expected, list) and isinstance(found, list):
        if len(expected) != len(found):
            yield f"{where}: {len(expected)} entries, now {len(found)}"
        for at, pair in enumerate(zip(expected, found, strict=False)):
            yield from broken(*pair, f"{where}[{at}]", near)
    elif isinstance(expected, float) and type(found) in (float, int):
        if abs(expected - found) > near:
            yield f"{where}: {expected!r}, now {found!r}"
    elif type(expected) is not type(found) or expected != found:
        yield f"{where}: {expected!r}, now {found!r}"


def kept(document: Any) -> Any:
    """The part of a document that is stored: no versions, no times, no hashes of samples that a machine rounds."""
    if isinstance(document, dict):
        own = "bits" in document and "sha256" in document
        return {
            key: kept(value) for key, value in document.items() if key not in LEFT_OUT and not (own and key == "sha256")
        }
    return [kept(value) for value in document] if isinstance(document, list) else document


def same_words(expected: str, found: str) -> bool:
    """Texts that are equal but for the last digit of their fractions."""
    fraction = re.compile(r"[-+]?\d+\.\d+")
    if fraction.sub("#", expected) != fraction.sub("#", found):
        return False
    pairs = zip(fraction.findall(expected), fraction.findall(found), strict=True)
    return all(_digits(a) == _digits(b) and abs(float(a) - float(b)) <= 1.01 * 10.0 ** -_digits(a) for a, b in pairs)


def _digits(fraction: str) -> int:
    return len(fraction.split(".")[1])
