"""What a recipe asks of the gate, from the command line: what opens it, by what key, by hand, on a stem, limits."""

import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml

from tests.cli.conftest import Premix, Said
from tests.gate.gated_riff import f_measure
from tests.rigs.sections import Part, SectionTake, section_take
from tests.rigs.sessions import FloatArray, Song, manifest_of, rms_db, write_song

RATE = 48_000
RECIPE = """\
format: 1
song: Asked
mics:
  dynamic: {}
  condenser: {}
  room: {role: room}
  di: {role: di}
performances:
  left: {bus: left}
gate: {hold_ms: 20, release_ms: 30}
"""


@dataclass(frozen=True)
class Session:
    """A take with ghost notes in its stops, beside drums, on disk; and how it is rendered."""

    song: Song
    take: SectionTake
    premix: Premix

    def rendered(self, *settings: str, report: bool = False, more: tuple[object, ...] = ()) -> Said:
        flags = [word for setting in settings for word in ("--set", setting)]
        page = () if report else ("--no-report",)
        return self.premix("render", self.song.recipe, self.song.tracks, "--out", self.out, *flags, *page, *more)

    @property
    def out(self) -> Path:
        return self.song.out()

    @property
    def gate(self) -> dict[str, Any]:
        (entry,) = manifest_of(self.out)["gate"]
        return dict(entry)

    def file(self, folder: str) -> FloatArray:
        (path,) = (self.out / folder).glob("*.wav")
        return np.asarray(soundfile.read(path)[0])


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> tuple[Song, SectionTake]:
    take = section_take(8, (Part(3, events="ghost", event_db=-15.0),), bleed_db=-15.0, tempo_bpm=90.0)
    scale = 0.2 / np.abs(take.close).max()
    signals = {
        "left_dynamic": scale * take.close[0],
        "left_condenser": scale * take.close[1],
        "left_room": scale * take.room,
        "left_di": scale * np.roll(take.guitar, -96)
        + 1e-5 * np.random.default_rng(1).standard_normal(take.guitar.size),
    }
    return write_song(tmp_path_factory.mktemp("asked"), RECIPE, signals, RATE), take


@pytest.fixture
def session(tracks: tuple[Song, SectionTake], premix: Premix, tmp_path: Path) -> Session:
    song, take = tracks
    recipe = tmp_path / "recipe.yaml"
    recipe.write_bytes(song.recipe.read_bytes())
    return Session(Song(recipe, song.tracks), take, premix)


def at_events(session: Session) -> list[float]:
    """Level of the room's file at every ghost note, in dB."""
    room, late = session.file("rooms"), session.take.arrival / RATE
    return [rms_db(room[round((e.on_s + late) * RATE) : round((e.off_s + late) * RATE)]) for e in session.take.events]


def test_ghost_notes_are_in_the_room_where_the_recipe_says_so(session: Session) -> None:
    """For the riff 60 dB down there, the range of the gate; for all that is guitar the room is as it was recorded."""
    assert session.rendered().code == 0
    assert max(at_events(session)) < -80.0
    assert session.rendered("gate.open_for=all", more=("--force",)).code == 0
    assert min(at_events(session)) > -60.0


def starts(session: Session) -> float:
    """F of the starts within 10 ms (mir_eval)."""
    true = np.array([p.on_s for p in session.take.passages])
    return f_measure([(true, np.array([on for on, _ in session.gate["riff"]]))], 0.010)


def test_a_di_is_a_cleaner_key(session: Session) -> None:
    """With one close mic, and drums 15 dB down in it, starts are missed or made up; the DI has them all."""
    alone = "mics.condenser=null"
    assert session.rendered(alone).code == 0
    assert starts(session) < 0.95
    assert session.rendered(alone, "gate.key=di", more=("--force",)).code == 0
    assert starts(session) == 1.0


def test_times_by_hand_are_obeyed_and_what_they_lose_is_told(session: Session) -> None:
    """Two seconds of the song, and no more: on the terminal and on the page, with the times; the limit breaks."""
    first, last = session.take.passages[0], session.take.passages[-1]
    by_hand = f"performances.left.gate.spans=[[{first.on_s}, 2.0]]"
    said = session.rendered(by_hand, "limits.room_lost_s=0.5", report=True)
    assert said.code == 4
    assert session.gate["riff"] == [[pytest.approx(first.on_s), 2.0]]
    assert "is shut while the guitar sounds" in said.err
    assert re.search(r"2\.0\d to \d\.\d\d s", said.err)
    assert "guitar with its room shut is" in said.err
    (page,) = session.out.glob("*_report.html")
    assert "is shut while the guitar sounds" in page.read_text("utf-8")
    room = session.file("rooms")
    assert rms_db(room[round(last.on_s * RATE) : round(last.off_s * RATE)]) < -70.0


def test_a_sheets_gate_times_can_be_edited(session: Session, tmp_path: Path) -> None:
    """Saved by align, all but the first taken out, and given back to render."""
    sheet = tmp_path / "sheet.yaml"
    assert session.premix("align", session.song.recipe, session.song.tracks, "--save", sheet).code == 0
    data = yaml.safe_load(sheet.read_text("utf-8"))
    assert len(data["gates"]["left"]) == len(session.take.passages)
    kept = data["gates"]["left"][:1]
    data["gates"]["left"] = kept
    sheet.write_text(yaml.safe_dump(data), "utf-8")
    assert session.rendered(more=("--alignment", sheet)).code == 0
    assert session.gate["riff"] == kept


def test_the_gate_on_the_stem_takes_the_noise_out_of_its_stops(session: Session) -> None:
    """By its range, in every stop that is long enough; while the riff sounds not one bit of 24 differs."""
    assert session.rendered().code == 0
    plain = session.file("stems")
    assert session.rendered("performances.left.stem_gate={range_db: 50}", more=("--force",)).code == 0
    gated, passages = session.file("stems"), session.take.passages
    stops = [(a.off_s + 0.1, b.on_s - 0.02) for a, b in pairwise(passages)]
    long = [slice(round(a * RATE), round(b * RATE)) for a, b in stops if b - a > 0.05]
    assert long
    for stop in long:
        assert rms_db(gated[stop]) == pytest.approx(rms_db(plain[stop]) - 50.0, abs=3.0)
    for p in passages:
        played = slice(round(p.on_s * RATE), round(p.off_s * RATE))
        np.testing.assert_array_equal(gated[played], plain[played])


def test_a_room_that_is_not_quiet_enough_breaks_its_limit(session: Session) -> None:
    """A range of 6 dB against a limit of 20 dB; the default keeps it."""
    assert session.rendered("limits.room_quiet_db=10").code == 0
    said = session.rendered("limits.room_quiet_db=10", "gate.range_db=6", more=("--force",))
    assert said.code == 4
    assert "quietening of the room in the stops is" in said.err
