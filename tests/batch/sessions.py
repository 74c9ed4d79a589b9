"""Songs for batches: a recipe for short demo sessions, folders with names but no sound, and what a run leaves."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from premix import __version__
from premix.batch.work import SongJob
from premix.errors import Finding
from premix.model.findings import grouped
from premix.model.manifest import DecisionEntry, EfficiencyEntry, FileEntry, GateEntry, InputEntry, Manifest
from premix.model.mix import MonoEntry
from premix.model.song import RecipeEntry
from tests.rigs.sessions import write_recipe

RATE = 48000

RECIPE = """\
format: 1
mics:
  dynamic: {}
  condenser: {gain_db: -3}
  ribbon: {gain_db: -2}
  sub: {role: sub, gain_db: -8}
  room: {role: room, gain_db: -12}
performances:
  left_a: {bus: left}
  right_a: {bus: right}
"""


def house_recipe(folder: Path, more: str = "") -> Path:
    """The recipe of these songs, with more lines."""
    return write_recipe(folder, RECIPE + more, "house.yaml")


def write_names(folder: Path, *names: str) -> Path:
    """A folder of empty files: enough for finding songs."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return folder


def left_behind(out: Path) -> list[str]:
    """Names of unfinished or hidden files anywhere below OUT."""
    return sorted(path.name for path in out.rglob(".premix*"))


def job(folder: Path, name: str, go: Path) -> SongJob:
    """A job for work that renders nothing."""
    return SongJob(name, folder / "house.yaml", folder / name, folder / "out" / name, go)


@dataclass(frozen=True)
class Heard:
    """One mic of a song. arrival_ms: when it hears the guitar after the reference; None: it was refused.

    level_db: as recorded, against -20 dBFS. clear: whether the other polarity is clearly worse.
    """

    mic: str
    role: Literal["close", "sub", "room"] = "close"
    arrival_ms: float | None = 0.0
    polarity: int = 1
    level_db: float | None = 0.0
    clear: bool = True


def manifest(
    *mics: Heard,
    lufs: float | None = -14.0,
    extra_trim_db: float = 0.0,
    playing_db: float = -20.0,
    reference: str = "dynamic",
    findings: tuple[Finding, ...] = (),
    written: tuple[str, ...] = ("manifest.json",),
) -> Manifest:
    """What a rendered song of one performance says of itself."""
    return Manifest(
        format=1,
        premix=__version__,
        libraries={},
        song="song",
        recipe=RecipeEntry(merged={}, origins={}, sha256=""),
        rate=RATE,
        frames=RATE,
        inputs=tuple(_input(heard) for heard in mics),
        alignment=tuple(_decision(heard, reference) for heard in mics),
        sum_efficiency_db=(EfficiencyEntry(performance="left", before=-4.0, after=-0.2, without={}),),
        files=(_guitars(lufs),),
        mono=MonoEntry(correlation=0.0, fold_db=-3.0),
        trim_db=-0.5,
        extra_trim_db=extra_trim_db,
        findings=grouped(findings),
        gate=(_gate(playing_db),),
        written=written,
    )


def _input(heard: Heard) -> InputEntry:
    return InputEntry(
        performance="left",
        mic=heard.mic,
        path=f"left_{heard.mic}.wav",
        sha256="",
        frames=RATE,
        container="WAV",
        subtype="PCM_24",
        start_samples=0,
        time_reference=None,
        sample_peak_dbfs=-6.0,
        rms_dbfs=None if heard.level_db is None else heard.level_db - 20.0,
    )


def _decision(heard: Heard, reference: str) -> DecisionEntry:
    return DecisionEntry(
        performance="left",
        mic=heard.mic,
        role=heard.role,
        reference=reference,
        delay_samples=0.0,
        polarity=heard.polarity,
        origin="auto" if heard.arrival_ms is not None else "refused",
        arrival_samples=None if heard.arrival_ms is None else heard.arrival_ms * RATE / 1000.0,
        margin_db=None,
        polarity_clear=heard.clear,
        coherence=0.9,
        refusal="alignment-silent" if heard.arrival_ms is None else None,
        delay_ms=0.0,
        distance_cm=0.0,
    )


def _guitars(lufs: float | None) -> FileEntry:
    return FileEntry(
        part="guitars",
        kind="guitar_bus",
        performance=None,
        mic=None,
        bus=None,
        path="song_guitars.wav",
        channels=2,
        frames=RATE,
        rate=RATE,
        bits=24,
        sha256="",
        sample_peak_dbfs=-1.5,
        true_peak_dbtp=-1.0,
        loudness_lufs=lufs,
    )


def _gate(playing_db: float) -> GateEntry:
    return GateEntry(riff=(), performance="left", stops=0, loud_db=playing_db, threshold_db=-30.0, threshold_auto=True)
