"""What workers do in place of rendering: end in every way a worker can end. Importable by other processes."""

import os
import signal
import time

from premix.batch.work import Pulse, SongJob, SongResult, StoppedError


def _leave_mark(job: SongJob) -> bool:
    """Whether this is the first try of the job; the mark stays in OUT's parent."""
    mark = job.out.parent.parent / f"{job.name}.tried"
    first = not mark.exists()
    mark.touch()
    return first


def die_by_name(job: SongJob) -> SongResult:
    """'dies' is killed on every try, 'dies once' on the first; the others are done after a moment."""
    if job.name == "dies" or (job.name == "dies once" and _leave_mark(job)):
        time.sleep(0.1)
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.2)
    return SongResult(job.name, "rendered")


def raise_by_name(job: SongJob) -> SongResult:
    """'raises' raises what no job should."""
    if job.name == "raises":
        raise RuntimeError("not a result")
    return SongResult(job.name, "rendered")


def beat_until_stopped(job: SongJob) -> SongResult:
    """Works on until the go-ahead is gone, at most a minute; 'quick' only says whether Ctrl-C would reach it."""
    if job.name == "quick":
        deaf = signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])
        return SongResult(job.name, "rendered" if deaf else "bug")
    pulse = Pulse(job.go, job.name)
    try:
        pulse.begin("rendering", 6000)
        for _ in range(6000):
            time.sleep(0.01)
            pulse.advance(1)
    except StoppedError:
        return SongResult(job.name, "stopped")
    return SongResult(job.name, "bug")


def nap(job: SongJob) -> SongResult:
    """Half a second of work."""
    time.sleep(0.5)
    return SongResult(job.name, "rendered")
