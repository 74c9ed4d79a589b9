"""The demo session with one thing gone wrong: one file, or two that are swapped, and nothing else."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import correlate

from premix.cli.main import run
from premix.demo.faulty import FAULTS, FaultKind
from premix.demo.session import DemoTruth, write_demo
from premix.errors import DeliveryError, Exit
from tests.rigs.sessions import read

SECONDS = 5.0
RATE = 48000
PERFORMANCES = ("left_a", "left_b", "right_a", "right_b")


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The session as it should be."""
    folder = tmp_path_factory.mktemp("clean") / "demo"
    write_demo(folder, seconds=SECONDS, performances=PERFORMANCES)
    return folder


def made(folder: Path, fault: FaultKind) -> DemoTruth:
    return write_demo(folder, seconds=SECONDS, performances=PERFORMANCES, fault=fault)


@pytest.mark.parametrize("fault", FAULTS)
def test_only_the_files_that_are_named_differ(clean: Path, tmp_path: Path, fault: FaultKind) -> None:
    """Every other sample of the session is as without the fault; truth.json and README.txt say what was done."""
    truth = made(tmp_path / "demo", fault)
    told = truth.fault
    assert told is not None
    assert DemoTruth.from_json((tmp_path / "demo" / "truth.json").read_text("utf-8")) == truth
    assert told.words(RATE) in (tmp_path / "demo" / "README.txt").read_text("utf-8")
    differ = {
        track.path
        for track in truth.tracks
        if not np.array_equal(read(clean / track.path), read(tmp_path / "demo" / track.path))
    }
    mics = {told.mic, told.swapped_with} - {None}
    assert differ == {f"{told.performance}_{mic}.wav" for mic in mics}


def pair(clean: Path, folder: Path, truth: DemoTruth) -> tuple[np.ndarray, np.ndarray, int]:
    """The mic's file without and with the fault, and the sample from which on it has it."""
    assert truth.fault is not None
    name = f"{truth.fault.performance}_{truth.fault.mic}.wav"
    return read(clean / name)[0], read(folder / name)[0], round(truth.fault.from_s * RATE)


@pytest.mark.parametrize(("fault", "late", "sign"), [("jump", 82, 1), ("turned", 0, -1), ("late", 336, 1)])
def test_from_its_place_on_the_mic_is_late_or_turned(
    clean: Path, tmp_path: Path, fault: FaultKind, late: int, sign: int
) -> None:
    """Bit for bit the same file, so many samples later or upside down; 1.7 ms is 82 samples, 7.01 ms 336."""
    before, after, at = pair(clean, tmp_path / "demo", made(tmp_path / "demo", fault))
    assert (at > 0) == (fault != "late")
    np.testing.assert_array_equal(after[:at], before[:at])
    np.testing.assert_array_equal(after[at + late :], sign * before[at : len(before) - late])


def test_a_drift_is_so_many_samples_in_a_million(clean: Path, tmp_path: Path) -> None:
    """40 ppm: the last half second, 4.75 s in, lies 40e-6 x 4.75 x 48000 = 9.1 samples later (by correlation)."""
    truth = made(tmp_path / "demo", "drift")
    before, after, at = pair(clean, tmp_path / "demo", truth)
    assert at == 0
    found = correlate(after[-24000:], before[-24000:], "full")
    assert int(np.argmax(found)) - 23999 == 9


def test_swapped_files_have_each_others_samples(clean: Path, tmp_path: Path) -> None:
    made(tmp_path / "demo", "swapped")
    for one, other in (("condenser", "ribbon"), ("ribbon", "condenser")):
        mine = read(tmp_path / "demo" / f"right_a_{one}.wav")
        np.testing.assert_array_equal(mine, read(clean / f"right_a_{other}.wav"))


def test_a_fault_without_its_performance_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="fault"):
        write_demo(tmp_path / "demo", seconds=SECONDS, performances=("centre",), fault="jump")
    assert not (tmp_path / "demo").exists()


def test_the_command_says_which_mic_where_and_how_much(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """'premix demo DIR --fault jump': mic, size and place on the terminal."""
    assert run(["demo", str(tmp_path / "demo"), "--seconds", "3", "--fault", "jump"]) == Exit.DONE
    assert "left_b/condenser jumps by +1.708 ms (+82 samples) at 1.80 s" in capsys.readouterr().err
    assert soundfile.info(tmp_path / "demo" / "left_b_condenser.wav").frames == 3 * RATE
