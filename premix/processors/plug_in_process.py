"""How the process that holds a plug-in is started and kept in bounds: it is native code that somebody else wrote.

It gets nothing by accident: no environment but a few names, no open files but its pipes, an empty folder to stand in,
and modules from where Python and premix are installed only. Limits that the system keeps: memory, processor time, size
of files, time for each answer. It ends with its parent, however that ends, also while it hangs.
"""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

WORKER = "premix.processors.plug_in_worker"
_KEPT = ("HOME", "LANG", "LC_ALL", "LC_CTYPE", "TZ", "LD_LIBRARY_PATH")
_KEPT_ON_WINDOWS = ("SYSTEMROOT", "WINDIR", "SYSTEMDRIVE", "USERPROFILE", "APPDATA", "LOCALAPPDATA", "PROGRAMDATA")
_FOLDER = "premix-plug-in-"
_YOUNG_S = 60.0
_LARGEST_FILE = 64_000_000
_SPARE_S = 5.0
"""What the system waits longer than we do before it ends a process that does not answer."""
_START = ThreadPoolExecutor(1, "plug-in starter")
"""The thread that starts them all: Linux takes the end of that thread for the end of the parent."""

_BOOT = """
import importlib, importlib.util, json, sys
packages, paths, module, bounds = map(json.loads, sys.argv[1:])
for name, folder in packages.items():
    spec = importlib.util.spec_from_file_location(name, folder + "/__init__.py", submodule_search_locations=[folder])
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
sys.path += [path for path in paths if path not in sys.path]
importlib.import_module(module).main(bounds)
"""
"""Packages of ours are taken from where they are, so that nothing else that lies there can be taken for a library."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a process may take. time_limit_s: for each answer. parent: the process it must not outlive."""

    memory_bytes: int
    time_limit_s: float
    parent: int


def worker_module() -> str:
    """The module that the process runs: its `main` takes the bounds as a dict."""
    return WORKER


class PlugInProcess:
    """A process with pipes to it, and its working folder; both are gone after `close`."""

    def __init__(self, memory_bytes: int, time_limit_s: float) -> None:
        self._folder, self._hold = _work_folder()
        bounds = Bounds(memory_bytes, time_limit_s, os.getpid())
        module = worker_module()
        ours = {name: str(_place(name)) for name in ("premix", module.partition(".")[0])}
        libraries = list(dict.fromkeys(str(_place(name).parent) for name in ("numpy", "pedalboard")))
        arguments = map(json.dumps, (ours, libraries, module, asdict(bounds)))
        try:
            self.process = _START.submit(_start, [sys.executable, "-I", "-c", _BOOT, *arguments], self._folder).result()
        except BaseException:
            self._leave()
            raise

    def close(self) -> None:
        """End it, and what it has started."""
        if hasattr(os, "killpg"):
            with suppress(OSError):
                os.killpg(self.process.pid, signal.SIGKILL)
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what was still to be written finds nobody
                    pipe.close()
        self._leave()

    def _leave(self) -> None:
        shutil.rmtree(self._folder, ignore_errors=True)
        if self._hold is not None:
            os.close(self._hold)
            self._hold = None


def _start(command: Sequence[str], folder: Path) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=folder,
        env=_environment(folder),
        close_fds=True,
        start_new_session=True,
    )


def _environment(folder: Path) -> dict[str, str]:
    names = _KEPT_ON_WINDOWS if sys.platform == "win32" else _KEPT
    kept = {name: os.environ[name] for name in names if name in os.environ}
    places = dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(folder))
    single = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    return {"PATH": os.defpath, **kept, **places, **single}


def _place(package: str) -> Path:
    """The folder that a package is in; ModuleNotFoundError where it is not installed."""
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError(f"no package {package}")
    return Path(next(iter(spec.submodule_search_locations))).absolute()


def _work_folder() -> tuple[Path, int | None]:
    """A new empty folder, and what shows that it is in use for as long as this process lives."""
    folder = Path(tempfile.mkdtemp(prefix=_FOLDER))
    return folder, _held(folder)


def _held(folder: Path) -> int | None:
    """A lock on a folder; None where another process has it, or where folders have none."""
    if sys.platform == "win32":
        return None
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def sweep_work_folders(top: Path) -> None:
    """Remove the working folders that killed runs left in the folder for temporary files."""
    for folder in top.glob(f"{_FOLDER}*"):
        with suppress(OSError):
            if time.time() - folder.stat().st_mtime > _YOUNG_S and (handle := _held(folder)) is not None:
                shutil.rmtree(folder, ignore_errors=True)
                os.close(handle)


class Contained:
    """The inside: called first of all in the process, and around every answer."""

    def __init__(self, memory_bytes: int, time_limit_s: float, parent: int) -> None:
        self._limit_s = time_limit_s + _SPARE_S
        if sys.platform == "win32":
            return
        import resource

        _end_with(parent)
        limits = {"RLIMIT_CORE": 0, "RLIMIT_FSIZE": _LARGEST_FILE}
        # Of the address space as a whole much is only reserved; where the system counts it apart, what is used counts.
        limits["RLIMIT_DATA" if sys.platform.startswith("linux") else "RLIMIT_AS"] = memory_bytes
        for name, limit in limits.items():
            with suppress(OSError, ValueError):  # a limit that is lower already stays
                resource.setrlimit(getattr(resource, name), (limit, limit))

    def begin(self) -> None:
        """An answer is due: the system ends the process where it does not come."""
        if sys.platform == "win32":
            return
        import resource

        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, self._limit_s)
        used = resource.getrusage(resource.RUSAGE_SELF)
        most = used.ru_utime + used.ru_stime + self._limit_s * (os.cpu_count() or 1)
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_CPU, (int(most) + 1, resource.getrlimit(resource.RLIMIT_CPU)[1]))

    def end(self) -> None:
        """It came."""
        if sys.platform != "win32":
            signal.setitimer(signal.ITIMER_REAL, 0.0)


def _end_with(parent: int) -> None:
    """Have this process end when its parent does: by the kernel (prctl(2)), elsewhere by a look now and then."""
    if sys.platform.startswith("linux"):
        import ctypes

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG of linux/prctl.h
    if os.getppid() != parent:
        os._exit(1)
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(1.0)
    os._exit(1)
