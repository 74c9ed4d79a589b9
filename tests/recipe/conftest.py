"""Sessions that the shipped recipes are for."""

from pathlib import Path

import pytest

from premix.demo.line_ups import LINE_UPS
from premix.demo.session import write_demo


@pytest.fixture(scope="session")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Rig of the demo -> its session, as short as it can be; without the usual one, which is committed."""
    folders = {rig: tmp_path_factory.mktemp(rig) / "tracks" for rig in LINE_UPS if rig != "house"}
    for rig, folder in folders.items():
        write_demo(folder, seconds=3.0, rig=rig)
    return {str(rig): folder for rig, folder in folders.items()}
