"""Where the page looks and listens: the busiest stretch, the clearest attack, the key in between."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from premix.model.gate import Riff
from premix.model.song import Song
from premix.report.gate_pictures import gate_pictures, key_level_db, room_levels_dbfs
from premix.report.pictures import mixed_performances
from premix.report.window import Window, attack_window, busiest_window, clearest_attack, fullest_window, window_around
from tests.report.conftest import OnDisk, without_riffs
from tests.report.songs import RATE, RIFF, SECONDS


def _song(rendered: OnDisk, *spans: tuple[float, float], frames: int = 10_000) -> Song:
    """A song at 100 Hz whose left side plays these passages, and nothing else plays."""
    song = rendered.run.song
    riffs = [Riff(p.name, spans if p.name == "left" else (), -20.0, -30.0, True) for p in song.performances]
    played = tuple(replace(p, riff=riff) for p, riff in zip(song.performances, riffs, strict=True))
    return replace(song, rate=100, frames=frames, performances=played)


def test_the_busiest_stretch_has_the_most_starts_and_stops(rendered: OnDisk) -> None:
    """Four short passages win over one long one, and the stretch begins a quarter of a second before them."""
    song = _song(rendered, (1.0, 50.0), (60.0, 61.0), (62.0, 63.0), (64.0, 65.0), (66.0, 67.0))
    assert busiest_window(song, 12.0) == Window(5_975, 1_200)


def test_the_fullest_stretch_is_where_most_is_played(rendered: OnDisk) -> None:
    """One long passage wins over four short ones; of two passages the pause between them is in it."""
    song = _song(rendered, (1.0, 3.0), (4.0, 5.0), (6.0, 7.0), (30.0, 45.0), (60.0, 61.0))
    window = fullest_window(song, 12.0)
    assert window.start >= 3_000 and window.start + window.frames <= 4_500
    assert fullest_window(_song(rendered, (1.0, 3.0), (20.0, 26.0), (28.0, 34.0)), 12.0) == Window(2_200, 1_200)


def test_the_fullest_stretch_is_what_counting_finds(rendered: OnDisk) -> None:
    """Against every start on a grid of 10 ms, over spans of a random riff: nothing played more is passed over."""
    rng = np.random.default_rng(3)
    edges = np.cumsum(rng.uniform(0.3, 4.0, 30))
    spans = [(float(on), float(off)) for on, off in zip(edges[::2], edges[1::2], strict=True)]

    def played(start_s: float) -> float:
        return sum(max(0.0, min(off, start_s + 12.0) - max(on, start_s)) for on, off in spans)

    window = fullest_window(_song(rendered, *spans), 12.0)
    assert played(window.start / 100.0) > max(played(0.01 * at) for at in range(8_800)) - 0.03


def test_a_short_song_is_heard_whole(rendered: OnDisk) -> None:
    """And a song in which nothing plays from its begin."""
    assert busiest_window(_song(rendered, (1.0, 2.0), frames=800), 12.0) == Window(0, 800)
    assert busiest_window(_song(rendered), 12.0) == Window(0, 1_200)


def test_a_stretch_stays_inside_the_song(rendered: OnDisk) -> None:
    """The busiest passage may be the last one."""
    window = busiest_window(_song(rendered, (1.0, 2.0), (98.0, 98.5), (98.8, 99.0), (99.2, 99.5)), 12.0)
    assert window.start + window.frames <= 10_000 and window.start + window.frames > 9_950


@pytest.mark.parametrize(("at_s", "start"), [(50.0, 4_600), (1.0, 0), (99.9, 9_200), (0.0, 0)])
def test_a_place_stands_in_the_middle_as_far_as_the_song_reaches(rendered: OnDisk, at_s: float, start: int) -> None:
    """100 s at 100 Hz, 8 s shown."""
    assert window_around(at_s, _song(rendered), 8.0) == Window(start, 800)


def test_the_attack_is_found_in_the_reference_mic(rendered: OnDisk) -> None:
    """One of the riff's starts, to a millisecond: the passages of the test song begin at once."""
    begin = clearest_attack(rendered.run.song, *next(mixed_performances(rendered.run)))
    assert begin is not None
    assert min(abs(begin / RATE - on) for on, _ in RIFF) < 0.001
    window = attack_window(begin, RATE)
    assert (window.start, window.frames) == (begin - 96, 576)
    assert np.isclose(window.seconds(RATE)[1] - window.seconds(RATE)[0], 0.012)


def test_an_attack_at_the_very_begin_is_shown_from_there() -> None:
    """Nothing lies before a song; what follows the attack is as long as ever."""
    assert attack_window(20, RATE) == Window(0, 500)


def test_a_performance_that_never_starts_has_no_attack(rendered: OnDisk) -> None:
    """Then there is nothing to draw."""
    run = without_riffs(rendered.run)
    assert clearest_attack(run.song, *next(mixed_performances(run))) is None


def test_the_key_that_is_drawn_is_the_one_that_is_gated(rendered: OnDisk) -> None:
    """It passes the threshold where the riff was found to start and stop, to the width of a point and the 30 ms over
    which the gate smooths its key."""
    song = rendered.run.song
    performance = song.performance("right")
    riff, points = performance.riff, 1200
    times, level = key_level_db(performance, song.gate, Window(0, song.frames), points)
    above = level - riff.loud_db > riff.threshold_db
    edges = times[1:][np.diff(above.astype(int)) != 0]
    wanted = np.array([edge for span in riff.spans for edge in span])
    assert edges.shape == wanted.shape
    assert np.abs(edges - wanted).max() < 0.03 + SECONDS / points


def test_the_levels_that_the_gate_follows_are_drawn_through_time(rendered: OnDisk) -> None:
    """Loud level, threshold and floor as the records have them, where a verse is softer than what follows; the words
    name the threshold's range."""
    run = rendered.run
    mic = run.song.performances[0].rooms[0]
    assert mic.room.levels is not None
    count = len(mic.room.levels.at_s)
    step = np.where(np.arange(count) < count // 2, -15.0, 0.0)
    moved = {
        name: tuple(np.asarray(getattr(mic.room.levels, name)) + step) for name in ("loud_db", "floor_db", "opens_db")
    }
    levels = replace(mic.room.levels, **moved)
    first = replace(
        run.song.performances[0],
        mics=tuple(
            replace(m, room=replace(m.room, levels=levels)) if m.name == mic.name else m
            for m in run.song.performances[0].mics
        ),
    )
    song = replace(run.song, performances=(first, *run.song.performances[1:]))
    picture = next(gate_pictures(replace(run, song=song)))
    assert "the floor around and the threshold" in picture.text
    lines = {line.get_label(): line for line in picture.draw().axes[0].lines}
    for label, values in (("loud around", levels.loud_db), ("threshold", levels.opens_db), ("floor", levels.floor_db)):
        times, drawn = lines[label].get_xdata(), lines[label].get_ydata()
        wanted = np.interp(times, levels.at_s, values) - first.riff.loud_db
        np.testing.assert_allclose(drawn, np.maximum(wanted, -80.0), atol=1e-9)


def test_the_room_is_drawn_as_it_was_recorded_and_as_it_left_the_gate(rendered: OnDisk) -> None:
    """Before: the track's own level, read by soundfile, at its gain. After: that and the curve's gain, where it holds
    still through a step, drawn down to -120 dBFS; some steps are open and some shut."""
    run = rendered.run
    mic = run.song.performances[0].rooms[0]
    before, after = room_levels_dbfs(run.plan, Window(0, run.song.frames))[mic.performance]
    curve, step = mic.room.curve, RATE // 100
    samples = soundfile.read(mic.track.header.path)[0][: len(before) * step] * mic.gain
    rms = np.sqrt(np.mean(samples.reshape(-1, step) ** 2, axis=1))
    np.testing.assert_allclose(before, 20.0 * np.log10(rms * np.sqrt(2.0)), atol=0.01)
    gain = np.interp(np.arange(len(before) * step), curve.positions, curve.gains_db).reshape(-1, step)
    steady = np.ptp(gain, axis=1) == 0.0
    np.testing.assert_allclose(after[steady], np.maximum(before + gain[:, 0], -120.0)[steady], atol=1e-6)
    assert {0.0, -60.0} <= set(gain[steady, 0].tolist())
