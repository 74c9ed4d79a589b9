"""The formats tracks may have, by the first bytes of the file: one line a format.

To add one that libsndfile reads, add its line; everything else is refused before a library sees it. Lossy
formats are left out on purpose: their coding moves phase, which is what alignment measures.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Format:
    """A format: its name, its first bytes, and the extensions it goes by."""

    name: str
    signature: bytes
    extensions: tuple[str, ...]


_WAV = (".wav", ".wave", ".bwf", ".rf64", ".bw64")

FORMATS = (
    Format("WAV", b"RIFF", _WAV),
    Format("WAV (big-endian)", b"RIFX", _WAV),
    Format("RF64", b"RF64", _WAV),
    Format("BW64", b"BW64", _WAV),
    Format("AIFF", b"FORM", (".aif", ".aiff", ".aifc")),
    Format("FLAC", b"fLaC", (".flac",)),
    Format("W64", b"riff\x2e\x91\xcf\x11", (".w64",)),
    Format("CAF", b"caff", (".caf",)),
)

NAMES = "WAV, RF64, BW64, AIFF, FLAC, W64, CAF"


def fits(container: str, extension: str) -> bool:
    """Whether a file of this container (as `AudioHeader` names it) may go by this extension, dot included."""
    return any(
        extension.lower() in f.extensions for f in FORMATS if f.name == container.removesuffix("EX")
    )


def format_of(head: bytes) -> Format | None:
    """The format of a file by its first bytes (16 are enough), None where it is none of the table."""
    return next((f for f in FORMATS if head.startswith(f.signature)), None)
