"""Documents for programs: the manifest of a run, and what `align` and `inspect` tell; as records, and as JSON.

What stands in them is said by their types, in `premix.model.manifest`. Each entry is made of the few records it tells.
Their JSON Schema, recipes/manifest.schema.json, is made from the types: `python -m premix.delivery.documents --write`
writes it, `--check` exits 1 where it is not current.
"""

import csv
import dataclasses
import errno
import importlib.metadata
import io
import json
import math
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from pydantic import TypeAdapter, ValidationError
from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema

from premix import __version__
from premix.errors import Problem, RecipeError
from premix.measures.pooled import set_up_of
from premix.model.alignment import MicDecision, Passage
from premix.model.findings import grouped
from premix.model.gate import RoomGate
from premix.model.manifest import (
    COMPARISON_FORMAT,
    FORMAT,
    AlignmentDocument,
    BusEntry,
    ComparisonManifest,
    DecisionEntry,
    DiEntry,
    EfficiencyEntry,
    FileEntry,
    GateEntry,
    GuitarBusEntry,
    HumEntry,
    InputEntry,
    IntakeDocument,
    LookEntry,
    Manifest,
    SharesEntry,
    UsedSheet,
    VariantEntry,
)
from premix.model.mix import Matched, MatchedTake, MonoEntry, Rendered, RoomQuiet, StereoMeasures, WrittenFile
from premix.model.names import as_text
from premix.model.song import Bus, Mic, Song
from premix.model.tracks import Track, TrackLook
from premix.processors.chains import chain_files
from premix.units import gain_to_db, samples_to_cm, samples_to_ms

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

MANIFEST = "manifest.json"
SCHEMA = Path(__file__).parents[2] / "recipes" / "manifest.schema.json"
LARGEST_MANIFEST = 32_000_000
"""Bytes; an hour with tens of thousands of stops has a third of it."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_PLAIN_NUMBER = re.compile(r"[-+]?([0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?|inf)")
_SHA256 = re.compile("[0-9a-f]{64}")
E = TypeVar("E", bound="DataclassInstance")
_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "pedalboard")


def to_plain(value: Any) -> Any:
    """Records, tuples, paths and numpy numbers as what JSON knows; NaN and infinities become None.

    Only spans stay the tuples they are, which JSON writes as lists: an hour's stops are tens of thousands of them.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {as_text(str(key)): to_plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return value if value and all(map(_is_span, value)) else [to_plain(entry) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()
    value = value.as_posix() if isinstance(value, Path) else value
    return as_text(value) if isinstance(value, str) else _finite(value)


def _is_span(value: Any) -> bool:
    return type(value) is tuple and len(value) == 2 and all(type(v) is float and math.isfinite(v) for v in value)


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def json_text(document: Any) -> str:
    """A document, or plain data, as JSON with one key a line."""
    return json.dumps(to_plain(document), indent=1, ensure_ascii=False, allow_nan=False)


def write_json(path: Path, document: Any) -> None:
    """Write what `json_text` gives, and a line feed; piece by piece, as an hour's stops are many numbers."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        json.dump(to_plain(document), file, indent=1, ensure_ascii=False, allow_nan=False)
        file.write("\n")


def csv_text(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV: a header line, ',' between, lines ended by a line feed. Every CSV is made here.

    A cell that a spreadsheet would take for a formula gets an apostrophe before it; numbers are left as they are.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_no_formula(cell) for cell in row] for row in rows)
    return text.getvalue()


def _no_formula(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    text = cell if not cell.startswith(_FORMULA) or _PLAIN_NUMBER.fullmatch(cell) else f"'{cell}"
    return text.replace("\r", "\n")  # which the writer puts in quotes, and a carriage return not


def read_manifest(path: Path) -> Manifest:
    """A manifest, or the manifest.json of an output folder; what a later version added is passed over.

    Raises RecipeError where there is none, or where what it says cannot be.
    """
    what = "no premix manifest can be read here"
    try:
        found = from_json(Manifest, manifest_bytes(path))
        place = next(_impossible(found), "")
        if not place:
            return found
    except ValidationError as error:
        place = ".".join(map(str, error.errors()[0]["loc"]))
    except (OSError, ValueError):
        place = ""
    what += f": {place} is missing or is not what it should be" if place else ""
    raise RecipeError(Problem("not-a-manifest", str(path), what, f"{MANIFEST} of an output folder"))


def from_json(kind: type[E], text: bytes) -> E:
    """A document of a kind. Raises pydantic's ValidationError where it is none."""
    found: E = _adapter(kind).validate_json(text, strict=True)
    return found


@cache
def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    """Made once a process: that takes longer than to read many manifests, and a batch reads hundreds."""
    return TypeAdapter(kind)


def manifest_bytes(path: Path) -> bytes:
    """A manifest, or that of an output folder, as it stands there. OSError where it cannot be read, is no file or is
    larger than any manifest."""
    path = path / MANIFEST if path.is_dir() else path
    if not path.is_file():  # a pipe, or a device: nothing to wait for
        raise OSError(errno.EINVAL, "it is no file", str(path))
    with path.open("rb") as stream:
        text = stream.read(LARGEST_MANIFEST + 1)
    if len(text) > LARGEST_MANIFEST:
        raise OSError(errno.EFBIG, "it is too large", str(path))
    return text


def _impossible(found: Manifest) -> Iterator[str]:
    """The places of a manifest that no render writes so."""
    if found.format != FORMAT:
        yield "format"
    if not (0 < found.rate < 10_000_000 and 0 < found.frames < 1 << 50):
        yield "frames" if 0 < found.rate < 10_000_000 else "rate"
    if not (math.isfinite(found.trim_db) and math.isfinite(found.extra_trim_db)):
        yield "trim_db"
    for key in ("part", "path"):
        if not found.files or len({getattr(file, key) for file in found.files}) < len(found.files):
            yield "files"
    for number, file in enumerate(found.files):
        for key, holds in (("sha256", _SHA256.fullmatch(file.sha256)), ("frames", file.frames > 0)):
            if not holds:
                yield f"files.{number}.{key}"


def manifest(rendered: Rendered) -> Manifest:
    """The manifest of a finished run; what is `written` is known when its package is committed."""
    song, plan, rendering, bus = rendered.song, rendered.plan, rendered.rendering, rendered.plan.guitar_bus
    return Manifest(
        format=FORMAT,
        premix=__version__,
        libraries={name: importlib.metadata.version(name) for name in _LIBRARIES},
        song=song.name,
        recipe=song.recipe,
        sheet=None if rendered.sheet is None else UsedSheet(sha256=rendered.sheet.sha256),
        rate=song.rate,
        frames=song.frames,
        time_reference=song.time_reference,
        inputs=tuple(_input(mic, song.folder) for mic in song.mics),
        alignment=_decisions(song),
        sum_efficiency_db=_efficiencies(song),
        shares=_shares(song),
        files=tuple(_file(file, song.file_rate) for file in rendering.files),
        buses=tuple(map(_bus, plan.buses)),
        guitar_bus=_entry(GuitarBusEntry, bus, gain_db=_db(bus.gain / plan.held_gain()), plain_sum=not bus.chain),
        balance=song.deliver.balance,
        chain_files=plan.chain_files,
        mono=_mono(rendering.stereo),
        mono_without_centre=_mono(rendering.stereo_without_centre),
        onset_spread=rendering.onset_spread,
        takes=rendering.takes,
        lean=rendering.lean,
        level=rendering.level,
        trim_db=rendering.trim_db,
        extra_trim_db=rendering.extra_trim_db,
        findings=grouped(song.findings),
        gate=tuple(_gates(song, rendering.room_quiet)),
        dis=tuple(_entry(DiEntry, mic, mic.match, mic=mic.name) for mic in song.mics if mic.is_di),
        roll_call=song.roll_call,
        setup=set_up_of(song),
    )


def comparison_manifest(song: Song, matched: Matched) -> ComparisonManifest:
    """The manifest of a comparison; what is `written` is known when its package is committed."""
    return ComparisonManifest(
        format=COMPARISON_FORMAT,
        kind="comparison",
        premix=__version__,
        song=song.name,
        recipe=song.recipe,
        rate=song.file_rate,
        matched_lufs=matched.level_lufs,
        variants=tuple(map(_variant, matched.takes)),
        chain_files=chain_files(song),
        findings=grouped(song.findings),
    )


def alignment_document(song: Song) -> AlignmentDocument:
    """Decisions, sum efficiencies and findings of an alignment."""
    return AlignmentDocument(
        rate=song.rate,
        alignment=_decisions(song),
        sum_efficiency_db=_efficiencies(song),
        shares=_shares(song),
        findings=grouped(song.told_by("alignment", "chains")),
        roll_call=song.roll_call,
    )


def intake_document(song: Song, looks: Sequence[TrackLook], problems: Sequence[Problem]) -> IntakeDocument:
    """What was found in the tracks folder; problems: what would stop a render."""
    return IntakeDocument(
        recipe=song.recipe,
        song=song.name,
        rate=song.rate,
        frames=song.frames,
        inputs=tuple(_look(mic.track, look, song.folder) for mic, look in zip(song.mics, looks, strict=True)),
        problems=tuple(problems),
        findings=grouped(song.findings),
        roll_call=song.roll_call,
    )


def relative_path(track: Track, folder: Path) -> str:
    """A track's path below the tracks folder with '/' between; its name alone where it lies elsewhere."""
    path = track.header.path
    return as_text(path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name)


def _entry(kind: type[E], *records: Any, **own: Any) -> E:
    """An entry that has `own` fields, and all others from the first of the records that has one of that name."""
    names = [field.name for field in dataclasses.fields(kind) if field.name not in own]
    holders = {name: next(record for record in records if hasattr(record, name)) for name in names}
    return kind(**own, **{name: _finite(getattr(record, name)) for name, record in holders.items()})


def _input(mic: Mic, folder: Path) -> InputEntry:
    track, levels, hum = mic.track, mic.levels, mic.levels.hum
    return _entry(
        InputEntry,
        track,
        track.header,
        levels,
        path=relative_path(track, folder),
        start_samples=track.start,
        channel="mix" if track.channel is None else track.channel + 1,
        sample_peak_dbfs=_db(levels.sample_peak),
        rms_dbfs=_db(levels.rms),
        hum=None if hum is None else HumEntry(mains_hz=hum.mains_hz, rms_dbfs=_db(hum.rms)),
        clipped_runs=len(levels.clipped),
    )


def _look(track: Track, look: TrackLook, folder: Path) -> LookEntry:
    path = relative_path(track, folder)
    return _entry(LookEntry, track, track.header, look, look.levels, path=path, start_samples=track.start)


def _decisions(song: Song) -> tuple[DecisionEntry, ...]:
    return tuple(
        _entry(
            DecisionEntry,
            mic.decision,
            delay_ms=samples_to_ms(mic.decision.delay_samples, song.rate),
            distance_cm=samples_to_cm(mic.decision.delay_samples, song.rate, song.alignment.temperature_c),
            passages=mic.decision.passages or (_whole(mic.decision, song),),
            delay_parts=mic.delay_parts,
        )
        for mic in song.judged
    )


def _whole(decision: MicDecision, song: Song) -> Passage:
    """The one passage of a steady mic."""
    return Passage(0.0, song.frames / song.rate, decision.delay_samples, decision.polarity)


def _efficiencies(song: Song) -> tuple[EfficiencyEntry, ...]:
    return tuple(
        EfficiencyEntry(
            performance=performance.name,
            before=performance.efficiency.before_db,
            after=performance.efficiency.after_db,
            before_10k=performance.efficiency.before_10k_db,
            after_10k=performance.efficiency.after_10k_db,
            without=dict(performance.efficiency.without),
            bands=performance.efficiency.bands,
            worst_passage=performance.efficiency.worst_passage_db,
            worst_passage_s=performance.efficiency.worst_passage_s,
        )
        for performance in song.performances
    )


def _shares(song: Song) -> tuple[SharesEntry, ...]:
    return tuple(SharesEntry(performance=p.name, mics=p.efficiency.shares) for p in song.performances)


def _file(file: WrittenFile, rate: int) -> FileEntry:
    return _entry(FileEntry, file.part, file, file.measures, rate=rate, gain_to_bus_db=_db(file.part.gain_to_bus))


def _bus(bus: Bus) -> BusEntry:
    own = {"left_gain": bus.left, "right_gain": bus.right, "plain_sum": not bus.chain}
    return _entry(BusEntry, bus, bus=bus.name, gain_db=_db(bus.gain), **own)


def _mono(stereo: StereoMeasures | None) -> MonoEntry | None:
    """What a stereo file becomes in mono; the windows stay out: they are for the report's picture."""
    return None if stereo is None else _entry(MonoEntry, stereo)


def _gates(song: Song, quiet: Sequence[RoomQuiet]) -> Iterator[GateEntry]:
    """One entry a room mic of a performance; one without a mic where it has none.

    The spans stay the records' own tuples: an hour has tens of thousands of them.
    """
    reductions_db = {(q.performance, q.mic): q.reduction_db for q in quiet}
    for performance in song.performances:
        riff = performance.riff
        rooms: Sequence[RoomGate | None] = [mic.room for mic in performance.rooms]
        for room in rooms or [None]:
            yield GateEntry(
                riff=riff.spans,
                performance=riff.performance,
                stops=riff.stops,
                loud_db=riff.loud_db,
                threshold_db=room.threshold_db if room else riff.threshold_db,
                threshold_auto=riff.auto,
                open=room.open if room else (),
                mic=room.mic if room else None,
                mode=room.mode if room else None,
                reduction_db=reductions_db.get((performance.name, room.mic)) if room else None,
            )


def _variant(take: MatchedTake) -> VariantEntry:
    return _entry(
        VariantEntry, take, take.file, take.file.measures, variant=take.variant.name, changes=take.variant.changes
    )


def _db(gain: float) -> float | None:
    return gain_to_db(gain) if gain > 0.0 else None


class _Written(GenerateJsonSchema):
    """Schemas of what is written: every key is there, and none has a default."""

    def field_is_required(self, *_: Any, **__: Any) -> bool:
        return True

    def field_title_should_be_set(self, *_: Any) -> bool:
        return False

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> dict[str, Any]:
        return self.generate_inner(schema["schema"])


def manifest_schema() -> dict[str, Any]:
    """The schema of a manifest.json, of a render or a comparison: JSON Schema 2020-12.

    What `align --json` and `inspect --json` print is under its `$defs`. Every key of a format is required: the schema
    is of what this version writes, and later versions only add keys.
    """
    kinds = (Manifest, ComparisonManifest)
    adapters = [(kind, "serialization", TypeAdapter[Any](kind)) for kind in (*kinds, AlignmentDocument, IntakeDocument)]
    places, found = TypeAdapter.json_schemas(adapters, schema_generator=_Written)  # type: ignore[arg-type]
    for entry in found["$defs"].values():
        entry["description"] = " ".join(entry["description"].split())
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:premix:manifest:1",
        "title": "premix manifest, format 1",
        "anyOf": [places[kind, "serialization"] for kind in kinds],
        **found,
    }


def main(arguments: Sequence[str]) -> int:
    """Write or check the file; 1 where it is not current, 2 for wrong usage."""
    if list(arguments) not in (["--write"], ["--check"]):
        sys.stderr.write("usage: python -m premix.delivery.documents --write | --check\n")
        return 2
    text = json.dumps(manifest_schema(), indent=2, ensure_ascii=False) + "\n"
    if arguments[0] == "--write":
        SCHEMA.write_text(text, encoding="utf-8", newline="\n")
    elif not SCHEMA.exists() or SCHEMA.read_text(encoding="utf-8") != text:
        sys.stderr.write(f"recipes/{SCHEMA.name} is not current: run python -m premix.delivery.documents --write\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
