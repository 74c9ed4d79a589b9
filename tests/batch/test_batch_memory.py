"""How many songs fit into the machine at once."""

from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path

import pytest

from premix.batch import engines
from premix.batch.engines import SONG_BYTES, cores, fitting_jobs, free_bytes
from premix.batch.order import run_batch
from premix.batch.work import SongJob, SongResult
from tests.batch.sessions import house_recipe, write_names

MICS = ("dynamic", "condenser", "ribbon", "sub", "room")


def write(folder: Path, **files: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / name.replace("_", ".", 1)).write_text(text)
    return folder


def test_free_memory_is_what_the_kernel_says_is_available(tmp_path: Path) -> None:
    """MemAvailable counts in KiB (proc(5)); MemFree alone would leave the caches out."""
    meminfo = tmp_path / "meminfo"
    meminfo.write_text("MemTotal: 8000 kB\nMemFree: 100 kB\nMemAvailable: 5000 kB\n")
    assert free_bytes(meminfo, tmp_path) == 5000 * 1024


def test_a_container_s_limit_counts_where_it_is_lower(tmp_path: Path) -> None:
    """Limit minus what is used, cached files not counted as used; 'max' is no limit."""
    meminfo = tmp_path / "meminfo"
    meminfo.write_text("MemAvailable: 5000 kB\n")
    stat = "inactive_file 200000\nanon 1\n"
    group = write(tmp_path / "group", memory_max="1000000\n", memory_current="700000\n", memory_stat=stat)
    assert free_bytes(meminfo, group) == 500_000
    (group / "memory.max").write_text("max\n")
    assert free_bytes(meminfo, group) == 5000 * 1024


def test_memory_that_is_not_known_limits_nothing(tmp_path: Path) -> None:
    """Systems without these files, and files that say something else."""
    assert free_bytes(tmp_path / "none", tmp_path) is None
    (tmp_path / "odd").write_text("MemAvailable: many kB\n")
    assert free_bytes(tmp_path / "odd", tmp_path) is None


def test_jobs_fit_into_the_free_memory_and_one_always_does() -> None:
    """A tenth is left to others; with too little memory one song at a time is still tried."""
    assert fitting_jobs(4 * SONG_BYTES) == 3
    assert fitting_jobs(SONG_BYTES // 2) == 1


@pytest.mark.parametrize(
    ("free", "jobs", "expected", "told"),
    [
        (2.9 * SONG_BYTES, 8, 2, ["batch-fewer-jobs"]),
        (100 * SONG_BYTES, 2, 2, []),
        (100 * SONG_BYTES, 8, 3, []),
        (None, 2, 2, []),
    ],
)
def test_a_batch_takes_no_more_at_once_than_fit(
    free: float | None, jobs: int, expected: int, told: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever --jobs asks for; a finding says so. Never more than there are songs, and as asked where nobody knows."""
    monkeypatch.setattr(engines, "free_bytes", lambda: None if free is None else int(free))
    asked = []

    def noted(go: Path, workers: int) -> Executor:
        asked.append(workers)
        return ThreadPoolExecutor(1)

    monkeypatch.setattr(engines, "processes", noted)
    names = [f"{performance}_{mic}.wav" for performance in ("left_a", "right_a") for mic in MICS]
    songs = [str(write_names(tmp_path / song, *names)) for song in ("one", "two", "three")]
    batch = run_batch(house_recipe(tmp_path), songs, tmp_path / "out", jobs=jobs, work=done)
    assert asked == [expected]
    assert [finding.slug for finding in batch.findings] == told
    assert [result.status for result in batch.results] == ["rendered"] * 3


def done(job: SongJob) -> SongResult:
    """Work that is done at once."""
    return SongResult(job.name, "rendered")


def test_this_machine_has_cores_and_memory() -> None:
    """The real files are read: at least one core, and more than 10 MB where the kernel tells."""
    assert cores() >= 1
    free = free_bytes()
    assert free is None or free > 10_000_000
