"""What is heard on a page is what was delivered: players, mixed as the browser does, null against the written files."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from premix.audio.reader import TrackReader
from premix.model.gate import OPEN
from premix.model.mix import PerformancePlan, Rendered
from premix.pipeline import render
from premix.report.compare_page import FileExcerpt
from premix.report.listening import Player
from premix.report.song_players import MOST_PERFORMANCES, groups_of, players_of, sources_of
from premix.units import gain_to_db
from tests.report.conftest import OnDisk
from tests.report.songs import RATE, page_recipe, write_song

FloatArray = npt.NDArray[np.float64]

START, COUNT = 11 * RATE + 6_000, RATE // 2
"""Over a stop of the riff, where the gates shut and open; more than a chain's run-in of 10 s after the begin."""
EXACT_DBFS = -120.0
"""Two ways of filtering differ by rounding, and 32-bit files by 2^-25 of what they hold."""
RUN_IN_DBFS = -60.0
"""What a compressor or expander may still know of the sound before its run-in."""

EQ = "{bell: {frequency_hz: 800, gain_db: 4}}"
LINEAR = "{high_pass: {cutoff_hz: 90, phase: linear}}"
FILTERS = (
    f"mics.dynamic.chain=[{EQ}]",
    f"mics.room.chain=[{LINEAR}]",
    f"performances.right.chain=[{LINEAR}]",
    f"buses.left.chain=[{LINEAR}]",
    "buses.left.gain_db=-2",
    f"guitar_bus.chain=[{EQ}, {LINEAR}]",
    "guitar_bus.gain_db=1",
)
DYNAMICS = (
    "mics.dynamic.chain=[{compressor: {threshold_db: -30, ratio: 4}}]",
    "performances.right.chain=[{expander: {threshold_db: -40}}]",
    "buses.left.chain=[{compressor: {threshold_db: -25, ratio: 3, release_ms: 300}}]",
    "guitar_bus.chain=[{compressor: {threshold_db: -20, ratio: 2, release_ms: 300}}]",
)
CASES: dict[str, tuple[tuple[str, ...], float]] = {
    "plain": ((), EXACT_DBFS),
    "plain, room in the stem, trimmed": (("deliver.room=stem", "deliver.ceiling_dbtp=-20"), EXACT_DBFS),
    "filters everywhere": (FILTERS, EXACT_DBFS),
    "filters on one bus": ((f"buses.left.chain=[{LINEAR}]", "buses.left.gain_db=-2"), EXACT_DBFS),
    "filters on the guitar bus, room in the stem": ((*FILTERS[-2:], "deliver.room=stem"), EXACT_DBFS),
    "dynamics everywhere": (DYNAMICS, RUN_IN_DBFS),
}
Render = Callable[..., tuple[Rendered, Path]]


@pytest.fixture(scope="module")
def rendering(tmp_path_factory: pytest.TempPathFactory) -> Render:
    """Renders a song of 15 s into 32-bit files, with some settings, once each."""
    folder = tmp_path_factory.mktemp("nulls")
    write_song(folder / "tracks", repeats=3)
    recipe = page_recipe(folder)

    @cache
    def rendered(*settings: str) -> tuple[Rendered, Path]:
        out = tmp_path_factory.mktemp("out") / "out"
        outcome = render(recipe, folder / "tracks", out, settings=["deliver.bits=32", *settings])
        return outcome.rendered, out

    return rendered


def _players(run: Rendered) -> dict[str, Player]:
    return {player.name: player for player in players_of(run.plan, groups_of(run.plan))}


def _heard(run: Rendered, player: str, version: str) -> FloatArray:
    """A version as the browser mixes it from clips before their 16 bits, (2, COUNT)."""
    groups, chosen = groups_of(run.plan), _players(run)[player]
    clips: dict[str, FloatArray] = {}
    for source in sources_of(run.plan, groups, [chosen]):
        with closing(source.open(START)) as stream:  # in pieces, as it is read for the page
            pieces = [stream.next(count) for count in (1, 999, COUNT - 1000)]
        clips |= dict(zip(source.clips, np.concatenate(pieces, axis=1), strict=True))
    voices = next(v for v in chosen.versions if v.name == version).voices
    sides = np.array([(voice.left, voice.right) for voice in voices])
    return np.asarray(sides.T @ np.array([clips[voice.clip] for voice in voices]))


def _delivered(rendered: tuple[Rendered, Path], *parts: str) -> FloatArray:
    """The same stretch of written files, added, (channels, COUNT)."""
    run, out = rendered
    paths = {file.part.part: file.path for file in run.rendering.files}
    rows = []
    for part in parts:
        with closing(FileExcerpt(out / paths[part], START)) as stream:
            rows.append(stream.next(COUNT))
    return np.asarray(np.sum(rows, axis=0))


def _rest_dbfs(heard: FloatArray, file: FloatArray) -> float:
    """Peak of the difference; the file holds sound."""
    assert np.abs(file).max() > 0.01
    return gain_to_db(float(np.abs(heard[: len(file)] - file).max()))


@pytest.mark.parametrize("case", CASES)
def test_every_player_nulls_against_its_file(rendering: Render, case: str) -> None:
    """Chains, delay, polarity, filters, gate, gains, pan, width and trim are those of the render."""
    settings, most_dbfs = CASES[case]
    rendered = rendering(*settings)
    plan = rendered[0].plan
    heard = {
        ("guitars", "aligned"): ["guitars"],
        ("guitars", "without centre"): ["guitars_without_centre"],
        ("bus_left", "aligned"): ["bus_left"],
        ("bus_right", "aligned"): ["bus_right"],
        ("stem_left", "aligned"): ["stem_left"],
        ("stem_right", "aligned"): ["stem_right"],
    }
    if plan.room_in_stem:
        heard["room_left", "close mics and gated room"] = ["stem_left"]
    else:
        heard["room_left", "stem and gated room"] = ["stem_left", "room_left"]
        heard["room_right", "stem and gated room"] = ["stem_right", "room_right"]
    rests = {key: _rest_dbfs(_heard(rendered[0], *key), _delivered(rendered, *parts)) for key, parts in heard.items()}
    assert max(rests.values()) <= most_dbfs, rests
    assert (plan.trim < 1.0) == ("trimmed" in case)


APART = ("groups={bright: {mics: [condenser], stem: own, bus: right}}", "mics.room.bus=room_left")


@pytest.mark.parametrize("more", [(), FILTERS])
def test_players_of_what_is_sent_apart_null_against_their_files(rendering: Render, more: tuple[str, ...]) -> None:
    """A group with a stem of its own on another side, and rooms on a bus of their own: each is heard where it goes."""
    rendered = rendering(*APART, *more)
    heard = {
        ("guitars", "aligned"): ["guitars"],
        ("guitars", "without centre"): ["guitars_without_centre"],
        ("bus_left", "aligned"): ["bus_left"],
        ("bus_right", "aligned"): ["bus_right"],
        ("bus_room_left", "aligned"): ["bus_room_left"],
        ("stem_left_rest", "aligned"): ["stem_left_rest"],
        ("stem_left_bright", "aligned"): ["stem_left_bright"],
        ("stem_right_right", "aligned"): ["stem_right_bright", "stem_right_rest"],  # both on one bus
        ("room_left_room_left", "gated room"): ["room_left"],
    }
    rests = {key: _rest_dbfs(_heard(rendered[0], *key), _delivered(rendered, *parts)) for key, parts in heard.items()}
    assert max(rests.values()) <= EXACT_DBFS, rests


@pytest.mark.parametrize("case", ["filters everywhere", "filters on one bus"])
def test_open_rooms_null_against_a_render_without_gates(rendering: Render, case: str) -> None:
    """Of the guitar bus, a bus and a room; and the gate makes a difference there."""
    gated, opened = (rendering(*CASES[case][0], *more) for more in ((), ("gate.mode=off",)))
    for player, version, parts in (
        ("guitars", "rooms open", ["guitars"]),
        ("bus_left", "rooms open", ["bus_left"]),
        ("room_right", "stem and open room", ["stem_right", "room_right"]),
    ):
        heard = _heard(gated[0], player, version)
        assert _rest_dbfs(heard, _delivered(opened, *parts)) <= EXACT_DBFS
        assert _rest_dbfs(heard, _delivered(gated, *parts)) > RUN_IN_DBFS


@pytest.mark.parametrize("case", ["filters everywhere", "filters on one bus"])
def test_as_recorded_nulls_against_a_render_that_moves_nothing(rendering: Render, case: str) -> None:
    """The rooms, which are as delivered there, are the same in both: open, and set by hand."""
    rooms = ("gate.mode=off", "mics.room.polarity=normal", "mics.room.delay=none")
    still = [
        f"mics.{mic}.{what}" for mic in ("dynamic", "condenser", "sub") for what in ("polarity=normal", "delay=none")
    ]
    moved, recorded = (rendering(*CASES[case][0], *rooms, *more) for more in ((), still))
    for player in ("guitars", "bus_left", "bus_right", "stem_left"):
        heard = _heard(moved[0], player, "as recorded")
        assert _rest_dbfs(heard, _delivered(recorded, player)) <= EXACT_DBFS
        assert _rest_dbfs(heard, _delivered(moved, player)) > RUN_IN_DBFS


def test_as_recorded_is_the_plain_sum_of_the_tracks(rendered: OnDisk) -> None:
    """No polarity, no delay: the tracks at their gains (the sub mic left out, which has a filter)."""
    plan = rendered.run.plan
    start, count = 54_000, 24_000
    bare = [replace(p, close=tuple(path for path in p.close if path.low_pass_hz is None)) for p in plan.performances]
    plan = replace(plan, performances=tuple(bare))
    wanted = np.zeros(count)
    for path in bare[0].close:
        samples = np.empty(count)
        with TrackReader(path.track) as reader:
            reader.read(start, samples)
        wanted += path.gain * samples
    groups = groups_of(plan)
    (stem,) = [player for player in players_of(plan, groups) if player.name == "stem_left"]
    found: dict[str, FloatArray] = {}
    for source in sources_of(plan, groups, [stem]):
        with closing(source.open(start)) as stream:
            found |= dict(zip(source.clips, stream.next(count), strict=True))
    assert np.abs(found["close_left_recorded"] - bare[0].gain * wanted).max() < 1e-9
    assert any(path.polarity < 0 for path in bare[0].close), "the test song has an inverted mic"


def test_clips_are_as_few_as_they_can_be(rendering: Render) -> None:
    """Without a chain on a bus one clip a performance and state; with one, that bus or guitar bus has its own too."""
    kinds = ("close_{}_aligned", "close_{}_recorded", "rooms_{}_gated", "rooms_{}_open")
    plain = {kind.format(name) for kind in kinds for name in ("left", "right", "centre")}
    own = {f"bus_left_{state}" for state in ("aligned", "recorded", "open")}
    guitars = {f"guitars_{state}_{side}" for state in ("aligned", "recorded", "sides", "open") for side in "lr"}
    for case, more in (("plain", set()), ("filters on one bus", own), ("filters everywhere", own | guitars)):
        plan = rendering(*CASES[case][0])[0].plan
        groups = groups_of(plan)
        sources = sources_of(plan, groups, players_of(plan, groups))
        assert {clip for source in sources for clip in source.clips} == plain | more


def test_many_performances_are_heard_by_bus(rendered: OnDisk) -> None:
    """Beyond the limit each bus is one group, and the guitar bus is still complete."""
    plan = rendered.run.plan
    left = plan.performances[0]
    many = tuple(replace(left, performance=f"left_{n}") for n in range(MOST_PERFORMANCES)) + plan.performances[1:]
    groups = groups_of(replace(plan, performances=many))
    assert [(group.name, len(group.plans)) for group in groups] == [
        ("bus_left", MOST_PERFORMANCES),
        ("bus_right", 1),
        ("bus_centre", 1),
    ]
    players = players_of(replace(plan, performances=many), groups)
    assert [player.name for player in players] == ["guitars", "bus_left", "bus_right", "bus_centre"]


def test_without_an_alignment_there_is_nothing_to_compare(rendered: OnDisk) -> None:
    """A song whose mics were not moved has no version `as recorded`, and open rooms none `rooms open`."""

    def still(p: PerformancePlan) -> PerformancePlan:
        close = tuple(replace(path, polarity=1, delay_samples=0.0) for path in p.close)
        return replace(p, close=close, rooms=tuple(replace(path, curve=OPEN) for path in p.rooms))

    plan = rendered.run.plan
    plan = replace(plan, performances=tuple(map(still, plan.performances)))
    players = players_of(plan, groups_of(plan))
    versions = {v.name for p in players if not p.name.startswith("room_") for v in p.versions}
    assert versions == {"aligned", "without centre"}
