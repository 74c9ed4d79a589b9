"""The file of a kept step: the records that it put beside performances and mics, and what it has to say.

JSON whose arrays and files follow as bytes, and a hash of it all. Only plain records of `premix.model` are made of it.
"""

import dataclasses
import hashlib
import importlib
import json
import pkgutil
import struct
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

import premix.model
from premix.errors import Finding
from premix.model.song import Song
from premix.model.tracks import BandSignals, KeptArray

AnyArray = npt.NDArray[Any]
_MAGIC = b"premix-kept-1\n"
_PIECE = 1 << 20


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


def write_kept(path: Path, key: str, before: Song, after: Song, scratch: Path) -> None:
    """Write what a step made of `before` to a file. key: what it depends on. TypeError for what cannot be kept."""
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


def taken_over(path: Path, key: str, song: Song, scratch: Path) -> Song | None:
    """The song with the records of a kept step; None where its file is not whole, of another key, or does not fit."""
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
