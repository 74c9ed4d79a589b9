"""Riff detection on keys made from levels: what is a stop and what is not, whatever else is in the key."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.gate import key as key_module
from premix.gate.riff import find_riff, riff_findings
from premix.model.gate import Riff
from premix.model.settings import Gate
from tests.gate.key_material import Levels, drum_bleed, envelopes, hold, mutes, ring, stop
from tests.rigs.songs import keys_of

LATE_S = 0.006
"""Levels fall by 3 dB/ms after a stop, and a stop is where 12 dB of them are gone: 4 ms, and 2 of frames."""


def riff_of(folder: Path, parts: list[Levels], gate: Gate | None = None, **changes: Any) -> Riff:
    key = envelopes(folder, parts, **changes)
    return find_riff(key, np.ones(1), np.zeros(1), gate or Gate())


def told(riff: Riff, parts: list[Levels]) -> list[str]:
    """The slugs of what is worth knowing of a riff found in a song of these parts."""
    return [finding.slug for finding in riff_findings(riff, sum(part.size for part in parts) / 1000)]


def passage(peak_db: float = -10.0, seconds: float = 1.5) -> Levels:
    """Palm mutes, then a chord that rings for half a second."""
    return np.concatenate([mutes(seconds - 0.5, peak_db, 60.0, 0.15), ring(0.5, peak_db + 2.0, 8.0)])


def song(peaks_db: list[float], stop_s: float = 0.2) -> tuple[list[Levels], list[tuple[float, float]]]:
    """Passages with stops of one length between them, and their times."""
    parts, spans, now = [stop(0.5)], [], 0.5
    for peak_db in peaks_db:
        parts += [passage(peak_db), stop(stop_s)]
        spans.append((now, now + 1.5))
        now += 1.5 + stop_s
    return [*parts, stop(0.3)], spans


def assert_found(riff: Riff, spans: list[tuple[float, float]]) -> None:
    """Every passage, no other; starts within 2 ms, stops at most LATE_S late."""
    assert len(riff.spans) == len(spans)
    for (on, off), (true_on, true_off) in zip(riff.spans, spans, strict=True):
        assert on == pytest.approx(true_on, abs=0.002)
        assert -0.002 <= off - true_off <= LATE_S


@pytest.mark.parametrize("stop_s", [0.06, 0.1, 0.4])
@pytest.mark.parametrize("hiss_db", [-300.0, -50.0, -40.0])
def test_passages_are_found_over_hiss(tmp_path: Path, stop_s: float, hiss_db: float) -> None:
    """Hiss 30 dB and 40 dB under the riff, and none at all; stops down to 60 ms."""
    parts, spans = song([-10.0] * 8, stop_s)
    assert_found(riff_of(tmp_path, parts, hiss_db=hiss_db), spans)


@pytest.mark.parametrize("hiss_db", [-50.0, -48.0])
@pytest.mark.parametrize("quiet_db", [-22.0, -25.0])
def test_a_quiet_verse_is_not_gated_away(tmp_path: Path, quiet_db: float, hiss_db: float) -> None:
    """12 and 15 dB softer for most of the song, with its own stops."""
    parts, spans = song([-10.0] * 4 + [quiet_db] * 8 + [-10.0] * 3)
    assert_found(riff_of(tmp_path, parts, hiss_db=hiss_db), spans)


def test_a_quiet_verse_without_stops_is_one_passage(tmp_path: Path) -> None:
    """20 s at -15 dB between loud passages."""
    parts, spans = song([-10.0] * 6)
    parts += [mutes(20.0, -25.0, 50.0, 0.2), stop(0.5)]
    now = spans[-1][1] + 0.5
    assert_found(riff_of(tmp_path, parts, hiss_db=-50.0), [*spans, (now, now + 20.0)])


@pytest.mark.parametrize("decay_s", [0.1, 0.2, 0.5])
@pytest.mark.parametrize("every_s", [0.21, 0.5])
def test_drum_bleed_24_db_down_does_not_open(tmp_path: Path, decay_s: float, every_s: float) -> None:
    """Hits that peak 24 dB under the riff, in the stops, on the stops and throughout."""
    parts, spans = song([-10.0] * 12)
    length = sum(part.size for part in parts) / 1000
    bleed = drum_bleed(length, -34.0, every_s=every_s, decay_s=decay_s)
    assert_found(riff_of(tmp_path, parts, hiss_db=-50.0, bleed=bleed), spans)


def test_bleed_and_a_quiet_verse_part(tmp_path: Path) -> None:
    """Bleed 24 dB down, verse 12 dB down."""
    parts, spans = song([-10.0] * 6 + [-22.0] * 6 + [-10.0] * 4)
    bleed = drum_bleed(sum(part.size for part in parts) / 1000, -34.0, every_s=0.27)
    assert_found(riff_of(tmp_path, parts, hiss_db=-50.0, bleed=bleed), spans)


@pytest.mark.parametrize("hiss_db", [-300.0, -52.0])
def test_a_sustain_that_decays_30_db_is_one_passage(tmp_path: Path, hiss_db: float) -> None:
    """Three seconds at 10 dB/s, hiss 12 dB below its end."""
    parts, spans, now = [stop(0.3)], [], 0.3
    for _ in range(6):
        parts += [ring(3.0, -10.0, 10.0), stop(0.3), passage(), stop(0.2)]
        spans += [(now, now + 3.0), (now + 3.3, now + 4.8)]
        now += 5.0
    assert_found(riff_of(tmp_path, parts, hiss_db=hiss_db), spans)


@pytest.mark.parametrize("depth_db", [9.0, 18.0, 24.0])
def test_palm_mutes_are_not_stops(tmp_path: Path, depth_db: float) -> None:
    """Mutes that fall by up to 24 dB before the next one, hiss 40 dB down: only the damped stops count."""
    part = [mutes(2.0, -10.0, depth_db / 0.2, 0.2), stop(0.2)]
    riff = riff_of(tmp_path, [stop(0.3), *part * 5, stop(0.3)], hiss_db=-50.0)
    assert_found(riff, [(0.3 + 2.2 * k, 2.3 + 2.2 * k) for k in range(5)])


def test_slow_mutes_that_sink_into_the_hiss_do_not_chatter(tmp_path: Path) -> None:
    """Every 300 ms, for 100 ms of which only the hiss 30 dB down is heard: one passage, to the damped
    stop."""
    part = [mutes(15.0, -10.0, 150.0, 0.3), stop(2.0)]
    riff = riff_of(tmp_path, [stop(1.0), *part * 3], hiss_db=-40.0)
    assert len(riff.spans) == 3
    assert [on for on, _ in riff.spans] == pytest.approx([1.0, 18.0, 35.0], abs=0.002)


def test_the_lowest_string_does_not_chatter(tmp_path: Path) -> None:
    """A period of 25 ms that is down by 40 dB for most of its length."""
    period = np.concatenate([hold(0.004, -10.0), stop(0.021)])
    riff = riff_of(tmp_path, [stop(0.5), *[period] * 40, stop(0.5), *[period] * 40, stop(0.5)], hiss_db=-50.0)
    assert len(riff.spans) == 2
    # The last pulse ends 21 ms before the period does.
    assert riff.spans[0] == pytest.approx((0.5, 1.479), abs=LATE_S)


def test_a_fade_out_ends_in_the_noise_and_does_not_chatter(tmp_path: Path) -> None:
    """12 s of mutes faded by 60 dB: one passage, until it is within 10 dB of the hiss, not after."""
    parts, spans = song([-10.0] * 6)
    fade = mutes(12.0, -10.0, 60.0, 0.15) + np.linspace(0.0, -60.0, 12_000)
    riff = riff_of(tmp_path, [*parts, fade], hiss_db=-50.0)
    assert len(riff.spans) == 7
    on, off = riff.spans[-1]
    start = spans[-1][1] + 0.5
    assert on == pytest.approx(start, abs=0.002)
    assert 4.0 < off - start < 8.5  # -20 dB (threshold within reach of its mutes) to -42.5 dB


def test_a_song_that_never_stops_is_one_passage(tmp_path: Path) -> None:
    """Mutes, chords and accents without a stop, with hiss and without: the gate stays open and a finding says
    so."""
    parts = [mutes(20.0, -10.0, 80.0, 0.2), ring(4.0, -6.0, 5.0), mutes(20.0, -14.0, 80.0, 0.2)] * 2
    for hiss_db in (-50.0, -300.0):
        riff = riff_of(tmp_path, parts, hiss_db=hiss_db)
        assert riff.spans == ((0.0, 88.0),)
        assert told(riff, parts) == ["gate-no-stops"]


def test_a_song_that_hardly_plays_is_found(tmp_path: Path) -> None:
    """Two ringing notes in three minutes of hiss; a finding says how little it is."""
    parts = [stop(60.0), ring(0.8, -10.0, 12.0), stop(60.0), ring(0.8, -10.0, 12.0), stop(60.0)]
    riff = riff_of(tmp_path, parts, hiss_db=-46.0)
    assert_found(riff, [(60.0, 60.8), (120.8, 121.6)])
    assert told(riff, parts) == ["gate-hardly-plays"]


def test_a_note_that_rings_out_in_hiss_stops_where_it_sinks_into_it(tmp_path: Path) -> None:
    """4 s at 12 dB/s, hiss 36 dB down (reached after 3 s): stopped between 8 dB above it and that level."""
    riff = riff_of(
        tmp_path, [stop(30.0), ring(4.0, -10.0, 12.0), stop(30.0), ring(4.0, -10.0, 12.0), stop(30.0)], hiss_db=-46.0
    )
    assert len(riff.spans) == 2
    for (on, off), start in zip(riff.spans, (30.0, 64.0), strict=True):
        assert on == pytest.approx(start, abs=0.002)
        assert 28.0 / 12.0 < off - start < 3.1


def test_noise_alone_leaves_the_gate_open(tmp_path: Path) -> None:
    """Nothing in it tells playing from not playing, so nothing is shut."""
    riff = riff_of(tmp_path, [stop(60.0)], hiss_db=-60.0)
    assert riff.spans == ((0.0, 60.0),)


def test_a_silent_key_has_no_passage_and_says_so(tmp_path: Path) -> None:
    """Digital silence in the close mics."""
    parts = [stop(5.0)]
    riff = riff_of(tmp_path, parts)
    assert riff.spans == ()
    assert told(riff, parts) == ["gate-key-silent"]


def test_a_key_without_mics_has_no_passage_and_says_so(tmp_path: Path) -> None:
    """All close mics muted or refused."""
    parts = [passage()]
    riff = find_riff(envelopes(tmp_path, parts), np.zeros(1), np.zeros(1), Gate())
    assert riff.spans == ()
    assert told(riff, parts) == ["gate-no-key"]


def test_notes_that_die_away_make_a_finding(tmp_path: Path) -> None:
    """Ten passages that end in long decays: the stops are found, and said to be uncertain."""
    parts = [part for _ in range(10) for part in (ring(2.5, -10.0, 20.0), stop(1.5))]
    riff = riff_of(tmp_path, parts, hiss_db=-46.0)
    assert len(riff.spans) == 10
    assert told(riff, parts) == ["gate-stops-uncertain"]


@pytest.mark.parametrize("gain_db", [-40.0, -12.0, 12.0])
def test_the_level_of_the_key_changes_nothing(tmp_path: Path, gain_db: float) -> None:
    """The threshold is relative: same passages and, to the 0.5 dB of a level's step, the same threshold."""
    parts, _ = song([-10.0] * 6)
    plain = riff_of(tmp_path, parts, hiss_db=-50.0)
    moved = riff_of(tmp_path, [part + gain_db for part in parts], hiss_db=-50.0 + gain_db)
    assert np.array(moved.spans) == pytest.approx(np.array(plain.spans), abs=0.001)
    assert moved.threshold_db == pytest.approx(plain.threshold_db, abs=0.5)
    assert moved.loud_db - plain.loud_db == pytest.approx(gain_db, abs=0.5)


def test_the_threshold_that_was_found_can_be_given_by_hand(tmp_path: Path) -> None:
    """The value that auto reports, written into the recipe, finds the same passages."""
    parts, spans = song([-10.0] * 6)
    found = riff_of(tmp_path, parts, hiss_db=-50.0)
    given = riff_of(tmp_path, parts, Gate(threshold_db=found.threshold_db), hiss_db=-50.0)
    assert found.auto
    assert not given.auto
    assert given.threshold_db == found.threshold_db
    assert_found(given, spans)


def test_a_given_threshold_is_relative_to_the_loud_level(tmp_path: Path) -> None:
    """Passages 20 dB down: above a threshold of -25 dB, below one of -15 dB."""
    parts, spans = song([-10.0] * 4 + [-30.0] + [-10.0] * 4)
    assert_found(riff_of(tmp_path, parts, Gate(threshold_db=-25.0), hiss_db=-60.0), spans)
    loud = riff_of(tmp_path, parts, Gate(threshold_db=-15.0), hiss_db=-60.0)
    assert_found(loud, spans[:4] + spans[5:])


@pytest.mark.parametrize("seed", range(5))
def test_level_jitter_inside_the_hysteresis_does_not_chatter(tmp_path: Path, seed: int) -> None:
    """A passage whose level wanders by 2 dB either way, 3 dB below the threshold that it passed at its start:
    one passage, two transitions."""
    rng = np.random.default_rng(seed)
    # Steps of 40 ms, longer than the dips that are filled anyway.
    wander = np.repeat(rng.uniform(-2.0, 2.0, 100), 40)
    held = np.concatenate([ring(0.3, -28.0, 15.0), -32.5 + wander])
    parts = [stop(0.5), passage(), stop(0.3), held, stop(0.5), passage(), stop(0.3)]
    riff = riff_of(tmp_path, parts, Gate(threshold_db=-20.0, hysteresis_db=6.0), hiss_db=-70.0)
    assert len(riff.spans) == 3
    assert riff.spans[1][1] - riff.spans[1][0] == pytest.approx(4.3, abs=0.01)


@pytest.mark.parametrize("hysteresis_db", [0.0, 20.0, 40.0])
def test_an_odd_hysteresis_still_finds_the_stops(tmp_path: Path, hysteresis_db: float) -> None:
    """0, and more than lies between riff and hiss: a damped stop is a stop, and notes of the loud level
    open."""
    parts, spans = song([-10.0] * 8)
    assert_found(riff_of(tmp_path, parts, Gate(hysteresis_db=hysteresis_db), hiss_db=-50.0), spans)


@pytest.mark.parametrize("chunk", [64, 1000, 4096])
def test_where_the_song_is_cut_into_chunks_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    """To the last bit, with bleed and hiss."""
    parts, _ = song([-10.0] * 6)
    bleed = drum_bleed(sum(part.size for part in parts) / 1000, -34.0)
    key = envelopes(tmp_path, parts, hiss_db=-50.0, bleed=bleed)
    whole = find_riff(key, np.ones(1), np.array([37.5]), Gate())
    monkeypatch.setattr(key_module, "CHUNK_FRAMES", chunk)
    assert find_riff(key, np.ones(1), np.array([37.5]), Gate()) == whole


def test_mics_are_shifted_and_weighted_before_they_are_added(tmp_path: Path) -> None:
    """The second mic is 4.5 ms late and as loud: advanced, both start together and the sum is 6 dB louder;
    with a weight of 0 it is not heard."""
    parts, spans = song([-10.0] * 4)
    first = envelopes(tmp_path, parts, hiss_db=-60.0)
    second = envelopes(tmp_path, [stop(0.0045), *parts], hiss_db=-60.0, performance="late")
    both = np.stack([first.read(0, first.frames)[0], second.read(0, first.frames)[0]]).astype(np.float64)
    key = keys_of("both", both, ("a", "b"), tmp_path)
    alone = find_riff(key, np.array([1.0, 0.0]), np.zeros(2), Gate())
    summed = find_riff(key, np.array([1.0, 1.0]), np.array([0.0, 4.0 * 48]), Gate())
    assert_found(summed, spans)
    assert summed.loud_db - alone.loud_db == pytest.approx(6.0, abs=0.5)
    assert alone.spans == find_riff(first, np.ones(1), np.zeros(1), Gate()).spans


def test_passages_never_overlap(tmp_path: Path) -> None:
    """Whatever is played: random levels every 10 to 200 ms, with hiss."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        parts = [hold(rng.uniform(0.01, 0.2), rng.uniform(-60.0, -5.0)) for _ in range(200)]
        spans = riff_of(tmp_path, parts, hiss_db=-55.0, seed=seed).spans
        assert all(on < off for on, off in spans)
        assert all(a[1] < b[0] for a, b in pairwise(spans))


@pytest.mark.parametrize("frames", [0, 1, 2, 40, 100])
def test_a_song_shorter_than_any_window_is_defined(tmp_path: Path, frames: int) -> None:
    """From no frame at all to 100 ms: at most one passage, inside the song."""
    riff = riff_of(tmp_path, [hold(frames / 1000, -10.0)])
    assert riff.spans in ((), ((0.0, frames / 1000),))
    assert bool(riff.spans) == (frames >= 40)
