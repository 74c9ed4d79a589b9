"""The key's band of the close mics, written to disk while the tracks are read: what the gate compares the mics by."""

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

import numpy as np

from premix.arrays import HalfArray
from premix.audio.bands import BAND_SCALE
from premix.model.song import Performance
from premix.model.tracks import BandSignals


class BandFile:
    """One performance's file. Nothing is written where nobody asks for it: no gate, or fewer than two close mics.

    Half floats at a quarter of 48 kHz are a sixth of what the tracks themselves take at 24 bits.
    """

    def __init__(self, performance: Performance, path: Path) -> None:
        mics = performance.close
        self._rows = [row for row, mic in enumerate(mics) if mic.role == "close"]
        self._mics = tuple(mics[row].name for row in self._rows)
        gates = [gate for mic in performance.mics for gate in (mic.gate, mic.stem_gate)]
        gated = any(gate is not None and gate.mode != "off" for gate in gates)
        self._wanted = gated and len(self._rows) > 1
        self._path = path
        self._file: BinaryIO | None = None
        self._frames = 0

    def open(self, stack: ExitStack) -> None:
        """Begin the file; it is closed with the stack."""
        self._file = stack.enter_context(self._path.open("wb")) if self._wanted else None

    def write(self, bands: Sequence[HalfArray]) -> None:
        """Add the next samples of the band, (n) each, a row a close mic of the performance."""
        if self._file is not None:
            block = np.stack([bands[row] for row in self._rows], axis=1)
            self._file.write(block.tobytes())
            self._frames += len(block)

    def record(self, hop: int, frames: int) -> BandSignals | None:
        """What was written, of a song of `frames` control frames of `hop` samples; None: nothing."""
        if not self._frames:
            return None
        step = round(hop * frames / self._frames)
        return BandSignals(self._mics, step, self._frames, BAND_SCALE, self._path)
