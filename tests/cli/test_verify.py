"""`premix verify`: every kind of change to a delivered folder is named, and other programs can check it too."""

import json
import shutil
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.conftest import Premix, Said
from tests.rigs.sessions import Song, manifest_of

STEM, SHEET = "stems/Command_stem_left.wav", "Command_track_sheet.csv"


def told(said: Said) -> list[tuple[str, str]]:
    """(path, slug) of every finding."""
    lines = (line.strip() for line in said.lines if line.endswith("]"))
    return [(line.split(": ")[1], line.rpartition("[")[2].rstrip("]")) for line in lines]


def delivered(out: Path) -> set[str]:
    """What the manifest names, but for what a run keeps for the next."""
    return {path for path in manifest_of(out)["written"] if not path.startswith(".kept/")}


def test_a_folder_as_it_was_delivered_holds(premix: Premix, song: Song) -> None:
    """Exit 0; what a file browser leaves in it is no addition."""
    (song.out() / "stems" / ".DS_Store").write_bytes(b"")
    said = premix("verify", song.out())
    assert said.code == 0
    assert said.lines == [f"{song.out()}: {len(delivered(song.out()))} files, as delivered"]


def one_step(path: Path) -> None:
    """The last bit of one sample, in place: size, header and time of the file can stay what they were."""
    raw = bytearray(path.read_bytes())
    raw[-3000] ^= 1
    path.write_bytes(raw)


def later(path: Path) -> None:
    """Another start in the bext chunk (EBU Tech 3285: TimeReference at byte 338 of the body)."""
    raw = bytearray(path.read_bytes())
    at = raw.index(b"bext") + 8 + 338
    raw[at : at + 8] = struct.pack("<Q", 48000)
    path.write_bytes(raw)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-999])


def shorter(path: Path) -> None:
    samples, rate = soundfile.read(path, dtype="int32")
    soundfile.write(path, samples[:-1], rate, subtype="PCM_24")


def a_letter(path: Path) -> None:
    path.write_text(path.read_text("utf-8").replace("normal", "Normal", 1), "utf-8")


def another_gain(path: Path) -> None:
    document = json.loads(path.read_text("utf-8"))
    document["trim_db"] = -1.0
    path.write_text(json.dumps(document), "utf-8")


@pytest.mark.parametrize(
    ("path", "spoil", "quick"),
    [
        (STEM, one_step, False),
        (STEM, later, True),
        (STEM, cut, True),
        (STEM, shorter, True),
        (STEM, lambda path: path.write_bytes(b""), True),
        (SHEET, a_letter, True),
        ("manifest.json", another_gain, True),
    ],
    ids=["one step", "start", "cut", "shorter", "empty", "sheet", "manifest"],
)
def test_what_was_changed_is_named(
    premix: Premix, song: Song, path: str, spoil: Callable[[Path], None], quick: bool
) -> None:
    """Exit 4 and the file; only the change of a sample needs the samples to be read."""
    spoil(song.out() / path)
    said = premix("verify", song.out())
    assert (said.code, told(said)) == (4, [(path, "verify-changed")])
    said = premix("verify", song.out(), "--quick")
    assert (said.code, told(said)) == ((4, [(path, "verify-changed")]) if quick else (0, []))


def test_what_was_lost_and_added_is_named(premix: Premix, song: Song) -> None:
    """Renamed: lost under its name and added under another; hidden files count."""
    (song.out() / STEM).rename(song.out() / "stems" / "a.wav")
    (song.out() / ".notes").write_text("")
    said = premix("verify", song.out(), "--json")
    assert said.code == 4
    expected = [(STEM, "verify-lost"), (".notes", "verify-added"), ("stems/a.wav", "verify-added")]
    assert told(said) == [expected[0], *expected[1:]]
    document = json.loads(said.out)
    assert (document["holds"], document["folders"][0]["holds"]) == (False, False)
    assert [(f["subject"], f["slug"]) for f in document["folders"][0]["findings"]] == expected


def test_the_same_samples_in_other_bytes_are_no_change(premix: Premix, song: Song) -> None:
    """A chunk more at the end, as workstations leave there: told, and exit 0."""
    path = song.out() / STEM
    raw = path.read_bytes() + b"note" + struct.pack("<I", 4) + b"abcd"
    path.write_bytes(raw[:4] + struct.pack("<I", len(raw) - 8) + raw[8:])
    said = premix("verify", song.out())
    assert (said.code, told(said)) == (0, [(STEM, "verify-rewritten")])


@pytest.mark.tools("sha256sum")
def test_sha256sum_checks_the_folder_without_premix(song: Song) -> None:
    """The coreutils' program reads the checksum file, finds every file, and one that was changed."""
    command = ["sha256sum", "--check", "--strict", "Command_checksums.sha256"]
    done = subprocess.run(command, cwd=song.out(), capture_output=True, text=True, check=True)
    others = delivered(song.out()) - {"Command_checksums.sha256"}
    assert sorted(done.stdout.splitlines()) == sorted(f"{path}: OK" for path in others)
    one_step(song.out() / STEM)
    done = subprocess.run(command, cwd=song.out(), capture_output=True, text=True, check=False)
    assert done.returncode == 1 and f"{STEM}: FAILED" in done.stdout


def test_a_batchs_folder_is_checked_song_by_song(premix: Premix, song: Song) -> None:
    """Every folder below that has a manifest."""
    batch = song.out("batch")
    for name in ("one", "two"):
        shutil.copytree(song.out(), batch / name)
    assert premix("verify", batch).code == 0
    one_step(batch / "two" / STEM)
    said = premix("verify", batch)
    assert said.code == 4
    assert [line.startswith(str(batch / "two")) for line in said.lines if "from its manifest" in line] == [True]


def test_a_comparison_and_flac_are_checked_alike(premix: Premix, song: Song) -> None:
    """Variants have a manifest of another kind; the samples of FLAC are decoded."""
    out = song.out("variants")
    command = ("compare", song.recipe, song.tracks, "--out", out, "--vary", "mics", "--no-report")
    assert premix(*command, "--set", "deliver.format=flac").code == 0
    assert premix("verify", out).code == 0
    path = next(iter(out.glob("variants/*.flac")))
    samples, rate = soundfile.read(path, dtype="int32")
    samples[1000] += 256
    soundfile.write(path, samples, rate, subtype="PCM_24")
    said = premix("verify", out)
    assert (said.code, told(said)) == (4, [(f"variants/{path.name}", "verify-changed")])


def test_a_folder_without_a_manifest_is_the_users_to_mend(premix: Premix, song: Song) -> None:
    """Exit 1, one line; so is a manifest that cannot be read."""
    said = premix("verify", song.tracks)
    assert said.code == 1 and said.lines[-1].endswith("[not-a-manifest]")
    (song.out() / "manifest.json").write_text("{}")
    assert premix("verify", song.out()).code == 1


def test_a_manifest_cannot_point_out_of_its_folder(premix: Premix, song: Song) -> None:
    """Whoever wrote it: nothing outside is read."""
    document = manifest_of(song.out())
    document["written"] += ["../recipe.yaml", str(song.recipe)]
    (song.out() / "manifest.json").write_text(json.dumps(document))
    said = premix("verify", song.out())
    assert said.code == 4
    assert [line for line in said.lines if "names a file outside of its folder" in line and "recipe.yaml" in line]


def test_float_files_are_checked_by_their_samples(premix: Premix, song: Song) -> None:
    """32-bit float: a value that differs in its last bit."""
    out = song.out("float")
    assert premix("render", song.recipe, song.tracks, "--out", out, "--no-report", "--set", "deliver.bits=32").code == 0
    assert premix("verify", out).code == 0
    samples, rate = soundfile.read(out / STEM, dtype="float32")
    samples[-100] = np.nextafter(samples[-100], np.float32(1))
    soundfile.write(out / STEM, samples, rate, subtype="FLOAT")
    assert premix("verify", out).code == 4
