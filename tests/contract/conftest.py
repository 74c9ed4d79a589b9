"""One workshop for all tests of the contract: each thing is made once, when it is first looked at."""

import os
from pathlib import Path

import pytest

from tests.contract import stored
from tests.contract.mistakes import make_song
from tests.contract.samples import machine
from tests.contract.workshop import Workshop


@pytest.fixture(scope="session")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    """Inputs, and what was made of them so far; the processes of one test run share them."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        return Workshop(tmp_path_factory.getbasetemp().parent / "contract")
    return Workshop(tmp_path_factory.mktemp("contract"))


@pytest.fixture(scope="session")
def song_to_spoil(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small song; each mistake is made in a copy."""
    folder = tmp_path_factory.mktemp("mistakes") / "song"
    make_song(folder)
    return folder


@pytest.fixture(scope="session")
def to_the_bit() -> bool:
    """Whether this machine and its libraries are those that the hashes were made on."""
    then, now = stored.read(stored.HASHES)["machine"], machine()
    return all(then[what] == now[what] for what in ("system", "instructions", "libraries"))
