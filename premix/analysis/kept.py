"""The reading pass, kept for the next run: where nothing but gains, mutes, widths, chains or delivery changed since,
its results are taken over instead of reading every track again.

A pass is known by what it depends on: the tracks (name, place, header, size, time of the last change, a hash of the
first bytes), everything of the song that this pass may ask for, and the versions. What it must not depend on is left
out by name; what is added to the song later counts until somebody says otherwise. That is a good guess and no proof:
whoever takes a pass over holds the samples that are read later against the hashes in it, and starts afresh where they
differ. `kept_file.py` has the files.
"""

import contextlib
import dataclasses
import hashlib
import importlib.metadata
import json
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from premix import __version__
from premix.analysis.kept_file import taken_over, write_kept
from premix.analysis.scan import partners_of
from premix.model.song import NOT_YET, Mic, Performance, Song
from premix.model.tracks import Track

_HEAD_BYTES = 65536
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
            found = taken_over(self._earlier / name, key, song, scratch)
            if found is not None:
                self.taken = True
                self._files[name] = self._earlier / name
                return found
        found = scan()
        if self._keeps:
            with contextlib.suppress(TypeError):  # of a kind that cannot be kept: then the next run reads again
                write_kept(scratch / name, key, song, found, scratch)
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
            found = taken_over(self._earlier / name, key, song, scratch)
            if found is not None:
                self._files[name] = self._earlier / name
                return found, True
        if step is None:
            return None, False
        found = step()
        if self._keeps:
            with contextlib.suppress(TypeError, ValueError):
                write_kept(scratch / name, key, song, found, scratch)
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
