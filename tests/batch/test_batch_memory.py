"""How many songs fit into the machine at once."""

from pathlib import Path

from premix.batch.memory import SONG_BYTES, cores, fitting_jobs, free_bytes


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
    assert fitting_jobs(None) is None
    (tmp_path / "odd").write_text("MemAvailable: many kB\n")
    assert free_bytes(tmp_path / "odd", tmp_path) is None


def test_jobs_fit_into_the_free_memory_and_one_always_does() -> None:
    """A tenth is left to others; with too little memory one song at a time is still tried."""
    assert fitting_jobs(4 * SONG_BYTES) == 3
    assert fitting_jobs(SONG_BYTES // 2) == 1


def test_this_machine_has_cores_and_memory() -> None:
    """The real files are read: at least one core, and more than 10 MB where the kernel tells."""
    assert cores() >= 1
    free = free_bytes()
    assert free is None or free > 10_000_000
