"""A real VST3 plug-in, built here from one file, through the library and the worker as a user's own would be."""

import platform
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from premix.errors import Finding, RecipeError
from premix.processors.chains import RunningChain
from premix.processors.plug_in import ROW
from tests.rigs.sessions import Song, manifest_of, samples

from .driving import drive, noise, setting, step
from .mixing import recipe, rendered

pytestmark = pytest.mark.tools("g++")
SOURCE = Path(__file__).with_name("small_plug_in.cpp")
Build = Callable[..., str]


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Builds the plug-in with the macros that are given; gives its bundle's path."""

    @cache
    def built(*macros: str) -> str:
        bundle = tmp_path_factory.mktemp("plug-ins") / "Halver.vst3"
        binary = bundle / "Contents" / f"{platform.machine()}-linux" / "Halver.so"
        binary.parent.mkdir(parents=True)
        options = ["-std=c++17", "-O1", "-shared", "-fPIC", "-fvisibility=hidden", *macros]
        subprocess.run(["g++", *options, SOURCE, "-o", binary], check=True)
        return str(bundle)

    return built


def findings(file: str) -> tuple[Finding, ...]:
    """What is found once some rows have passed."""
    running = RunningChain((step("plug_in", file=file),), setting())
    try:
        running.process(noise(1, 3 * ROW))
        return running.findings()
    finally:
        running.close()


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("late", [0, 100, 5000])
def test_its_latency_is_compensated_to_the_sample(late: int, channels: int, build: Build) -> None:
    """Half the level, in time, in 32 bits: also where it is later than a whole block."""
    signal = noise(channels, 3 * ROW + 77)
    made = drive(step("plug_in", file=build(f"-DLATE={late}")), signal)
    assert np.array_equal(made, signal.astype(np.float32) * np.float32(0.5))


def test_an_honest_plug_in_gives_no_findings(build: Build) -> None:
    """Its click comes where it should, and two runs agree."""
    assert findings(build("-DLATE=100")) == ()


def test_a_latency_that_is_not_reported_is_told(build: Build) -> None:
    """100 samples late, reported as none."""
    (finding,) = findings(build("-DLATE=100", "-DREPORTED=0"))
    assert finding.slug == "plug-in-latency"
    assert "a click came +100 samples off" in finding.message


@pytest.mark.parametrize("name", ["level.state", "level.vstpreset"])
def test_its_state_comes_from_a_file(name: str, build: Build, tmp_path: Path) -> None:
    """The library's raw state, and a preset file of the standard: a level of a quarter."""
    import pedalboard

    file = build("-DLATE=100")
    plug_in = pedalboard.load_plugin(file)
    plug_in.level = 0.25
    state = tmp_path / name
    state.write_bytes(plug_in.preset_data if name.endswith("preset") else plug_in.raw_state)
    signal = noise(1, ROW)
    made = drive(step("plug_in", file=file, state=str(state)), signal)
    assert np.array_equal(made, signal.astype(np.float32) * np.float32(0.25))


def test_its_crash_is_one_line(build: Build) -> None:
    """It aborts in its ninth block: its process is gone, ours is not."""
    with pytest.raises(RecipeError, match=r"crashed.*\[plug-in-crashed\]$"):
        drive(step("plug_in", file=build("-DCRASHES")), noise(1, 12 * ROW))


def test_a_bus_through_it_is_in_time_with_the_others(build: Build, song: Song) -> None:
    """In a whole render: the bus is half its plain self, and the manifest holds the bundle's hash."""
    out = rendered(song, recipe(bus=f"[{{plug_in: {{file: {build('-DLATE=100')}}}}}]"))
    plain = rendered(song, recipe())
    assert np.abs(samples(out, "bus_left") - 0.5 * samples(plain, "bus_left")).max() <= 2.0**-26
    (file,) = manifest_of(out)["chain_files"]
    assert (file["where"], file["name"]) == ("buses.left.chain[0].plug_in.file", "Halver.vst3")
    assert len(file["sha256"]) == 64
    assert [f for f in manifest_of(out)["findings"] if f["slug"].startswith("plug-in")] == []


def test_a_name_that_the_file_does_not_hold_is_refused(build: Build) -> None:
    """The library alone would load the one that is there; by its own name it is loaded."""
    with pytest.raises(RecipeError, match=r"it holds no 'Doubler', but Halver.*\[plug-in-refused\]"):
        drive(step("plug_in", file=build("-DLATE=0"), name="Doubler"), noise(1, 100))
    assert drive(step("plug_in", file=build("-DLATE=0"), name="Halver"), noise(1, 100)).any()
