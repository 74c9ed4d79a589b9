"""What `align` and `inspect` tell programs: the manifest's own shapes, before anything is rendered."""

from typing import Any

from premix.delivery.manifest import relative_path, to_plain
from premix.model.alignment import Alignment
from premix.model.recipe import MergedRecipe
from premix.model.tracks import TrackSet
from premix.units import samples_to_cm, samples_to_ms


def alignment_document(alignment: Alignment, temperature_c: float) -> dict[str, Any]:
    """Decisions, sum efficiencies (third octaves included) and findings of an alignment."""
    decisions = []
    for decision in alignment.decisions:
        delay = decision.delay_samples
        decisions.append({
            **to_plain(decision),
            "delay_ms": samples_to_ms(delay, alignment.rate),
            "distance_cm": samples_to_cm(delay, alignment.rate, temperature_c),
        })
    return {
        "rate": alignment.rate,
        "alignment": decisions,
        "sum_efficiency_db": [
            {
                "performance": e.performance,
                "before": e.before_db,
                "after": e.after_db,
                "before_10k": e.before_10k_db,
                "after_10k": e.after_10k_db,
                "without": dict(e.without),
                "bands": to_plain(e.bands),
            }
            for e in alignment.efficiencies
        ],
        "findings": to_plain(alignment.findings),
    }


def intake_document(merged: MergedRecipe, tracks: TrackSet) -> dict[str, Any]:
    """What was found in the tracks folder."""
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
            }
            for t in tracks.tracks
        ],
        "findings": to_plain(tracks.findings),
    }
