"""The manifest: everything a run decided, measured and wrote, for programs. Format 1.

Format history: 1, the first. Readers may rely on the keys of a format; later versions only add keys.
No clock and no absolute path stands in it, so the same run writes the same manifest.

What `align` and `inspect` tell programs: the manifest's own shapes, before anything is rendered.
"""

import dataclasses
import importlib.metadata
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from premix import __version__
from premix.delivery.package import MANIFEST, write_json
from premix.errors import Problem
from premix.model.alignment import Alignment
from premix.model.gate import RoomGate
from premix.model.mix import MixPlan, RoomQuiet, StereoMeasures, WrittenFile
from premix.model.recipe import MergedRecipe
from premix.model.run import FinishedRun
from premix.model.tracks import Track, TrackLook, TrackSet
from premix.units import gain_to_db, samples_to_cm, samples_to_ms

FORMAT = 1
_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "pedalboard")


def manifest(run: FinishedRun) -> dict[str, Any]:
    """The manifest of a finished run as plain data, ready for JSON: no NaN, no infinity, no numpy."""
    tracks, rendering = run.tracks, run.rendering
    document = {
        "format": FORMAT,
        "premix": __version__,
        "libraries": {name: importlib.metadata.version(name) for name in _LIBRARIES},
        "song": tracks.song,
        "recipe": {"merged": run.merged.source, "origins": run.merged.origins, "sha256": run.merged.sha256},
        "sheet": None if run.sheet is None else {"sha256": run.sheet.sha256},
        "rate": tracks.rate,
        "frames": tracks.frames,
        "time_reference": tracks.time_reference,
        "inputs": [_input(track, run) for track in tracks.tracks],
        "alignment": decision_entries(run.alignment, run.merged.recipe.alignment.temperature_c),
        "sum_efficiency_db": efficiency_entries(run.alignment),
        "files": [_file(file, run) for file in rendering.files],
        "buses": _buses(run.plan),
        "guitar_bus": {
            "gain_db": _db(run.plan.guitar_gain),
            "width": run.plan.width,
            "plain_sum": not run.plan.guitar_chain,
        },
        "chain_files": run.plan.chain_files,
        "mono": _stereo(rendering.stereo),
        "mono_without_centre": _stereo(rendering.stereo_without_centre),
        "onset_spread": rendering.onset_spread,
        "takes": rendering.takes,
        "trim_db": rendering.trim_db,
        "extra_trim_db": rendering.extra_trim_db,
        "findings": run.findings(),
    }
    plain: dict[str, Any] = {**to_plain(document), "gate": _gates(run)}
    return plain


def write_manifest(folder: Path, document: dict[str, Any]) -> None:
    """Write a manifest into an output folder."""
    write_json(folder / MANIFEST, document)


def to_plain(value: Any) -> Any:
    """Records, tuples, paths and numpy numbers as what JSON knows; NaN and infinities become None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): to_plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(entry) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.as_posix() if isinstance(value, Path) else value


def decision_entries(alignment: Alignment, temperature_c: float) -> list[dict[str, Any]]:
    """What was decided for each mic: the decision's own fields, its delay in ms and as a distance."""
    rate = alignment.rate
    return [
        {
            **to_plain(decision),
            "delay_ms": samples_to_ms(decision.delay_samples, rate),
            "distance_cm": samples_to_cm(decision.delay_samples, rate, temperature_c),
        }
        for decision in alignment.decisions
    ]


def efficiency_entries(alignment: Alignment) -> list[dict[str, Any]]:
    """Sum efficiency of each performance, before and after, in all and by third-octave band."""
    return [
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
    ]


def relative_path(track: Track, folder: Path) -> str:
    """A track's path below the tracks folder with '/' between; its name alone where it lies elsewhere."""
    path = track.header.path
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def _input(track: Track, run: FinishedRun) -> dict[str, Any]:
    header, levels = track.header, run.analysis.levels_of(track.performance, track.mic)
    return {
        "performance": track.performance,
        "mic": track.mic,
        "path": relative_path(track, run.tracks.folder),
        "sha256": levels.sha256,
        "frames": header.frames,
        "container": header.container,
        "subtype": header.subtype,
        "start_samples": track.start,
        "time_reference": header.time_reference,
        "recovered": header.recovered,
        "sample_peak_dbfs": _db(levels.sample_peak),
        "rms_dbfs": _db(levels.rms),
        "hum": None if levels.hum is None else {"mains_hz": levels.hum.mains_hz, "rms_dbfs": _db(levels.hum.rms)},
        "clipped_runs": len(levels.clipped),
    }


def _gates(run: FinishedRun) -> list[dict[str, Any]]:
    """One entry a room mic; a performance without one still shows its riff.

    Plain but for the spans, which stay the records' own tuples: an hour has tens of thousands of them, and JSON
    writes a tuple as a list.
    """
    quiet = {(q.performance, q.mic): q for q in run.rendering.room_quiet}
    entries = []
    for riff in run.gating.riffs:
        rooms = [r for r in run.gating.rooms if r.performance == riff.performance]
        plain = {
            "performance": riff.performance,
            "stops": riff.stops,
            "loud_db": riff.loud_db,
            "threshold_db": riff.threshold_db,
            "threshold_auto": riff.auto,
        }
        shared = {"riff": riff.spans, **to_plain(plain)}
        entries += [shared | _room(room, quiet.get((room.performance, room.mic))) for room in rooms]
        if not rooms:
            entries.append(shared | {"mic": None, "mode": None, "open": (), "reduction_db": None})
    return entries


def _room(room: RoomGate, quiet: RoomQuiet | None) -> dict[str, Any]:
    plain = {
        "mic": room.mic,
        "mode": room.mode,
        "threshold_db": room.threshold_db,
        "reduction_db": quiet.reduction_db if quiet else None,
    }
    return {"open": room.open, **to_plain(plain)}


def _file(file: WrittenFile, run: FinishedRun) -> dict[str, Any]:
    rate, part = run.merged.recipe.deliver.rate, file.part
    measures = to_plain(file.measures)
    del measures["part"]
    return {
        "part": part.part,
        "kind": part.kind,
        "performance": part.performance,
        "mic": part.mic,
        "bus": part.bus,
        "path": file.path,
        "channels": part.channels,
        "frames": file.frames,
        "rate": run.tracks.rate if rate == "keep" else rate,
        "bits": file.bits,
        "sha256": file.sha256,
        "overs": file.overs,
        "gain_to_bus_db": _db(part.gain_to_bus),
        **measures,
    }


def _buses(plan: MixPlan) -> list[dict[str, Any]]:
    """plain_sum: whether the bus is the sum of its stems and rooms at their gains; a chain makes it another."""
    return [
        {
            "bus": b.name,
            "gain_db": _db(b.gain),
            "pan": b.pan,
            "left_gain": b.left,
            "right_gain": b.right,
            "plain_sum": not b.chain,
        }
        for b in plan.buses
    ]


def _stereo(stereo: StereoMeasures | None) -> dict[str, Any] | None:
    """What a stereo file becomes in mono; the windows stay out: they are for the report's picture."""
    if stereo is None:
        return None
    entry: dict[str, Any] = to_plain(stereo)
    del entry["windows"]
    return entry


def _db(gain: float) -> float | None:
    return gain_to_db(gain) if gain > 0.0 else None


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
