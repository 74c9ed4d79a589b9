"""Whether a song's output folder holds what a render would put there, by hashes, never by times."""

import importlib.metadata
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from premix import __version__
from premix.audiofile.reader import TrackReader
from premix.chain.files import chain_files
from premix.delivery.manifest import relative_path, to_plain
from premix.delivery.package import MANIFEST
from premix.model.recipe import MergedRecipe
from premix.model.sheet import Sheet
from premix.model.tracks import Track, TrackSet


def finished_manifest(out: Path) -> dict[str, Any] | None:
    """The manifest of a finished song, None where there is none or a file that it names is gone."""
    try:
        manifest: dict[str, Any] = json.loads((out / MANIFEST).read_text("utf-8"))
        whole = all((out / name).is_file() for name in manifest["written"])
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return manifest if whole else None


def unchanged(
    manifest: Mapping[str, Any], merged: MergedRecipe, tracks: TrackSet, sheet: Sheet | None = None
) -> bool:
    """Whether the manifest is of these tracks, this merged recipe and sheet, this premix and these libraries.

    Reads every sample of the tracks: the hash in the manifest is the one that the render itself took. Reads the files
    that chains name, too: impulse responses, plug-ins and their states.
    """
    try:
        return (
            manifest["premix"] == __version__
            and all(importlib.metadata.version(name) == version for name, version in manifest["libraries"].items())
            and manifest["recipe"]["sha256"] == merged.sha256
            and manifest["sheet"] == (None if sheet is None else {"sha256": sheet.sha256})
            and manifest["chain_files"] == to_plain(chain_files(merged.recipe))
            and manifest["song"] == tracks.song
            and manifest["time_reference"] == tracks.time_reference
            and len(manifest["inputs"]) == len(tracks.tracks)
            and all(map(lambda entry, track: _same(entry, track, tracks.folder), manifest["inputs"], tracks.tracks))
        )
    except (KeyError, TypeError, AttributeError, OSError, importlib.metadata.PackageNotFoundError):
        return False


def _same(entry: Mapping[str, Any], track: Track, folder: Path) -> bool:
    header = track.header
    heads = (
        (entry["performance"], entry["mic"], entry["path"], entry["frames"], entry["subtype"])
        == (track.performance, track.mic, relative_path(track, folder), header.frames, header.subtype)
        and (entry["start_samples"], entry["recovered"]) == (track.start, header.recovered)
    )
    return heads and entry["sha256"] == _sha256(track)


def _sha256(track: Track) -> str:
    with TrackReader(track, hash_samples=True) as reader:
        return reader.sha256()
