"""Songs for batches: a recipe for short demo sessions, folders with names but no sound, and what a run leaves."""

from pathlib import Path

from premix.batch.album import MicFacts, SongFacts
from premix.batch.work import SongJob

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


def write_recipe(folder: Path, more: str = "") -> Path:
    """The recipe of these songs, with more lines."""
    path = folder / "house.yaml"
    path.write_text(RECIPE + more, "utf-8")
    return path


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


def facts(*mics: MicFacts, lufs: float | None = -14.0, extra_trim_db: float = 0.0, **more: object) -> SongFacts:
    """Facts of a song that is well."""
    values: dict[str, object] = {
        "efficiency_before_db": -4.0,
        "efficiency_after_db": -0.2,
        "mono_fold_db": -3.0,
        "loudness_lufs": lufs,
        "true_peak_dbtp": -1.0,
        "trim_db": -0.5,
        "extra_trim_db": extra_trim_db,
        "refused": (),
        "broken": (),
        "warnings": 0,
        "report": None,
        "reference": "dynamic",
        "mics": mics,
        "playing_db": -20.0,
    }
    return SongFacts(**{**values, **more})  # type: ignore[arg-type]
