"""Everything the contract looks at, made once and on demand: tracks, recipes, renders and what was printed."""

import contextlib
import hashlib
import json
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from tests.contract.command import REPOSITORY, Said, premix
from tests.contract.samples import sounds
from tests.contract.session import write_response, write_sessions

OWN_RECIPES = Path(__file__).parent / "recipes"
RIGS = {"two_amps", "stereo_room", "di"}
"""Recipes for other sessions of the demo, which tests/recipe renders."""
SHIPPED = sorted({path.stem for path in (REPOSITORY / "recipes").glob("*.yaml")} - RIGS)


@dataclass(frozen=True, slots=True)
class Job:
    """A render: recipe and tracks below `_in`, and what else the command says; code: the exit code it has."""

    recipe: str
    tracks: str
    more: tuple[str, ...] = ()
    code: int = 0


def _own(recipe: str, tracks: str = "plain", *more: str, code: int = 0) -> Job:
    return Job(f"recipes/{recipe}.yaml", tracks, more, code)


RENDERS: dict[str, Job] = {
    **{f"shipped_{name}": Job(f"shipped/{name}.yaml", "demo_stems") for name in SHIPPED},
    **{
        name: _own(name)
        for name in (
            "every_file",
            "room_in_stem",
            "room_in_both",
            "chains",
            "gate_follow",
            "gate_off",
            "gate_by_all",
            "gate_inverted",
            "gate_by_mic",
            "wide",
            "other_law",
            "flac_16",
            "wav_16",
            "float_96",
            "by_hand",
            "alone",
            "sent_apart",
            "variants",
        )
    },
    "limits": _own("limits", code=4),
    "rotated": _own("rotated", "turned"),
    "refused_kept": _own("refused_kept", "strange"),
    "refused_muted": _own("refused_muted", "strange"),
    "late": _own("far_search", "late"),
    "stamped": _own("base", "stamped"),
    "kinds": _own("kinds", "kinds"),
    "recovered": _own("base", "cut_off", "--recover"),
    "from_sheet": _own("base", "plain", "--alignment", "_in/edited_sheet.yaml"),
    "two_threads": _own("chains", "plain", "--threads", "2"),
    "set": _own(
        "base", "plain", "--set", "gate.hold_ms=60", "--set", "mics.condenser.mute=true", "--set", "song=Marram"
    ),
    "loud": _own("base", "plain", "--set", "guitar_bus.gain_db=24"),
}


class Workshop:
    """A folder with the inputs in `_in` and the outputs beside it, each made when it is first asked for.

    Several processes may share one; what was said is kept in `_said`.
    """

    def __init__(self, top: Path) -> None:
        self.top = top
        with self._alone("inputs"):
            if not (top / "_in").exists():
                self._lay_out(top / "_in")

    def run(self, *words: str) -> Said:
        """The command, in the workshop's folder; the same words run once."""
        name = hashlib.sha256(" ".join(words).encode()).hexdigest()[:16]
        kept = self.top / "_said" / f"{name}.json"
        with self._alone(name):
            if not kept.exists():
                kept.write_text(json.dumps(premix(self.top, *words).plain()), "utf-8")
        return Said(**json.loads(kept.read_text("utf-8")))

    @contextlib.contextmanager
    def _alone(self, name: str) -> Iterator[None]:
        """No other process is in this place meanwhile."""
        lock = self.top / "_said" / f"{name}.lock"
        lock.parent.mkdir(parents=True, exist_ok=True)
        while True:  # making a folder is one step for every system, so that only one process can
            try:
                lock.mkdir()
                break
            except FileExistsError:
                time.sleep(0.05)
        try:
            yield
        finally:
            lock.rmdir()

    def _lay_out(self, inputs: Path) -> None:
        write_sessions(inputs)
        shutil.copytree(REPOSITORY / "demo_stems", inputs / "demo_stems")
        shutil.copytree(REPOSITORY / "recipes", inputs / "shipped", ignore=shutil.ignore_patterns("*.md", "*.json"))
        shutil.copytree(OWN_RECIPES, inputs / "recipes")
        write_response(inputs / "recipes" / "response.wav")

    def render(self, name: str) -> Path:
        """The OUT folder of a render of the table."""
        job = RENDERS[name]
        if "_in/edited_sheet.yaml" in job.more:
            self.edited_sheet()
        said = self.run(*self.words(name))
        assert said.code == job.code, said
        return self.top / name

    def words(self, name: str) -> list[str]:
        """The command of a render of the table."""
        job = RENDERS[name]
        return ["render", f"_in/{job.recipe}", f"_in/{job.tracks}", "--out", name, "--no-report", *job.more]

    def manifest(self, name: str) -> dict[str, Any]:
        """The manifest of a render of the table."""
        document: dict[str, Any] = json.loads((self.render(name) / "manifest.json").read_text("utf-8"))
        return document

    def edited_sheet(self) -> Path:
        """The sheet that `align --save` writes, with one line changed by a person."""
        path = self.top / "_in" / "edited_sheet.yaml"
        said = self.run("align", "_in/recipes/base.yaml", "_in/plain", "--save", "_in/sheet.yaml")
        assert said.code == 0, said
        text = (self.top / "_in" / "sheet.yaml").read_text("utf-8")
        assert "polarity: inverted" in text
        with self._alone("edited_sheet"):
            if not path.exists():
                path.write_text(text.replace("polarity: inverted", "polarity: normal", 1), "utf-8")
        return path

    def demo(self) -> Path:
        """A short demo session."""
        said = self.run("demo", "demo", "--seconds", "3")
        assert said.code == 0, said
        return self.top / "demo"

    def comparison(self, name: str) -> Path:
        """A comparison of the recipe's variants, or of the mics."""
        vary = {"comparison": (), "comparison_by_mics": ("--vary", "mics")}[name]
        said = self.run(
            "compare", "_in/recipes/variants.yaml", "_in/plain", "--out", name, "--no-report", "--json", *vary
        )
        assert said.code == 0, said
        return self.top / name

    def songs(self) -> Path:
        """Three folders of tracks: two whole ones, and between them one that lacks a track."""
        folder = self.top / "_in" / "songs"
        without = shutil.ignore_patterns("song.yaml")
        with self._alone("songs"):
            if not folder.exists():
                for song, tracks in (("dunlin", "plain"), ("knot", "missing"), ("sanderling", "stamped")):
                    shutil.copytree(self.top / "_in" / tracks, folder / song, ignore=without)
        return folder

    def batch(self, name: str, *songs: str, more: tuple[str, ...] = ()) -> Said:
        """A batch into the folder `name`; songs below `_in/songs`, all of them where none is named."""
        self.songs()
        words = [f"_in/songs/{song}" for song in songs] or ["_in/songs"]
        return self.run("batch", "_in/recipes/batch.yaml", *words, "--out", name, "--jobs", "1", "--no-report", *more)


def heard(workshop: Workshop) -> dict[str, Callable[[], Path]]:
    """Everything whose samples are held, by name: how to make it."""

    def matched() -> Path:
        said = workshop.batch("matched", "dunlin", "sanderling", more=("--match", "loudness"))
        assert said.code == 0, said
        return workshop.top / "matched"

    return {
        **{name: partial(workshop.render, name) for name in RENDERS},
        "demo": workshop.demo,
        "comparison": lambda: workshop.comparison("comparison"),
        "comparison_by_mics": lambda: workshop.comparison("comparison_by_mics"),
        "matched": matched,
    }


HEARD = (*RENDERS, "demo", "comparison", "comparison_by_mics", "matched")


def sounds_of(workshop: Workshop, name: str) -> dict[str, dict[str, Any]]:
    """The sound files of one thing whose samples are held."""
    return sounds(heard(workshop)[name]())
