"""Attacks, and what they came to: `python -m tests.bench.attacks [--share 0.1] [--only kills,recipes]`.

Every try is made from a seed and its number, so that it can be made again. A try holds where premix ends with an exit
code of its own, one line a problem, no traceback and no bug, where nothing that was there is lost, and where no wait
without a word is longer than ten seconds. Each kind runs in a process of its own, whose memory is told with that of
its largest child. Results of the last run: attacks.json beside it.

recipes: texts mutated by pieces, bits and cuts. audio: headers and samples of all formats mutated, with and without
--recover. kills: SIGKILL at any moment of a render or a batch. disks: a render that may write no file beyond a random
size. starts: ten renders at once into one folder. documents: sheets and manifests that are none. plug-ins: the evil
ones of the tests' stand-in.
"""

import argparse
import contextlib
import io
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from premix.cli.main import run
from premix.delivery.verify import verify
from premix.errors import RecipeError, UserError
from premix.messages import REMEDIES
from premix.processors import plug_in_process
from premix.processors.chains import RunningChain
from tests.audio.recordings import integers, record
from tests.audio.test_header_faults import KINDS, mutate
from tests.bench.machine import versions
from tests.pipeline.mutated import MICS, RECIPE, mutated_recipe
from tests.processors.driving import noise, setting, step
from tests.processors.stand_in_plug_in import EVIL_LATER, EVIL_LOADING
from tests.rigs.sessions import Song, manifest_of, riff, tree, write_song

RESULTS = Path(__file__).with_suffix(".json")
COUNTS = {"recipes": 2000, "audio": 500, "kills": 200, "disks": 100, "starts": 100, "documents": 50, "plug-ins": 10}
LONGEST_S = 10.0
MOST_MB = 300.0
_CODES = (0, 1, 2, 4, 130)
_SMALL = """\
format: 1
song: Curlew
mics: {dynamic: {}, ribbon: {gain_db: -3}, room: {role: room, gain_db: -12}}
performances: {left: {bus: left}}
"""


@dataclass
class Row:
    """What the tries of one kind came to. failed: what did not hold, in words. slowest_s: the longest try."""

    kind: str
    tries: int = 0
    failed: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    peak_mb: float = 0.0

    @contextlib.contextmanager
    def one(self, what: str) -> Iterator[None]:
        """Count one try; whatever it raises is a failure of that try."""
        self.tries += 1
        begun = time.monotonic()
        try:
            yield
        except BaseException as error:
            self.failed.append(f"{what}: {type(error).__name__}: {str(error)[:300]}")
            if isinstance(error, KeyboardInterrupt):
                raise
        self.slowest_s = max(self.slowest_s, time.monotonic() - begun)


def held(code: int, said: str) -> None:
    """AssertionError where a command did not end as commands do."""
    assert code in _CODES, f"exit {code}: {said[-300:]}"
    assert "Traceback" not in said and "premix has a bug" not in said, said[-300:]
    if code == 1:
        slugs = [line.rpartition("[")[2].rstrip("]") for line in said.splitlines() if line.endswith("]")]
        assert slugs and set(slugs) <= set(REMEDIES), said[-300:]


def command(*words: object) -> tuple[int, str]:
    """A command in this process: exit code and standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        code = run([str(word) for word in words])
    return code, said.getvalue()


def small_song(folder: Path) -> Song:
    """A second and a half of one performance, three mics."""
    take = riff(1, 72_000)
    late = np.concatenate([np.zeros(20), take[:-20]])
    tracks = {"left_dynamic": take, "left_ribbon": -0.8 * late, "left_room": 0.3 * np.roll(take, 400)}
    return write_song(folder, _SMALL, tracks)


def words_of(song: Song, *more: object) -> list[str]:
    """A render of the song as a process of its own."""
    words = (sys.executable, "-m", "premix", "render", song.recipe, song.tracks, "--out", song.out(), "--no-report")
    return [str(word) for word in (*words, *more)]


def whole(out: Path) -> None:
    """AssertionError unless every file of a folder is as its manifest says."""
    found = verify(out)
    assert found.holds, [finding.message for finding in found.findings]


def recipes(row: Row, count: int, folder: Path) -> None:
    (folder / "tracks").mkdir()
    for number, mic in enumerate(MICS):
        record(folder / "tracks" / f"left_{mic}.wav", integers(3000, seed=number))
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    before = tree(folder / "tracks")
    for case in range(count):
        (folder / "recipe.yaml").write_bytes(mutated_recipe(random.Random(f"attack {case}")))
        with row.one(f"recipe {case}"):
            held(*command("inspect", folder / "recipe.yaml", folder / "tracks"))
    with row.one("tracks"):
        row.tries -= 1
        assert tree(folder / "tracks") == before


def audio(row: Row, count: int, folder: Path) -> None:
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    (folder / "tracks").mkdir()
    for number, mic in enumerate(MICS):
        record(folder / "tracks" / f"left_{mic}.wav", integers(3000, seed=number))
    for case in range(count):
        dice = random.Random(f"attack {case}")
        container, subtype, channels = KINDS[case % len(KINDS)]
        raw = record(folder / "whole", integers(3000).repeat(channels, axis=1), subtype, container).read_bytes()
        if case % 2:
            raw = mutate(raw, dice)
        else:  # anywhere: bits turned, a stretch lost, or the end cut off
            bad = bytearray(raw)
            for _ in range(dice.randint(1, 20)):
                bad[dice.randrange(len(bad))] ^= 1 << dice.randrange(8)
            at = dice.randrange(len(bad))
            del bad[at : at + dice.choice((0, 1, 7, 400, len(bad)))]
            raw = bytes(bad)
        (folder / "tracks" / "left_dynamic.wav").write_bytes(raw)
        with row.one(f"audio {case}"):
            for more in ((), ("--recover",)):
                held(*command("inspect", folder / "recipe.yaml", folder / "tracks", *more))


def kills(row: Row, count: int, folder: Path) -> None:
    """Three of four in a render, one in a batch, each in its own part of the time one takes."""
    song = small_song(folder)
    out = song.out()
    batch = [*words_of(song)[:3], "batch", str(song.recipe), str(song.tracks), "--out", str(folder / "songs")]
    batch += ["--jobs", "1", "--no-report", "--force"]
    begun = time.monotonic()
    subprocess.run(words_of(song), check=True, stderr=subprocess.DEVNULL)
    takes_s = time.monotonic() - begun
    subprocess.run(batch, check=True, stderr=subprocess.DEVNULL)
    for case in range(count):
        dice = random.Random(f"attack {case}")
        in_batch = case % 4 == 3
        place = folder / "songs" / "tracks" if in_batch else out
        words = batch if in_batch else words_of(song, "--force")
        words = [*words, "--set", f"mics.ribbon.gain_db=-{case % 50 + 1}"]
        with row.one(f"kill {case}"):
            with subprocess.Popen(words, stderr=subprocess.DEVNULL, start_new_session=True) as process:
                time.sleep(dice.random() * takes_s * (2.0 if in_batch else 1.0))
                if in_batch and dice.random() < 0.5:
                    os.killpg(process.pid, signal.SIGKILL)
                process.kill()
            whole(place)
    with row.one("the run after the kills"):
        row.tries -= 1
        subprocess.run(words_of(song, "--force"), check=True, stderr=subprocess.DEVNULL)
        subprocess.run(batch, check=True, stderr=subprocess.DEVNULL)
        left = [path.name for path in (*folder.glob(".premix*"), *(folder / "songs").rglob(".premix*"))]
        assert not left, left


def disks(row: Row, count: int, folder: Path) -> None:
    song = small_song(folder)
    subprocess.run(words_of(song), check=True, stderr=subprocess.DEVNULL)
    before = tree(song.out())
    for case in range(count):
        most = random.Random(f"attack {case}").randrange(1, 300_000)
        with row.one(f"disk of {most} bytes"):
            done = subprocess.run(
                words_of(song, "--set", "deliver.bits=32"),
                capture_output=True,
                text=True,
                timeout=120,
                env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
                preexec_fn=lambda most=most: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)),  # type: ignore[misc]
            )
            held(done.returncode, done.stderr)
            assert done.returncode == 0 or tree(song.out()) == before
            before = tree(song.out())


def starts(row: Row, count: int, folder: Path) -> None:
    song = small_song(folder)
    for beginning in range(0, count, 10):
        running = [
            subprocess.Popen(
                words_of(song, "--set", f"mics.ribbon.gain_db=-{number + 1}"), stderr=subprocess.PIPE, text=True
            )
            for number in range(beginning, min(beginning + 10, count))
        ]
        codes = []
        for number, process in enumerate(running, beginning):
            with row.one(f"start {number}"):
                _, said = process.communicate(timeout=120)
                held(process.returncode, said)
                assert process.returncode == 0 or "[out-in-use]" in said, said
                codes.append(process.returncode)
        with row.one(f"round {beginning}"):
            row.tries -= 1
            assert 0 in codes
            whole(song.out())


_VALUES: tuple[object, ...] = (
    None,
    -1,
    0,
    1e308,
    -1e308,
    10**40,
    "",
    "x" * 100_000,
    [],
    {},
    [[]],
    True,
    "\x00",
    "../..",
)


def documents(row: Row, count: int, folder: Path) -> None:
    """Half of each: a sheet or a manifest with one value, anywhere, that is of another kind."""
    song = small_song(folder)
    held(*command("render", song.recipe, song.tracks, "--out", song.out(), "--no-report"))
    manifest = manifest_of(song.out())
    before = tree(song.out())
    for case in range(count):
        dice = random.Random(f"attack {case}")
        if case % 2:
            document = json.loads(json.dumps(manifest))
        else:
            entry = {"polarity": "normal", "delay_samples": 3.5}
            mics = {mic: dict(entry) for mic in MICS}
            document = {"sheet": 1, "rate": 48000, "reference": "dynamic", "performances": {"left": mics}}
        _spoil(document, dice)
        path = folder / "document.json"
        text = json.dumps(document) if dice.random() < 0.9 else "[" * dice.randrange(200_000)
        path.write_text(text, "utf-8")
        more = ("--expect", path) if case % 2 else ("--alignment", path)
        with row.one(f"document {case}"):
            held(*command("render", song.recipe, song.tracks, "--out", folder / "new", "--no-report", "--force", *more))
            assert tree(song.out()) == before


def _spoil(node: Any, dice: random.Random) -> None:
    """Put a value of another kind somewhere below."""
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            return
        key = dice.choice(keys)
        if not isinstance(node[key], dict | list) or not node[key] or dice.random() < 0.2:
            node[key] = dice.choice(_VALUES)
            return
        node = node[key]


def plug_ins(row: Row, count: int, folder: Path) -> None:
    plug_in_process.worker_module = lambda: "tests.processors.stand_in_plug_in"
    names = [name for name in (*EVIL_LOADING, *EVIL_LATER) if not name.startswith("tells") and name != "leaves_a_child"]
    for case in range(count):
        name = names[case % len(names)]
        with row.one(name):
            try:
                limits = {"time_limit_s": 5.0, "memory_limit_mb": 300.0}
                running = RunningChain((step("plug_in", file=f"{name}.vst3", **limits),), setting())
                try:
                    running.process(noise(1, 8 * 4096))
                finally:
                    running.close()
            except RecipeError:
                continue
            raise AssertionError("it was taken")


ATTACKS: dict[str, Callable[[Row, int, Path], None]] = {
    "recipes": recipes,
    "audio": audio,
    "kills": kills,
    "disks": disks,
    "starts": starts,
    "documents": documents,
    "plug-ins": plug_ins,
}


def one_kind(kind: str, count: int) -> Row:
    """All tries of one kind, in this process."""
    row = Row(kind)
    with tempfile.TemporaryDirectory(prefix="premix-bench-") as folder:
        ATTACKS[kind](row, count, Path(folder))
    unit = 1 if sys.platform == "darwin" else 1024
    who = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    row.peak_mb = max(resource.getrusage(one).ru_maxrss for one in who) * unit / 1e6
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--share", type=float, default=1.0, help="part of the tries to make")
    parser.add_argument("--only", default=",".join(COUNTS), help="kinds of attack, comma between")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    counts = {kind: max(1, round(COUNTS[kind] * options.share)) for kind in options.only.split(",")}
    if options.inside:
        ((kind, count),) = counts.items()
        print(json.dumps(asdict(one_kind(kind, count))))
        return
    rows = [_in_its_own_process(kind, options.share) for kind in counts]
    _show(rows)
    if options.share >= 1.0 and list(counts) == list(COUNTS):
        figures = {"attacks": [asdict(row) for row in rows], "machine": versions()}
        RESULTS.write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    if any(row.failed for row in rows):
        sys.exit(1)


def _in_its_own_process(kind: str, share: float) -> Row:
    words = [sys.executable, "-m", "tests.bench.attacks", "--inside", "--only", kind, "--share", str(share)]
    done = subprocess.run(words, stdout=subprocess.PIPE, text=True)
    if done.returncode:
        return Row(kind, failed=[f"the process of these attacks ended with {done.returncode}"])
    return Row(**json.loads(done.stdout.splitlines()[-1]))


def _show(rows: Sequence[Row]) -> None:
    print(f"{'attack':<12}{'tries':>7}{'held':>7}{'longest s':>11}{'peak MB':>9}")
    for row in rows:
        held_count = row.tries - len(row.failed)
        print(f"{row.kind:<12}{row.tries:>7}{held_count:>7}{row.slowest_s:>11.1f}{row.peak_mb:>9.0f}")
        for what in row.failed[:10]:
            print(f"  {what}")
    tries, failed = sum(row.tries for row in rows), sum(len(row.failed) for row in rows)
    print(f"{tries} tries, {failed} did not hold; aims: {LONGEST_S:g} s, {MOST_MB:g} MB")


if __name__ == "__main__":
    try:
        main()
    except UserError as error:
        sys.exit(str(error))
