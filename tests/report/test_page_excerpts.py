"""What is heard on a page is what was delivered: excerpts null against the written files."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from premix.audio.reader import TrackReader
from premix.model.alignment import AllPass
from premix.model.mix import MicPath
from premix.model.tracks import Track
from premix.report.excerpt import FileExcerpt, MicExcerpt, close_sum
from premix.report.listening import Source, Version
from premix.report.song_players import MOST_PERFORMANCES, groups_of, players_of, sources_of
from tests.report.conftest import Rendered

FloatArray = npt.NDArray[np.float64]

START, COUNT = 54_000, 24_000
"""Over a stop of the riff: the gates shut and open in it."""
HALF_STEP = 2.0**-24
"""Rounding to 24 bits is off by at most half a step of 2^-23."""
TINY = 1e-9
"""Two ways of 64-bit convolution (direct, and by FFT in blocks) differ by rounding only."""


def _mixed(version: Version, sources: Sequence[Source]) -> FloatArray:
    """A version as the browser would mix it, (2, COUNT)."""
    by_name, mix = {source.name: source for source in sources}, np.zeros((2, COUNT))
    for voice in version.voices:
        with closing(by_name[voice.clip].open(START)) as stream:
            mix += np.outer((voice.left, voice.right), stream.next(COUNT))
    return mix


def _delivered(rendered: Rendered, part: str) -> FloatArray:
    """The same stretch of a written file, (channels, COUNT)."""
    file = next(file for file in rendered.run.rendering.files if file.part.part == part)
    rows = []
    for channel in range(file.part.channels):
        with closing(FileExcerpt(rendered.out / file.path, channel, START)) as stream:
            rows.append(stream.next(COUNT))
    return np.array(rows)


@pytest.mark.parametrize(
    ("player", "version", "part"),
    [
        ("guitars", "aligned", "guitars"),
        ("guitars", "without centre", "guitars_without_centre"),
        ("bus_right", "aligned", "bus_right"),
        ("stem_centre", "aligned", "stem_centre"),
    ],
)
def test_what_is_heard_nulls_against_the_file(rendered: Rendered, player: str, version: str, part: str) -> None:
    """Delay, polarity, filters, gate, gains, pan, width and trim are those of the render."""
    plan = rendered.run.plan
    groups = groups_of(plan)
    heard = next(p for p in players_of(plan, groups) if p.name == player)
    mix = _mixed(next(v for v in heard.versions if v.name == version), sources_of(rendered.run, groups))
    file = _delivered(rendered, part)
    assert np.abs(file).max() > 0.01
    assert np.abs(mix[: len(file)] - file).max() <= HALF_STEP + TINY


def test_as_recorded_is_the_plain_sum_of_the_tracks(rendered: Rendered) -> None:
    """No polarity, no delay: the tracks at their gains (the sub mic left out, which has a filter)."""
    plan = rendered.run.plan.performances[0]
    plan = replace(plan, close=tuple(path for path in plan.close if path.low_pass_hz is None))
    wanted = np.zeros(COUNT)
    for path in plan.close:
        samples = np.empty(COUNT)
        with TrackReader(path.track) as reader:
            reader.read(START, samples)
        wanted += abs(path.gain) * samples
    with closing(close_sum(plan, rendered.run.plan.rate, START, aligned=False)) as stream:
        assert np.abs(stream.next(COUNT) - plan.gain * wanted).max() < TINY
    assert any(path.gain < 0.0 for path in plan.close), "the test song has an inverted mic"


@pytest.mark.parametrize("delay", [0.0, 7.0, 12.3, -4.6])
def test_an_excerpt_is_a_part_of_the_whole(rendered: Rendered, delay: float) -> None:
    """Starting in the middle and reading in pieces changes nothing, filters included."""
    path = _path(rendered, delay)
    with closing(MicExcerpt(path, 48_000, 0, aligned=True)) as stream:
        whole = stream.next(START + COUNT)[START:]
    with closing(MicExcerpt(path, 48_000, START, aligned=True)) as stream:
        pieces = np.concatenate([stream.next(count) for count in (1, 999, COUNT - 1000)])
    # the filters ring for less than the second they are given to settle: exp(-2 pi 60 Hz 0.7 s) is below 1e-50
    assert np.abs(whole - pieces).max() < TINY


def _path(rendered: Rendered, delay: float) -> MicPath:
    track: Track = rendered.run.tracks.tracks[0]
    return MicPath(track, -0.5, delay, high_pass_hz=60.0, low_pass_hz=5000.0, rotation=AllPass(2, 300.0))


def test_many_performances_are_heard_by_bus(rendered: Rendered) -> None:
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


def test_without_an_alignment_there_is_nothing_to_compare(rendered: Rendered) -> None:
    """A song whose mics were not moved has no version `as recorded`, and open rooms none `rooms open`."""
    plan = rendered.run.plan
    still = tuple(
        replace(p, rooms=(), close=tuple(replace(m, gain=abs(m.gain), delay_samples=0.0) for m in p.close))
        for p in plan.performances
    )
    plan = replace(plan, performances=still)
    assert {v.name for p in players_of(plan, groups_of(plan)) for v in p.versions} == {"aligned", "without centre"}
