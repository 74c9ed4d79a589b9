"""The reading pass, kept for the next run: where nothing but gains, mutes, widths, chains or delivery changed since,
its results are taken over instead of reading every track again.

A pass is known by what it depends on: the tracks (name, place, header, size, time of the last change, a hash of the
first bytes), everything of the song that this pass may ask for, and the versions. What it must not depend on is left
out by name; what is added to the song later counts until somebody says otherwise. That is a good guess and no proof:
whoever takes a pass over holds the samples that are read later against the hashes in it, and starts afresh where they
differ.

A file holds one pass: the records that the pass put beside the performances and mics, as JSON whose arrays and files
follow as bytes, and a hash of it all. Only plain records of `premix.model` are made from it.
"""

import contextlib
import dataclasses
import hashlib
import importlib
import importlib.metadata
import json
import pkgutil
import shutil
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel

import premix.model
from premix import __version__
from premix.analysis.scan import partners_of
from premix.errors import Finding
from premix.model.song import NOT_YET, Mic, Performance, Song
from premix.model.tracks import BandSignals, KeptArray, Track

AnyArray = npt.NDArray[Any]
_MAGIC = b"premix-kept-1\n"
_HEAD_BYTES = 65536
_PIECE = 1 << 20
_LIBRARIES = ("numpy", "scipy", "soundfile")
_NOT_READ: Mapping[type, tuple[str, ...]] = {
    Song: (
        *("name", "performances", "buses", "guitar_bus", "deliver", "limits", "recipe", "track_pattern", "chains"),
        *("corners", "findings", "folder", "roll_call", "against_approved"),
    ),
    Performance: (
        *("bus", "gain", "mute", "heard", "chain", "mics", "aliases", "optional", "spans"),
        *("spectra", "windows", "envelopes", "di_envelopes", "agreed", "efficiency", "steadiness", "riff", "set_up"),
    ),
    Mic: (
        *("bus", "gain", "mute", "chain", "track", "aliases", "file", "optional", "group"),
        *("presence", "levels", "match", "decision", "room", "stem_curve", "delay_parts"),
    ),
}
"""What a pass does not depend on: levels, routing, delivery, and what the stages have found so far."""
_NOT_DECIDED: Mapping[type, tuple[str, ...]] = {
    Song: (
        *("name", "performances", "buses", "guitar_bus", "deliver", "limits", "recipe", "track_pattern"),
        *("findings", "folder", "roll_call", "against_approved"),
    ),
    Performance: (
        *("gain", "mics", "aliases", "optional"),
        *("spectra", "windows", "envelopes", "di_envelopes", "agreed", "efficiency", "steadiness", "riff", "set_up"),
    ),
    Mic: ("track", "aliases", "file", "optional", "levels", "match", "decision", "room", "delay_parts"),
}
"""What the decisions do not depend on: the gains after the sum, the width, the delivery."""
_DECIDED, _COMPARED = "decided", "compared"


class NotKeptError(Exception):
    """A pass was taken over, and a step needs of it what is not kept."""


class Kept:
    """The passes of one run. earlier: folder of those of the run before; None: there are none, or they are not wanted.
    keeps: whether those of this run will be written.

    taken: whether any pass was taken over.
    """

    def __init__(self, earlier: Path | None = None, *, keeps: bool = True) -> None:
        self._earlier, self._keeps = earlier, keeps
        self._files: dict[str, Path] = {}
        self._passes = 0
        self.taken = False

    def read(self, song: Song, scratch: Path, offsets: Mapping[str, int], scan: Callable[[], Song]) -> Song:
        """What `scan` gives of the song, or what it gave the run before.

        offsets: whole samples by which tracks are read ahead. scratch: folder that holds the files of the pass.
        """
        name = f"pass-{self._passes}"
        self._passes += 1
        try:
            key = _key(song, offsets)
        except TypeError:  # something stands in the song that nobody can tell apart: then it is read
            return scan()
        if self._earlier is not None:
            found = _taken_over(self._earlier / name, key, song, scratch)
            if found is not None:
                self.taken = True
                self._files[name] = self._earlier / name
                return found
        found = scan()
        if self._keeps:
            with contextlib.suppress(TypeError):  # of a kind that cannot be kept: then the next run reads again
                _write(scratch / name, key, song, found, scratch)
                self._files[name] = scratch / name
        return found

    def decide(self, song: Song, scratch: Path, sheet: str, solve: Callable[[], Song]) -> Song:
        """What `solve` makes of a song that was read: its decisions, and what it has to say; or what it made before.

        sheet: hash of the alignment sheet that is followed, '' for none.
        """
        more = (sheet, *_hashes(song))
        found, again = self._step(song, scratch, _DECIDED, (_NOT_DECIDED, more), solve)
        assert found is not None
        if again and self._earlier is not None:
            for passed in self._earlier.glob("pass-*"):  # those of the solve, which is not done again
                self._files.setdefault(passed.name, passed)
        return found

    def compare(self, song: Song, scratch: Path, more: Sequence[str], compare: Callable[[], Song]) -> Song:
        """What `compare` adds to a song that is decided, or what it added before. more: what it depends on.

        Raises NotKeptError where the pass was taken over, and this needs of it what is too large to be kept.
        """
        found, _ = self._step(
            song, scratch, _COMPARED, (_NOT_READ, (*more, *_hashes(song))), None if self.taken else compare
        )
        if found is None:
            raise NotKeptError
        return found

    def _step(
        self,
        song: Song,
        scratch: Path,
        name: str,
        depends_on: tuple[Mapping[type, tuple[str, ...]], Sequence[str]],
        step: Callable[[], Song] | None,
    ) -> tuple[Song | None, bool]:
        """What a step adds to a song, and whether it did before. depends_on: fields that it does not depend on, and
        what it depends on beside the others. step: None for one that cannot be done again."""
        left_out, more = depends_on
        try:
            key = _key(song, {}, left_out, more)
        except TypeError:
            return (step() if step is not None else None), False
        if self.taken and self._earlier is not None:
            found = _taken_over(self._earlier / name, key, song, scratch)
            if found is not None:
                self._files[name] = self._earlier / name
                return found, True
        if step is None:
            return None, False
        found = step()
        if self._keeps:
            with contextlib.suppress(TypeError, ValueError):
                _write(scratch / name, key, song, found, scratch)
                self._files[name] = scratch / name
        return found, False

    def size(self) -> int:
        """Bytes that `write` will write."""
        return sum(file.stat().st_size for file in self._files.values())

    def write(self, folder: Path) -> None:
        """Put the passes of this run into a new folder; those that it made itself are moved there."""
        folder.mkdir()
        for name, file in self._files.items():
            (shutil.copyfile if file.parent == self._earlier else shutil.move)(file, folder / name)


def _hashes(song: Song) -> Iterator[str]:
    yield from (mic.levels.sha256 for mic in song.mics)


def _key(
    song: Song,
    offsets: Mapping[str, int],
    left_out: Mapping[type, tuple[str, ...]] | None = None,
    more: Sequence[str] = (),
) -> str:
    """Hash of what the pass depends on: all fields but those left out, and more."""
    left_out = left_out or _NOT_READ
    told = {
        "premix": [__version__, *(importlib.metadata.version(name) for name in _LIBRARIES)],
        "song": _essence(song, left_out),
        "more": list(more),
        "performances": [
            {
                **_essence(performance, left_out),
                "partners": partners_of(performance, song.reference),
                "mics": [
                    {**_essence(mic, left_out), "track": _track(mic.track, song.folder)} for mic in performance.mics
                ],
            }
            for performance in song.performances
        ],
        "offsets": dict(sorted(offsets.items())),
    }
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def _essence(record: Song | Performance | Mic, names: Mapping[type, tuple[str, ...]]) -> dict[str, Any]:
    """The fields of a record that count, as plain data; names: those that do not."""
    left_out = names[type(record)]
    fields = ((field.name, getattr(record, field.name)) for field in dataclasses.fields(record))
    return {name: _plain(value) for name, value in fields if name not in left_out and value is not NOT_YET}


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(entry) for entry in value]
    return value


def _track(track: Track, folder: Path) -> dict[str, Any]:
    """A track by its place below the song's folder, its header with size and time, and its first bytes."""
    path = track.header.path
    names = [field.name for field in dataclasses.fields(track.header) if field.name not in ("path", "stamp")]
    with path.open("rb") as file:
        head = hashlib.sha256(file.read(_HEAD_BYTES)).hexdigest()
    return {
        **{field.name: getattr(track, field.name) for field in dataclasses.fields(track) if field.name != "header"},
        "path": path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name,
        "header": {name: _plain(getattr(track.header, name)) for name in names},
        "stamp": (track.header.stamp or ())[:2],  # size and time: a copy of the tracks is as good
        "head": head,
    }


class _Blobs:
    """Arrays and files behind the JSON of a pass, and where each will lie."""

    def __init__(self, scratch: Path) -> None:
        self._scratch = scratch
        self._blobs: list[Callable[[], bytes] | Path] = []
        self._at = 0

    def record(self, value: Any) -> Any:
        """A value as JSON, its arrays and files as blobs. TypeError for what is none of the kinds that are kept."""
        if value is None or type(value) in (bool, int, float, str):
            return value
        if isinstance(value, BandSignals):  # larger than all else together, and only the comparison needs it
            value = dataclasses.replace(value, path=None)
        if isinstance(value, np.generic):
            return {"scalar": value.dtype.str, "value": value.item()}
        if isinstance(value, np.ndarray):
            return self._array(lambda: value)
        if isinstance(value, KeptArray):  # its file holds each matrix twice over
            return {"kept": value.path.relative_to(self._scratch).as_posix(), "of": self._array(lambda: value[...])}
        if isinstance(value, Path):
            place = value.relative_to(self._scratch).as_posix()
            return {"file": place, **self._blob(value, value.stat().st_size)}
        if type(value) is tuple:
            return {"tuple": [self.record(entry) for entry in value]}
        if type(value) is list:
            return [self.record(entry) for entry in value]
        if type(value) is dict and all(type(key) is str for key in value):
            return {"dict": {key: self.record(entry) for key, entry in value.items()}}
        name = type(value).__name__
        if not dataclasses.is_dataclass(value) or _records().get(name) is not type(value):
            raise TypeError(f"{name} is no record that can be kept")
        names = [field.name for field in dataclasses.fields(value)]
        return {"record": name, "fields": {name: self.record(getattr(value, name)) for name in names}}

    def _array(self, read: Callable[[], AnyArray]) -> dict[str, Any]:
        """An array whose bytes are made when they are written: those of a whole song at once would be many."""
        value = read()
        half = _lower_half(value)
        told = {"array": value.dtype.str, "shape": value.shape, "half": half is not None}

        def data() -> bytes:
            array = read()
            lower = _lower_half(array)
            return np.ascontiguousarray(array if lower is None else lower).tobytes()

        return {**told, **self._blob(data, (value if half is None else half).nbytes)}

    def added(self, before: Any, after: Any) -> dict[str, Any]:
        """The fields that the pass filled in or changed; those of the tree itself are told one by one."""
        names = (
            field.name for field in dataclasses.fields(after) if field.name not in ("performances", "mics", "findings")
        )
        pairs = ((name, getattr(before, name), getattr(after, name)) for name in names)
        return {name: self.record(new) for name, old, new in pairs if new is not old}

    def _blob(self, blob: Callable[[], bytes] | Path, size: int) -> dict[str, int]:
        place = {"at": self._at, "bytes": size}
        self._blobs.append(blob)
        self._at += size
        return place

    def pieces(self) -> Iterator[bytes]:
        """All blobs, piece by piece: an hour's key envelopes are large."""
        for blob in self._blobs:
            if isinstance(blob, Path):
                with blob.open("rb") as file:
                    yield from iter(lambda file=file: file.read(_PIECE), b"")  # type: ignore[misc]
            else:
                yield blob()


def _lower_half(values: AnyArray) -> AnyArray | None:
    """What a stack of Hermitian matrices (..., M, M, F) has on and below its diagonals; None for anything else.

    To the last bit: what would not come back as it is counts as something else.
    """
    if values.dtype.kind != "c" or values.ndim < 3 or values.shape[-2] != values.shape[-3]:
        return None
    rows, columns = np.tril_indices(values.shape[-2])
    half: AnyArray = values[..., rows, columns, :]
    return half if _from_half(half.reshape(-1), values.shape).tobytes() == values.tobytes() else None


def _from_half(half: AnyArray, shape: tuple[int, ...]) -> AnyArray:
    """The matrices again."""
    rows, columns = np.tril_indices(shape[-2])
    whole: AnyArray = np.zeros(shape, half.dtype)
    half = half.reshape((*shape[:-3], len(rows), shape[-1]))
    whole[..., columns, rows, :] = half.conj()
    whole[..., rows, columns, :] = half
    return whole


def _write(path: Path, key: str, before: Song, after: Song, scratch: Path) -> None:
    """A pass as a file."""
    blobs = _Blobs(scratch)
    told = {
        "key": key,
        "song": blobs.added(before, after),
        "findings": blobs.record(tuple(finding for finding in after.findings if finding not in before.findings)),
        "performances": [
            {
                "own": blobs.added(old, new),
                "mics": [blobs.added(*mics) for mics in zip(old.mics, new.mics, strict=True)],
            }
            for old, new in zip(before.performances, after.performances, strict=True)
        ],
    }
    text = json.dumps(told, sort_keys=True).encode()
    digest = hashlib.sha256()
    with path.open("wb") as file:
        for piece in chain((_MAGIC, struct.pack("<Q", len(text)), text), blobs.pieces()):
            digest.update(piece)
            file.write(piece)
        file.write(digest.digest())


@cache
def _records() -> dict[str, type]:
    """The records of `premix.model` by name."""
    found: dict[str, type] = {Finding.__name__: Finding}
    for module in pkgutil.iter_modules(premix.model.__path__):
        for value in vars(importlib.import_module(f"premix.model.{module.name}")).values():
            if isinstance(value, type) and value.__module__.startswith("premix.model."):
                found.update({value.__name__: value} if dataclasses.is_dataclass(value) else {})
    return found


def _taken_over(path: Path, key: str, song: Song, scratch: Path) -> Song | None:
    """The song with the records of a pass; None where its file is not whole, of another pass, or does not fit."""
    try:
        with path.open("rb") as file:
            if not _is_whole(file):
                return None
            file.seek(len(_MAGIC))
            (size,) = struct.unpack("<Q", file.read(8))
            told = json.loads(file.read(size))
            return _with_records(song, told, _Made(file, file.tell(), scratch)) if told["key"] == key else None
    except (OSError, ValueError, KeyError, TypeError, struct.error):
        return None


def _is_whole(file: BinaryIO) -> bool:
    """Whether a file begins as it should and ends with the hash of all before."""
    left = file.seek(0, 2) - hashlib.sha256().digest_size
    file.seek(0)
    digest, begins = hashlib.sha256(), b""
    while left > 0:
        piece = file.read(min(left, _PIECE))
        if not piece:
            return False
        digest.update(piece)
        begins = begins or piece[: len(_MAGIC)]
        left -= len(piece)
    return begins == _MAGIC and file.read() == digest.digest()


def _with_records(song: Song, told: Mapping[str, Any], made: "_Made") -> Song:
    performances = []
    for performance, kept in zip(song.performances, told["performances"], strict=True):
        mics = tuple(
            dataclasses.replace(mic, **made.fields(fields))
            for mic, fields in zip(performance.mics, kept["mics"], strict=True)
        )
        performances.append(dataclasses.replace(performance, **made.fields(kept["own"]), mics=mics))
    filled = dataclasses.replace(song, **made.fields(told["song"]), performances=tuple(performances))
    return filled.tell(*made.value(told["findings"]))


class _Made:
    """Values made again from JSON and the blobs, which begin at `start` of the file."""

    def __init__(self, file: BinaryIO, start: int, scratch: Path) -> None:
        self._file, self._start, self._scratch = file, start, scratch

    def fields(self, told: Mapping[str, Any]) -> dict[str, Any]:
        return {name: self.value(entry) for name, entry in told.items()}

    def value(self, told: Any) -> Any:
        if isinstance(told, list):
            return [self.value(entry) for entry in told]
        if not isinstance(told, dict):
            return told
        if "scalar" in told:
            return np.dtype(told["scalar"]).type(told["value"])
        if "array" in told:
            values = np.frombuffer(b"".join(self._pieces(told)), told["array"])
            shape = tuple(told["shape"])
            return _from_half(values, shape) if told["half"] else values.reshape(shape).copy()
        if "kept" in told:
            return KeptArray.keep(self.value(told["of"]), self._place(told["kept"]))
        if "file" in told:
            path = self._place(told["file"])
            with path.open("wb") as file:
                file.writelines(self._pieces(told))
            return path
        if "tuple" in told:
            return tuple(self.value(entry) for entry in told["tuple"])
        if "dict" in told:
            return self.fields(told["dict"])
        return _records()[told["record"]](**self.fields(told["fields"]))

    def _place(self, name: str) -> Path:
        """Where a file of the pass goes."""
        path = self._scratch / name
        if not path.resolve().is_relative_to(self._scratch.resolve()):
            raise ValueError("a file outside of the scratch folder")
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def _pieces(self, told: Mapping[str, Any]) -> Iterator[bytes]:
        self._file.seek(self._start + told["at"])
        left = told["bytes"]
        while left:
            piece = self._file.read(min(left, _PIECE))
            if not piece:
                raise ValueError("the file is too short")
            left -= len(piece)
            yield piece
