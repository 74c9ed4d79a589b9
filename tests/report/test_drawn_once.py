"""What is the same for all performances is told and drawn once; what is not like the others stands apart, and first."""

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from premix.model.alignment import Passage
from premix.model.mix import Rendered
from premix.model.song import Mic
from premix.report.alignment_pictures import Against
from premix.report.drawing import panels, style
from premix.report.gate_pictures import gate_pictures
from premix.report.mix_pictures import level_pictures
from premix.report.overview import mono_word, overview_of
from premix.report.set_up import mic_rows, pooled, set_up_pictures
from tests.report.conftest import OnDisk
from tests.report.songs import RIFF, SECONDS


def _changed(run: Rendered, label: str, **decision: Any) -> Rendered:
    """The run with another decision for one mic."""

    def change(mic: Mic) -> Mic:
        return replace(mic, decision=replace(mic.decision, **decision)) if mic.label == label else mic

    return replace(run, song=run.song.with_mics(change))


def test_a_set_up_is_one_row_a_mic(rendered: OnDisk) -> None:
    """All three performances alike: the delay's middle, and no row apart."""
    rows = list(mic_rows(rendered.run.song))
    assert [(row.mic, row.where, row.apart) for row in rows] == [
        (mic, "3 performances", "") for mic in ("dynamic", "condenser", "sub", "room")
    ]
    assert rows[0].decided == "reference, stays"
    condenser = rows[1]
    assert condenser.polarity == "inverted"
    # 12.3 samples late at 48 kHz
    assert float(condenser.delay_ms.split()[0]) == pytest.approx(12.3 / 48.0, abs=0.002)


@pytest.mark.parametrize(
    ("decision", "why"),
    [
        ({"moved_samples": 3.0}, "moved"),
        ({"refusal": "alignment-incoherent", "summed": False}, "refused, not in the sum"),
        ({"refusal": "alignment-incoherent", "summed": True}, "refused, in the sum as recorded"),
        ({"passages": (Passage(0.0, 2.0, 1.0, 1), Passage(2.0, 5.0, 9.0, 1))}, "changes in the song, followed"),
        ({"polarity": 1}, "polarity unlike the others"),
    ],
)
def test_what_is_not_like_the_others_has_a_row_of_its_own(rendered: OnDisk, decision: dict[str, Any], why: str) -> None:
    """Below its mic's row, which speaks of the two others; it is in no picture of all."""
    run = _changed(rendered.run, "right/condenser", **decision)
    rows = [row for row in mic_rows(run.song) if row.mic == "condenser"]
    assert [(row.where, row.apart) for row in rows] == [("2 performances", ""), ("right", why)]


def test_phases_are_pooled_around_the_turn() -> None:
    """179 and -179 degrees are two degrees apart, about 180; not 358 about 0. Coherence is pooled as it is."""
    own = [
        Against("ribbon", np.array([0.0]), np.array([degrees]), np.array([coherence]))
        for degrees, coherence in ((179.0, 0.9), (-179.0, 0.7), (180.0, 0.8))
    ]
    middle, low, high = (float(values[0]) for values in pooled(own, "aligned_deg"))
    assert abs(abs(middle) - 180.0) < 1e-9
    assert high - low == pytest.approx(2.0)
    assert [float(values[0]) for values in pooled(own, "coherence")] == pytest.approx([0.8, 0.7, 0.9])


def test_the_spread_of_the_performances_is_a_band(rendered: OnDisk) -> None:
    """The lowest of all bands of all performances is told; in the picture nothing lies outside of the band."""
    picture, _ = set_up_pictures(rendered.run)
    performances = [p.efficiency for p in rendered.run.song.performances]
    worst = min(min(band.before_db for band in e.bands) for e in performances)
    assert f"as recorded \N{MINUS SIGN}{-worst:.2f} dB" in picture.text
    rows = {row[0]: row[1:] for row in picture.rows}
    for e in performances:
        for band, low, high in zip(e.bands, rows["aligned, low"], rows["aligned, high"], strict=True):
            lowest, highest = (float(text.replace("\N{MINUS SIGN}", "-")) for text in (low, high))
            assert lowest - 0.006 <= band.after_db <= highest + 0.006


def test_the_gate_shows_first_where_it_may_be_wrong(rendered: OnDisk) -> None:
    """A room that is shut while its guitar sounds comes first, there where it is lost, and is drawn by itself."""

    def losing(mic: Mic) -> Mic:
        return replace(mic, room=replace(mic.room, lost=((4.1, 4.5),))) if mic.label == "centre/room" else mic

    run = replace(rendered.run, song=rendered.run.song.with_mics(losing))
    first, *others = gate_pictures(run)
    assert first.name == "gate_centre_room" and first.apart
    assert sorted(picture.name for picture in others) == ["gate_left_room", "gate_right_room"]
    assert not any(picture.apart for picture in others)


def test_a_legend_takes_the_rows_that_it_needs() -> None:
    """Four long labels beside a title do not fit into a row of half a page."""
    from premix.report.drawing import HALF_IN, legend

    with style():
        figure, (axes,) = panels([1.0], width_in=HALF_IN, top_in=0.5)
        for label in ("a label of some length", "another one like it", "a third", "a fourth of some length"):
            axes.plot([0, 1], [0, 1], label=label)
        legend(axes, 4, left=0.0)
        figure.canvas.draw()
        box = axes.get_legend().get_window_extent()
        assert box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1


def test_the_ceiling_is_in_the_legend_of_the_levels(rendered: OnDisk) -> None:
    """Whole, inside of the picture."""
    (picture,) = level_pictures(rendered.run)
    with style():
        figure = picture.draw()
        figure.canvas.draw()
        (axes,) = figure.axes
        box, words = axes.get_legend().get_window_extent(), [text.get_text() for text in axes.get_legend().get_texts()]
    assert any(word.startswith("ceiling ") for word in words)
    assert box.x0 >= 0.0 and box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1


def test_the_time_line_has_every_passage_of_the_riff_where_it_is(rendered: OnDisk) -> None:
    """A bar a passage, in thousandths of the song, by the riff that the song was made of: to a tenth of a percent."""
    lane = overview_of(rendered.run, rendered.manifest).lanes[0]
    bars = [tuple(map(float, bar)) for bar in re.findall(r"M([\d.]+) 20h([\d.]+)", lane.riff)]
    wanted = [(1000.0 * on / SECONDS, 1000.0 * (off - on) / SECONDS) for on, off in RIFF]
    assert np.abs(np.array(bars) - np.array(wanted)).max() < 1.0
    assert "4 passages" in lane.said


def test_a_song_of_too_many_stops_is_drawn_and_not_told_place_by_place(
    rendered: OnDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its page says so."""
    monkeypatch.setattr("premix.report.overview.MOST_SPANS", 3)
    overview = overview_of(rendered.run, rendered.manifest)
    assert overview.data["lanes"] == [] and all(lane.riff for lane in overview.lanes)


@pytest.mark.parametrize(
    ("fold_db", "holds", "word"),
    [
        (-2.9, None, "mono is safe"),
        (-3.6, None, "mono loses too much"),
        (-2.9, False, "mono loses too much"),
        (-5.0, True, "mono is safe"),
        (None, None, "not measured"),
    ],
)
def test_mono_goes_by_the_recipes_limit_or_by_what_unrelated_sides_lose(
    rendered: OnDisk, fold_db: float | None, holds: bool | None, word: str
) -> None:
    """Unrelated sides of equal level lose 10 log10(1/2) = 3.0 dB."""
    mono = rendered.manifest.mono
    assert mono is not None
    assert mono_word(replace(rendered.manifest, mono=replace(mono, fold_db=fold_db)), holds) == word
