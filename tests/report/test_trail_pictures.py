"""The pictures of mics that change: who is drawn, what is drawn, and that steady mics are not."""

from dataclasses import replace

import pytest

from premix.errors import Finding
from premix.model.alignment import MicTrail, Passage
from premix.model.mix import Rendered
from premix.report.drawing import style
from premix.report.page import pictures_of
from premix.report.trail_pictures import trail_pictures
from tests.report.conftest import OnDisk

TIMES = (1.0, 3.0, 5.0)


def followed(run: Rendered, passages: tuple[Passage, ...], *, level_db: float = 0.0, told: bool = False) -> Rendered:
    """The run, its first performance followed: its second mic has these passages, or only a finding."""
    first, *others = run.song.performances
    changed = first.judged[1]
    trails = tuple(
        MicTrail(mic.name, TIMES, (48.0, 48.0, 96.0), (0.1,) * 3, (1, 1, -1), (0.0, 0.0, level_db))
        for mic in first.judged
    )
    mics = tuple(
        replace(mic, decision=replace(mic.decision, passages=passages)) if mic is changed else mic for mic in first.mics
    )
    song = replace(run.song, performances=(replace(first, mics=mics, steadiness=trails), *others), rate=48000)
    if told:
        song = song.tell(Finding("alignment-dropout", "warning", changed.label, "falls silent at 0:04.00"))
    return replace(run, song=song)


JUMPED = (Passage(0.0, 4.0, 48.0, 1), Passage(4.0, 6.0, 96.0, -1, 100.0))


def test_a_mic_that_changes_is_drawn_over_time(rendered: OnDisk) -> None:
    """Points in ms by polarity, lines where the passages lie; in the table one row a passage."""
    run = followed(rendered.run, JUMPED)
    first = run.song.performances[0]
    (picture,) = trail_pictures(run)
    assert picture.name == f"steadiness_{first.name}"
    mic = first.judged[1].name
    assert picture.rows == (
        (mic, "0.00", "4.00", "+1.000", "normal", "–"),
        (mic, "4.00", "6.00", "+2.000", "inverted", "+100.0"),
    )
    assert mic in picture.text and all(other.name not in picture.text for other in first.judged[2:])
    with style():
        (panel,) = picture.draw().axes
    normal, inverted = (container[0].get_xydata().tolist() for container in panel.containers)
    assert normal == [[1.0, 1.0], [3.0, 1.0]] and inverted == [[5.0, 2.0]]
    lines = [line.get_xydata().tolist() for line in panel.lines if line.get_color() == "#14503f"]
    assert lines[0] == [[0.0, 1.0], [4.0, 1.0]]
    # 100 ppm for 2 s are 9.6 samples, 0.2 ms.
    assert lines[1][0] == [4.0, 2.0] and lines[1][1] == pytest.approx([6.0, 2.2])


def test_what_is_only_told_is_drawn_with_its_words(rendered: OnDisk) -> None:
    """A mic that falls silent keeps its one delay; its level is drawn below."""
    run = followed(rendered.run, (), level_db=-60.0, told=True)
    (picture,) = trail_pictures(run)
    assert "falls silent at 0:04.00" in picture.text
    assert len(picture.rows) == 1
    with style():
        delay, level = picture.draw().axes
    assert "delay" in delay.get_title("left") and "level" in level.get_title("left")
    assert level.lines[0].get_ydata()[2] == -48.0  # the lowest that is drawn


def test_steady_mics_are_not_drawn(rendered: OnDisk) -> None:
    """Neither as they were followed, nor where they were not."""
    assert not list(trail_pictures(followed(rendered.run, ())))
    assert pictures_of(rendered.run)[0]["steadiness"] == []
    assert "mics that change" not in rendered.page.read_text("utf-8")
