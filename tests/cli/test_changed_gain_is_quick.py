"""What the last render read is taken over where nothing that it depends on changed: to the last bit, or not at all."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.analysis import kept as kept_module
from premix.delivery.verify import KEPT
from tests.cli.conftest import Premix, Said
from tests.conftest import Demo
from tests.rigs.sessions import FloatArray, Song, manifest_of, riff, tree, write_song, write_track

RATE, FRAMES = 48000, 5 * 48000
RECIPE = """\
format: 1
song: Quick
mics:
  dynamic: {}
  ribbon: {gain_db: -3}
  sub: {role: sub, gain_db: -8, low_pass_hz: 180}
  room: {role: room, gain_db: -6}
performances:
  left: {bus: left}
  right: {bus: right}
"""
TAKEN = "  the reading pass of the render in OUT was taken over"


def takes() -> dict[str, FloatArray]:
    """Two performances; the mics hear them at other times and levels."""
    made = {}
    for seed, name in enumerate(("left", "right")):
        take = riff(seed, FRAMES)
        for mic, (late, gain) in {
            "dynamic": (0, 1.0),
            "ribbon": (31, -0.8),
            "sub": (90, 0.5),
            "room": (420, 0.3),
        }.items():
            made[f"{name}_{mic}"] = gain * np.roll(take, late)
    return made


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """A song with a render in OUT (read only)."""
    from premix.cli.main import run

    song = write_song(tmp_path_factory.mktemp("quick"), RECIPE, takes())
    assert run(["render", str(song.recipe), str(song.tracks), "--out", str(song.out()), "--no-report"]) == 0
    return song


@pytest.fixture
def song(first: Song, tmp_path: Path) -> Song:
    """A copy to be changed, with the times of its files."""
    shutil.copytree(first.recipe.parent, tmp_path / "song")
    return Song(tmp_path / "song" / "recipe.yaml", tmp_path / "song" / "tracks")


def render(premix: Premix, song: Song, *words: str, out: str = "out") -> Said:
    said = premix("render", song.recipe, song.tracks, "--out", song.out(out), "--no-report", *words)
    assert said.code == 0, said.err
    return said


def audio(out: Path) -> dict[str, str]:
    """Every delivered file but what belongs to this folder's own history."""
    return {name: sha256 for name, sha256 in tree(out).items() if not name.startswith(KEPT)}


QUICK = {
    "nothing": (),
    "gain": ("mics.ribbon.gain_db=-1",),
    "gain of one": ("performances.left.mics={ribbon: {gain_db: -9}}",),
    "mute": ("mics.sub.mute=true",),
    "muted performance": ("performances.right.mute=true",),
    "performance": ("performances.left.gain_db=-3",),
    "bus and width": ("buses.left.gain_db=-2", "guitar_bus.width=1.3"),
    "chain": (
        "mics.dynamic.chain=[{high_pass: {cutoff_hz: 90}}]",
        "guitar_bus.chain=[{compressor: {threshold_db: -20}}]",
    ),
    "delivery": ("deliver.bits=16", "deliver.rate=44100", "deliver.files=[stems, guitar_bus, aligned_mics]"),
    "level": ("deliver.level={loudness_lufs: -20}",),
    "limits": ("limits.correlation=-1",),
}


@pytest.mark.parametrize("settings", QUICK.values(), ids=list(QUICK))
def test_what_the_pass_does_not_depend_on_is_quick_and_bit_for_bit(
    premix: Premix, song: Song, settings: tuple[str, ...]
) -> None:
    """Taken over, told, and every file, sheets and manifest included, is that of a run that reads everything."""
    words = [word for setting in settings for word in ("--set", setting)]
    assert TAKEN in render(premix, song, *words).lines
    assert TAKEN not in render(premix, song, *words, "--fresh", out="fresh").lines
    assert audio(song.out()) == audio(song.out("fresh"))
    assert tree(song.out() / KEPT) == tree(song.out("fresh") / KEPT)  # and the next run starts from the same


SLOW = {
    "gate": ("gate.band_hz=[100, 4000]",),
    "role": ("mics.ribbon.role=sub",),
    "another song of mics": ("mics.ribbon=null",),
    "search": ("alignment.search_ms=5",),
}


@pytest.mark.parametrize("settings", SLOW.values(), ids=list(SLOW))
def test_what_it_may_depend_on_is_read_again(premix: Premix, song: Song, settings: tuple[str, ...]) -> None:
    """Anything else of the recipe."""
    words = [word for setting in settings for word in ("--set", setting)]
    assert TAKEN not in render(premix, song, *words).lines


def swap_ends(path: Path) -> None:
    """Other samples in a file of the same size, time and first bytes."""
    stat = path.stat()
    samples, rate = soundfile.read(path, dtype="int32")
    samples[-20000:] = samples[-20000:][::-1]
    soundfile.write(path, samples, rate, subtype="PCM_24")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert path.stat().st_size == stat.st_size


@pytest.mark.parametrize("muted", [False, True], ids=["in the mix", "muted"])
def test_a_track_that_changed_without_a_trace_means_one_full_run(premix: Premix, song: Song, muted: bool) -> None:
    """The hashes of the samples prove what size, time and first bytes only suggest: read afresh, and told."""
    swap_ends(song.tracks / "left_ribbon.wav")
    words = ("--set", "mics.ribbon.mute=true") if muted else ("--set", "mics.dynamic.gain_db=-1")
    said = render(premix, song, *words)
    (line,) = [line for line in said.lines if "changed without a trace" in line]
    assert "left/ribbon" in line and TAKEN not in said.lines
    render(premix, song, *words, "--fresh", out="fresh")
    assert audio(song.out()) == audio(song.out("fresh"))
    assert TAKEN in render(premix, song, *words).lines  # the new one is kept


def louder(song: Song) -> None:
    write_track(song.tracks / "left_ribbon.wav", 0.5 * takes()["left_ribbon"])


def touched(song: Song) -> None:
    os.utime(song.tracks / "left_ribbon.wav", (1, 1))


def shorter(song: Song) -> None:
    write_track(song.tracks / "left_ribbon.wav", takes()["left_ribbon"][:-100])


def damaged(song: Song) -> None:
    path = song.out() / KEPT / "pass-0"
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.write_bytes(raw)


def cut(song: Song) -> None:
    path = song.out() / KEPT / "pass-0"
    path.write_bytes(path.read_bytes()[:-1000])


def gone(song: Song) -> None:
    shutil.rmtree(song.out() / KEPT)


@pytest.mark.parametrize("change", [louder, touched, shorter, damaged, cut, gone])
def test_a_changed_track_or_a_damaged_pass_is_read_again(
    premix: Premix, song: Song, change: Callable[[Song], None]
) -> None:
    """Seen before anything is rendered; the files are those of a fresh run."""
    change(song)
    said = render(premix, song)
    assert TAKEN not in said.lines and "without a trace" not in said.err
    render(premix, song, "--fresh", out="fresh")
    assert audio(song.out()) == audio(song.out("fresh"))


def test_odd_starts_keep_both_passes(premix: Premix, demo: Demo, tmp_path: Path) -> None:
    """A second pass in step is kept beside the first, and both are taken over."""
    tracks = shutil.copytree(demo.song.tracks, tmp_path / "tracks")
    samples, rate = soundfile.read(tracks / "left_a_ribbon.wav")
    write_track(tracks / "left_a_ribbon.wav", np.concatenate([np.zeros(rate), samples[:-rate]]), rate)
    song = Song(Path(shutil.copy(demo.song.recipe, tmp_path / "recipe.yaml")), tracks)
    words = ("--set", "alignment.search_ms=2000")
    render(premix, song, *words)
    assert {"decided", "pass-0", "pass-1"} <= {path.name for path in (song.out() / KEPT).iterdir()}
    assert TAKEN in render(premix, song, *words, "--set", "buses.left.gain_db=-1").lines
    render(premix, song, *words, "--set", "buses.left.gain_db=-1", "--fresh", out="fresh")
    assert audio(song.out()) == audio(song.out("fresh"))


def test_signals_that_were_not_kept_mean_one_full_run(premix: Premix, song: Song) -> None:
    """How the mics agree is kept, not their signals: where it has to be worked out again, every track is read."""
    (song.out() / KEPT / "compared").unlink()
    said = render(premix, song, "--set", "mics.ribbon.gain_db=-1")
    assert "their signals are needed" in "".join(said.lines) and TAKEN not in said.lines
    render(premix, song, "--set", "mics.ribbon.gain_db=-1", "--fresh", out="fresh")
    assert audio(song.out()) == audio(song.out("fresh"))
    assert TAKEN in render(premix, song).lines


def test_what_is_kept_is_small(premix: Premix, song: Song) -> None:
    """An eighth of the tracks, spectra that do not grow with the song included."""
    longer = Song(song.recipe, song.tracks.parent / "longer")
    longer.tracks.mkdir()
    for name, take in takes().items():
        write_track(longer.tracks / f"{name}.wav", np.tile(take, 20))  # 100 s
    render(premix, longer, out="long")
    kept, tracks = (
        sum(f.stat().st_size for f in folder.iterdir()) for folder in (longer.out("long") / KEPT, longer.tracks)
    )
    assert kept < 0.15 * tracks, (kept, tracks)


def test_other_versions_read_again(premix: Premix, song: Song, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another premix read may be something else."""
    monkeypatch.setattr(kept_module, "__version__", "0.0.1")
    assert TAKEN not in render(premix, song).lines


def test_what_is_kept_is_no_part_of_the_delivery(premix: Premix, song: Song) -> None:
    """The manifest knows its files, the checksums and `verify` do not ask for them, and it goes with the folder."""
    assert {name for name in manifest_of(song.out())["written"] if name.startswith(KEPT)} == {
        f"{KEPT}/compared",
        f"{KEPT}/decided",
        f"{KEPT}/pass-0",
    }
    assert KEPT not in next(song.out().glob("*.sha256")).read_text("utf-8")
    gone(song)
    assert premix("verify", song.out()).code == 0
    assert premix("null", song.out(), song.out()).code == 0
