"""Opening files with soundfile, for decoding from front to back."""

import os
from pathlib import Path
from typing import Any


def soundfile_name(path: Path) -> str | bytes:
    """The path as soundfile opens it; as bytes where file names need not be Unicode."""
    return os.fsencode(path) if os.name == "posix" else str(path)


def open_decoder(path: Path) -> Any:
    """A soundfile.SoundFile that reads on from where it is. RuntimeError where it knows no such format.

    soundfile itself sets the position again after every read; where a file is damaged, or of unknown length,
    that fails and loses the frames that were read. It leaves files alone that cannot seek.
    """
    import soundfile

    file = soundfile.SoundFile(soundfile_name(path))
    file.seekable = lambda: False
    return file
