"""The files of a demo session: tracks, README.txt, and a folder that is complete or untouched."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from premix.audiofile.writer import PartWriter, WrittenSamples, storage_error
from premix.demo.truth import DemoTruth
from premix.errors import DeliveryError, Problem
from premix.messages.demo import SLUGS

FloatArray = npt.NDArray[np.float64]
FileFormat = Literal["wav", "flac"]
FORMATS: tuple[FileFormat, ...] = ("wav", "flac")

_README = """{song} - demo session

The song and the band, {band}, are invented; every sound in here is synthesised.
{performances} takes of one riff ({seconds:g} s at {tempo:g} bpm) through one amp and cabinet, each heard by:

{mics}

The mics stand at different distances, one has a converter of its own, and some are wired upside down.
truth.json says by how much, and when the guitar plays. Turn the volume down before you listen.
"""


def readme(truth: DemoTruth) -> str:
    """The text of README.txt."""
    first = [t for t in truth.tracks if t.performance == truth.tracks[0].performance]
    return _README.format(
        song=truth.song,
        band=truth.band,
        performances=len(truth.performances),
        seconds=truth.frames / truth.rate,
        tempo=truth.tempo_bpm,
        mics="\n".join(f"  {t.mic:<10} {t.distance_cm:6.1f} cm" for t in first),
    )


def write_mono(
    path: Path, signal: FloatArray, rate: int, bits: int, file_format: FileFormat
) -> WrittenSamples:
    """Write a signal, shape (frames), as a mono file; no dither: the mics' noise is far above one step."""
    with PartWriter(
        path, rate=rate, channels=1, frames=len(signal), container=file_format, bits=bits
    ) as writer:
        writer.write(signal[np.newaxis])
        return writer.close()


@contextmanager
def staged(folder: Path) -> Iterator[Path]:
    """A scratch folder whose files move into `folder` at the end, or vanish if anything goes wrong.

    Raises DeliveryError where folder holds anything but an earlier session, or cannot be written.
    """
    _check_folder(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            yield stage
            folder.mkdir(exist_ok=True)
            for old in folder.iterdir():
                old.unlink()
            for file in sorted(stage.iterdir()):
                file.replace(folder / file.name)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise storage_error(folder, error) from None


def _check_folder(folder: Path) -> None:
    """Refuse a folder in which something of the user's could be lost."""
    remedy = SLUGS["demo-folder"]
    if folder.exists() and not folder.is_dir():
        raise DeliveryError(Problem("demo-folder", str(folder), "is a file", remedy=remedy))
    names = {entry.name for entry in folder.iterdir()} if folder.is_dir() else set()
    if not names:
        return
    try:
        truth = DemoTruth.from_json((folder / "truth.json").read_text(encoding="utf-8"))
        ours = {t.path for t in truth.tracks} | {"truth.json", "song.yaml", "README.txt"}
    except (OSError, ValueError, KeyError, TypeError):
        ours = set()
    if foreign := sorted(names - ours):
        what = f"holds files that are not a demo session's ({foreign[0]}{' ...' if foreign[1:] else ''})"
        raise DeliveryError(Problem("demo-folder", str(folder), what, remedy=remedy))
