"""A mix of whole-sample delays and gains, rebuilt by other programs from the same files."""

import subprocess
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import STEP_24, Song, read, riff, samples, write_song

FRAMES = 3 * 48000
DELAYS = {"dynamic": 0, "condenser": 17, "ribbon": 29, "sub": -41}
"""By hand, in whole samples: positive is late, so the mic is advanced."""
GAINS_DB = {"dynamic": 0.0, "condenser": -3.5, "ribbon": -2.0, "sub": -8.0}
INVERTED = ("ribbon", "sub")
PERFORMANCES = {"left_a": ("left", 0.0), "left_b": ("left", -2.0), "right_a": ("right", -1.0)}
BUSES_DB = {"left": -1.0, "right": 0.5}


def recipe() -> str:
    """The recipe with everything by hand: nothing is sought, nothing is filtered."""
    mics = [
        f"  {mic}: {{role: {'sub' if mic == 'sub' else 'close'}, gain_db: {GAINS_DB[mic]}, "
        f"polarity: {'inverted' if mic in INVERTED else 'normal'}, delay: {{samples: {delay}}}}}"
        for mic, delay in DELAYS.items()
    ]
    performances = [f"  {name}: {{bus: {bus}, gain_db: {db}}}" for name, (bus, db) in PERFORMANCES.items()]
    buses = [f"  {name}: {{pan: {-1 if name == 'left' else 1}, gain_db: {db}}}" for name, db in BUSES_DB.items()]
    return "\n".join(
        ["format: 1", "song: Rebuilt", "mics:", *mics, "performances:", *performances, "buses:", *buses, ""]
    )


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Rendered by premix at 24 bits, no trim."""
    takes = {
        f"{name}_{mic}": riff(seed, FRAMES, peak=0.25) * (1.0 - 0.1 * number)
        for seed, name in enumerate(PERFORMANCES)
        for number, mic in enumerate(DELAYS)
    }
    made = write_song(tmp_path_factory.mktemp("rebuilt"), recipe(), takes)
    outcome = render(made.recipe, made.tracks, made.out())
    assert outcome.rendered.rendering.trim_db == 0.0
    return made


def gain_of(name: str, mic: str, extra_db: float = 0.0) -> float:
    """Linear gain of a mic in its stem, with its polarity."""
    gain = float(10.0 ** ((GAINS_DB[mic] + PERFORMANCES[name][1] + extra_db) / 20.0))
    return -gain if mic in INVERTED else gain


def sox_mix(song: Song, path: Path, names: Sequence[str], extra_db: float = 0.0) -> FloatArray:
    """All mics of some performances mixed by sox: trim or pad for the delay, -v for the gain, no dither."""
    moved = []
    for name, mic in ((n, m) for n in names for m in DELAYS):
        delay, file = DELAYS[mic], path.with_name(f"{path.stem}_{name}_{mic}.wav")
        steps = (
            ["trim", f"{delay}s", "pad", "0", f"{delay}s"]
            if delay >= 0
            else ["pad", f"{-delay}s", "0", "trim", "0", f"{FRAMES}s"]
        )
        subprocess.run(["sox", song.tracks / f"{name}_{mic}.wav", file, *steps], check=True, capture_output=True)
        moved += ["-v", repr(gain_of(name, mic, extra_db)), str(file)]
    subprocess.run(["sox", "-D", "-m", *moved, "-b", "24", str(path)], check=True, capture_output=True)
    mixed: FloatArray = read(path)[0]
    return mixed


def ffmpeg_mix(song: Song, names: Sequence[str], extra_db: float = 0.0) -> FloatArray:
    """The same mix by ffmpeg, in 64-bit floats all the way."""
    mics = [(name, mic) for name in names for mic in DELAYS]
    inputs = chain.from_iterable(["-i", str(song.tracks / f"{name}_{mic}.wav")] for name, mic in mics)
    lines = []
    for number, (name, mic) in enumerate(mics):
        delay = DELAYS[mic]
        moved = (
            f"atrim=start_sample={delay},asetpts=PTS-STARTPTS,apad=pad_len={delay}"
            if delay > 0
            else (f"adelay=delays={-delay}S,atrim=end_sample={FRAMES}" if delay < 0 else "anull")
        )
        volume = f"volume={gain_of(name, mic, extra_db)!r}:precision=double"
        lines.append(f"[{number}:a]aformat=dbl,{moved},{volume}[m{number}]")
    labels = "".join(f"[m{number}]" for number in range(len(mics)))
    lines.append(f"{labels}amix=inputs={len(mics)}:normalize=0[mix]")
    graph = ["-filter_complex", ";".join(lines), "-map", "[mix]"]
    made = subprocess.run(
        ["ffmpeg", "-v", "error", *inputs, *graph, "-c:a", "pcm_f64le", "-f", "f64le", "-"],
        check=True,
        capture_output=True,
    )
    return np.frombuffer(made.stdout, "<f8")


def bus_of(name: str) -> list[str]:
    """The performances of a bus."""
    return [n for n, (bus, _) in PERFORMANCES.items() if bus == name]


@pytest.mark.tools("sox")
@pytest.mark.parametrize("name", PERFORMANCES)
def test_stems_null_against_sox_to_the_last_step(song: Song, tmp_path: Path, name: str) -> None:
    """sox (SoX 14.4, independent code) works in 32-bit integers: each gain rounds by half of 2^-31.

    That moves a sample over the edge between two steps of 24 bits once in some hundred samples: so at most one
    step apart, and nearly all the same.
    """
    held_db = BUSES_DB[PERFORMANCES[name][0]]  # of its bus, which the stem's file holds
    mixed = sox_mix(song, tmp_path / "stem.wav", [name], held_db)
    apart = np.abs(samples(song.out(), f"stem_{name}")[0] - mixed) / STEP_24
    assert np.max(apart) <= 1.0
    assert np.mean(apart == 0.0) > 0.95


@pytest.mark.tools("sox")
@pytest.mark.parametrize("bus", BUSES_DB)
def test_buses_null_against_sox_to_the_last_step(song: Song, tmp_path: Path, bus: str) -> None:
    """From the tracks again, not from the stems: gains of mic, performance and bus multiplied. Bound as above."""
    mine = samples(song.out(), f"bus_{bus}")[0]
    apart = np.abs(mine - sox_mix(song, tmp_path / "bus.wav", bus_of(bus), BUSES_DB[bus])) / STEP_24
    assert np.max(apart) <= 1.0
    assert np.mean(apart == 0.0) > 0.95


@pytest.mark.tools("ffmpeg")
@pytest.mark.parametrize(
    ("part", "names", "extra_db"),
    [
        ("stem_left_b", ["left_b"], BUSES_DB["left"]),
        ("bus_left", bus_of("left"), BUSES_DB["left"]),
        ("bus_right", bus_of("right"), BUSES_DB["right"]),
    ],
)
def test_ffmpegs_floats_are_half_a_step_away_at_most(
    song: Song, part: str, names: Sequence[str], extra_db: float
) -> None:
    """ffmpeg mixes in 64-bit floats, so only premix's own rounding to the nearest of 2^23 steps is left."""
    apart = np.abs(samples(song.out(), part)[0] - ffmpeg_mix(song, names, extra_db)) / STEP_24
    assert np.max(apart) <= 0.5 + 1e-6
    assert np.sqrt(np.mean(apart**2)) == pytest.approx(1.0 / np.sqrt(12.0), rel=0.02)  # rounding, not flooring


def test_hard_sides_carry_their_bus_alone(song: Song) -> None:
    """Left and right of the guitar bus are the two buses, bit for bit."""
    left, right = samples(song.out(), "guitars")
    np.testing.assert_array_equal(left, samples(song.out(), "bus_left")[0])
    np.testing.assert_array_equal(right, samples(song.out(), "bus_right")[0])
