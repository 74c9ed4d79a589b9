"""How much quieter the gates make the rooms, held against the samples of the files."""

from pathlib import Path

import numpy as np
import pytest

from premix.pipeline import render
from tests.conftest import Demo
from tests.rigs.sessions import manifest_of, samples

FRAME = 480
"""10 ms at 48 kHz."""


def test_room_quieter_in_stops_is_what_the_files_say(demo: Demo, tmp_path: Path) -> None:
    """Mean difference in dB of the frames of 10 ms that lie in the stops, the room before the gate against the room
    after it; 0.01 dB: the files are 32-bit floats, a stop's first and last frames are cut where it begins and ends."""
    files = "deliver.files=[rooms, rooms_ungated]"
    render(demo.song.recipe, demo.song.tracks, tmp_path / "out", settings=[files, "deliver.bits=32"])
    for gate in manifest_of(tmp_path / "out")["gate"]:
        before, after = (
            samples(tmp_path / "out", f"{kind}_{gate['performance']}")[0] for kind in ("room_ungated", "room")
        )
        edges = np.round(np.array(gate["riff"]) * 48000).astype(int)
        quieter_db = []
        for off, on in zip(edges[:-1, 1], edges[1:, 0], strict=True):
            for start in range(-(-off // FRAME) * FRAME, on - FRAME + 1, FRAME):
                levels = [float(np.sum(x[start : start + FRAME] ** 2)) for x in (before, after)]
                if levels[0] > 0.0:
                    quieter_db.append(min(10.0 * np.log10(levels[0] / max(levels[1], 1e-300)), 140.0))
        assert len(quieter_db) > 20
        assert gate["reduction_db"] == pytest.approx(np.mean(quieter_db), abs=0.01)
