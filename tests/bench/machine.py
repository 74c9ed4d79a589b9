"""What a bench's numbers were measured with: CPU model and versions, no names or paths of the machine."""

import importlib.metadata
import platform
from pathlib import Path


def versions() -> dict[str, str]:
    """CPU model, Python and library versions."""
    cpu = "unknown"
    info = Path("/proc/cpuinfo")
    if info.exists():
        models = [line.partition(":")[2].strip() for line in info.read_text().splitlines() if "model name" in line]
        cpu = models[0] if models else cpu
    libraries = {n: importlib.metadata.version(n) for n in ("numpy", "scipy", "soundfile", "premix-stems")}
    return {"cpu": cpu, "python": platform.python_version(), **libraries}
