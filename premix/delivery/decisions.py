"""What `align` and `inspect` tell programs: the manifest's own shapes, before anything is rendered."""

from collections.abc import Sequence
from typing import Any

from premix.delivery.manifest import decision_entries, efficiency_entries, relative_path, to_plain
from premix.errors import Problem
from premix.model.alignment import Alignment
from premix.model.intake import TrackLook
from premix.model.recipe import MergedRecipe
from premix.model.tracks import TrackSet


def alignment_document(alignment: Alignment, temperature_c: float) -> dict[str, Any]:
    """Decisions, sum efficiencies (third octaves included) and findings of an alignment."""
    return {
        "rate": alignment.rate,
        "alignment": decision_entries(alignment, temperature_c),
        "sum_efficiency_db": efficiency_entries(alignment),
        "findings": to_plain(alignment.findings),
    }


def intake_document(
    merged: MergedRecipe, tracks: TrackSet, looks: Sequence[TrackLook], problems: Sequence[Problem]
) -> dict[str, Any]:
    """What was found in the tracks folder; problems: what would stop a render."""
    return {
        "recipe": {"merged": merged.source, "origins": merged.origins, "sha256": merged.sha256},
        "song": tracks.song,
        "rate": tracks.rate,
        "frames": tracks.frames,
        "inputs": [
            {
                "performance": t.performance,
                "mic": t.mic,
                "path": relative_path(t, tracks.folder),
                "frames": t.header.frames,
                "rate": t.header.rate,
                "subtype": t.header.subtype,
                "start_samples": t.start,
                "sha256": v.levels.sha256,
                "sample_peak": v.levels.sample_peak,
                "loudness_lufs": v.loudness_lufs,
                "noise_floor_dbfs": v.noise_floor_dbfs,
                "hum": to_plain(v.levels.hum),
            }
            for t, v in zip(tracks.tracks, looks, strict=True)
        ],
        "problems": to_plain(problems),
        "findings": to_plain(tracks.findings),
    }
