"""A small session, rendered: what the manifest and the track sheet are checked on."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.audio.chunks import BextFields
from premix.audio.writer import PartWriter
from premix.model import mix
from premix.model.manifest import ComparisonManifest
from premix.model.song import RecipeEntry
from premix.pipeline import render

RATE = 48000
FRAMES = 4 * RATE
START = 3600 * RATE
LATE = 480  # samples by which the right performance's files start later
RECIPE = """
format: 1
song: Tidewater
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -3.3, polarity: inverted, delay: {samples: 6.37}}
  sub: {role: sub, gain_db: -8, low_pass_hz: 180, polarity: normal, delay: {cm: 10}}
  room: {role: room, gain_db: -12, polarity: normal}
performances:
  left: {bus: left, gain_db: -1.5}
  right: {bus: right, mics: {sub: {mute: true}, dynamic: {gain_db: 4, delay: {ms: -0.2}}}}
buses:
  left: {pan: -1, gain_db: -2}
  right: {pan: 0.5}
guitar_bus: {width: 1.2}
deliver: {bits: 32, ceiling_dbtp: -14}
"""


SMALL = ComparisonManifest(
    format=1,
    kind="comparison",
    premix="0.1.0",
    song="Tidewater",
    recipe=RecipeEntry(merged={}, origins={}, sha256=""),
    rate=RATE,
    matched_lufs=None,
    variants=(),
    findings=(),
)
"""A manifest for folders of any content."""


@dataclass(frozen=True)
class Rendered:
    """The finished run and where its files are."""

    run: mix.Rendered
    tracks: Path
    out: Path


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    """Two performances of four mics, band-limited so that any good fractional delay gives the same samples."""
    top = tmp_path_factory.mktemp("rendered")
    tracks = top / "tracks"
    tracks.mkdir()
    band = butter(4, [60, 6000], "band", fs=RATE, output="sos")
    for seed, performance in enumerate(("left", "right")):
        riff = np.random.default_rng(seed).standard_normal(FRAMES)
        riff[RATE : RATE + RATE // 2] = riff[3 * RATE :] = 0.0
        riff = 0.1 * sosfilt(band, riff)
        hiss = 0.01 * sosfilt(band, np.random.default_rng(10 + seed).standard_normal(FRAMES))  # heard in every fade
        for number, mic in enumerate(("dynamic", "ribbon", "sub", "room")):
            fields = BextFields(time_reference=START + LATE * seed, date=f"2024-03-0{2 - seed}", time="20:00:00")
            path = tracks / f"{performance}_{mic}.wav"
            with PartWriter(path, rate=RATE, channels=1, frames=FRAMES, bext=fields) as writer:
                writer.write((1 - 0.2 * number) * np.roll(riff, 7 * number)[np.newaxis] + hiss * (mic == "room"))
                writer.close()
    (top / "recipe.yaml").write_text(RECIPE)
    outcome = render(top / "recipe.yaml", tracks, top / "out")
    return Rendered(outcome.rendered, tracks, top / "out")
