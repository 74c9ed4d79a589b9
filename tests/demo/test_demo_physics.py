"""The demo session as sound: strings, amp, cabinet, mics and room are what the truth file says."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pyroomacoustics
import pytest
from scipy.signal import correlate

from premix.arrays import FloatArray
from premix.demo import rig
from premix.demo.line_ups import PERFORMANCES
from premix.demo.playing import BARS, LEAD_IN_S, RINGS, TIMING_MOST_S, perform, pluck
from premix.demo.rig import (
    CABINET,
    LEAD,
    MICS,
    REFERENCE,
    ROOM_DISTANCE_CM,
    ROOM_MIC_M,
    DemoMic,
    Section,
    amplify,
    hiss_and_hum,
    impulse_response,
    response,
)
from premix.demo.session import PerformanceTruth, perform_session
from premix.units import gain_to_db, speed_of_sound_m_s

Session = dict[str, tuple[PerformanceTruth, dict[str, FloatArray]]]
RATE = 48000
SECONDS = 8.0


@pytest.fixture(scope="module")
def session() -> Session:
    """Three performances of the session, by name: truth and signals by mic."""
    made = perform_session(SECONDS, RATE, 1, ("left_a", "left_b", "centre"))
    return {truth.performance: (truth, {mic.name: x for mic, x in tracks}) for truth, tracks in made}


def levels_db(signal: FloatArray, window: int = 96) -> FloatArray:
    """Level of each millisecond, over 2 ms beginning there, in dB."""
    total = np.cumsum(np.concatenate([[0.0], signal**2]))
    starts = np.arange(0, len(signal) - window, RATE // 1000)
    return np.asarray(10.0 * np.log10((total[starts + window] - total[starts]) / window + 1e-20), np.float64)


def test_bars_are_sixteen_signs_long() -> None:
    """Every bar's rows fit, and the score knows no other signs."""
    for strokes, frets in BARS:
        assert len(strokes) == len(frets) == 16
        assert set(strokes) <= set("mkCt-.") and frets.isdigit()


def test_a_take_has_every_technique_and_stops_from_short_to_long() -> None:
    """Within 8 s: palm mutes, chords and tremolo, stops of 60 to 100 ms and of over 350 ms."""
    take = perform(SECONDS, np.random.default_rng(5))
    assert {s.technique for s in take.strokes} == {"mute", "chord", "tremolo"}
    stops = [b[0] - a[1] for a, b in zip(take.passages, take.passages[1:], strict=False)]
    assert 0.064 < min(stops) < 0.1 and 0.35 < max(stops) < 0.5
    assert take.passages[0][0] >= LEAD_IN_S - TIMING_MOST_S
    assert take.passages[-1][1] <= SECONDS - LEAD_IN_S + TIMING_MOST_S


def test_takes_differ_by_human_timing_only() -> None:
    """Two takes have the same strokes, each within twice 15 ms of the other's, and not all equal."""
    one, two = (perform(SECONDS, np.random.default_rng(seed)).strokes for seed in (1, 2))
    apart = np.array([a.on_s - b.on_s for a, b in zip(one, two, strict=True)])
    assert [s.technique for s in one] == [s.technique for s in two]
    assert np.max(np.abs(apart)) <= 2 * TIMING_MOST_S + 1e-9
    assert np.std(apart) > 0.003  # two draws of 7 ms; far above rounding


@pytest.mark.parametrize("pitch_hz", [55.0, 82.407, 123.471])
def test_a_string_sounds_at_its_pitch(pitch_hz: float) -> None:
    """The fundamental is within 2 cents of the pitch: the stiffness sharpens it by 0.05, the grid by 1."""
    note = pluck(pitch_hz, RATE, RATE, np.hanning(96), RINGS["chord"], 0.13)
    spectrum = np.abs(np.fft.rfft(note * np.hanning(RATE), 16 * RATE))
    near = slice(int(16 * pitch_hz * 0.9), int(16 * pitch_hz * 1.1))
    found = (near.start + np.argmax(spectrum[near])) / 16
    assert abs(1200.0 * np.log2(found / pitch_hz)) < 2.0


def test_a_long_notes_tail_never_wraps_into_its_beginning() -> None:
    """A chord cut after 0.1 s is the beginning of the chord at full length, to -40 dB.

    WRAP pushes the tail down by 60 dB; a stiff string's partials are exact on the unit circle only.
    """
    whole, cut = (pluck(110.0, length, RATE, np.hanning(96), RINGS["chord"], 0.13) for length in (RATE, 4800))
    assert np.max(np.abs(cut - whole[:4800])) < 1e-2 * np.max(np.abs(whole))


def test_a_string_decays_as_told() -> None:
    """The fundamental falls by 8.69 dB in the time constant; (1 + (110 / 700)^2) times faster at 110 Hz."""
    note = pluck(110.0, RATE, RATE, np.hanning(96), RINGS["mute"], 0.13)
    wheel = np.exp(-2j * np.pi * 110.0 * np.arange(RATE) / RATE)
    later = 4800 + round(RINGS["mute"].decay_s * RATE)
    first, second = (abs(np.sum((note * wheel)[start : start + 9600])) for start in (4800, later))
    # 0.3 dB: the next partials leak into a window of 0.2 s.
    assert gain_to_db(first / second) == pytest.approx(8.69 * (1 + (110 / 700) ** 2), abs=0.3)


def test_a_late_string_is_the_same_string_later() -> None:
    """Half a sample of start time is half a sample of linear phase (below 8 kHz; nothing is left above)."""
    notes = [pluck(110.0, 4096, RATE, np.hanning(96), RINGS["mute"], 0.13, s / RATE) for s in (0.0, 0.5)]
    spectra = [np.fft.rfft(n * np.hanning(4096)) for n in notes]
    freqs = np.fft.rfftfreq(4096)[1:400]
    slope = np.polyfit(freqs, np.unwrap(np.angle(spectra[1] / spectra[0])[1:400]), 1, w=np.abs(spectra[0][1:400]))[0]
    assert -slope / (2 * np.pi) == pytest.approx(0.5, abs=0.02)


def test_the_amps_aliases_stay_under_its_harmonics() -> None:
    """A loud 2.9 kHz tone: what is not a harmonic (an alias, then) stays 36 dB under it.

    A square wave's harmonics fall as 1 / k; with four-fold oversampling those near 192 kHz come back first.
    """
    tone = 0.5 * np.sin(2 * np.pi * 2900.0 * np.arange(RATE) / RATE)
    spectrum = np.abs(np.fft.rfft(amplify(tone, RATE)[RATE // 4 : -RATE // 4] * np.hanning(RATE // 2)))
    freqs = np.fft.rfftfreq(RATE // 2, 1.0 / RATE)
    off = np.min(np.abs(freqs[:, None] - 2900.0 * np.arange(9)), axis=1) > 50.0
    assert gain_to_db(np.max(spectrum[off]) / np.max(spectrum)) < -36.0


def test_the_amp_squashes_loud_notes_and_lifts_its_hiss() -> None:
    """A 20 dB softer tone comes out less than 3 dB softer; noise alone comes out near its stated level."""
    tone = np.sin(2 * np.pi * 220.0 * np.arange(RATE) / RATE)
    loud, soft = (float(np.std(amplify(g * tone, RATE))) for g in (0.5, 0.05))
    assert 0.0 <= gain_to_db(loud / soft) < 3.0
    noise = hiss_and_hum(RATE, RATE, np.random.default_rng(1), hiss_db=-45.0, hum_db=-90.0)
    # The amp's filters take away 4.6 dB of white noise.
    assert gain_to_db(float(np.std(amplify(noise, RATE)))) == pytest.approx(-45.0, abs=6.0)


def test_filter_sections_have_their_textbook_gains() -> None:
    """Peak and shelves reach their gain, passes are 3 dB down at the corner, the band-pass 1 inside."""
    at = np.array([1e-3, 1000.0, 1e6])
    cases = {
        Section("peak", 1000.0, 6.0, 2.0): (0.0, 6.0, 0.0),
        Section("low_shelf", 1000.0, 6.0): (6.0, None, 0.0),
        Section("high_shelf", 1000.0, -6.0): (0.0, None, -6.0),
        Section("low_pass", 1000.0): (0.0, -3.01, -120.0),
        Section("high_pass", 1000.0): (-240.0, -3.01, 0.0),
        Section("band_pass", 1000.0, q=0.7): (None, 0.0, None),
    }
    for section, wanted in cases.items():
        for value, want in zip(np.abs(response([section], at)), wanted, strict=True):
            assert want is None or gain_to_db(float(value)) == pytest.approx(want, abs=0.01), section


@pytest.mark.parametrize("mic", MICS[:4], ids=lambda m: m.name)
def test_a_mic_without_colour_is_a_pure_delay(mic: DemoMic) -> None:
    """Against the reference, all without colour: polarity and delay from the phase, to 1e-6 sample."""
    plain = [impulse_response(replace(m, colour=()), RATE) for m in (mic, MICS[0])]
    assert MICS[0].name == REFERENCE
    ratio = (np.fft.rfft(plain[0]) / np.fft.rfft(plain[1]))[20:800]
    freqs = np.fft.rfftfreq(len(plain[0]), 1.0 / RATE)[20:800]
    expected = (mic.distance_cm - 2.5) / 100.0 / 343.2 + mic.converter_s
    assert np.sign(np.real(ratio * np.exp(2j * np.pi * freqs * expected))).sum() == mic.polarity * len(ratio)
    delays = -np.angle(ratio * mic.polarity * np.exp(2j * np.pi * freqs * expected)) / (2 * np.pi * freqs)
    assert np.max(np.abs(delays)) * RATE < 1e-6


def test_an_impulse_response_is_silent_before_the_sound_arrives() -> None:
    """Ringing ahead of the onset, from the limited band, stays 60 dB under the peak."""
    for mic in MICS:
        impulse = impulse_response(mic, RATE)
        onset = LEAD + int(mic.delay_s() * RATE)
        assert np.max(np.abs(impulse[: onset - 8])) < 1e-3 * np.max(np.abs(impulse)), mic.name


@pytest.fixture
def plain_simulator() -> Iterator[None]:
    """pyroomacoustics without the high-pass that it lays over its responses."""
    before = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    yield
    pyroomacoustics.constants.set("rir_hpf_enable", before)


@pytest.mark.usefixtures("plain_simulator")
def test_the_room_is_that_of_an_independent_simulator(monkeypatch: pytest.MonkeyPatch) -> None:
    """pyroomacoustics (image sources, independent code), same walls: the first 60 ms agree.

    200 Hz to 6 kHz, where both place images between samples well: -50 dB. Its filters delay by 40 samples.
    """
    monkeypatch.setattr(rig, "HIGH_REFLECTION", rig.LOW_REFLECTION)
    ours = rig.room_response(ROOM_MIC_M, RATE)[: round(0.06 * RATE)]
    walls = pyroomacoustics.Material(1.0 - rig.LOW_REFLECTION**2)
    box = pyroomacoustics.ShoeBox(rig.SIZE_M, fs=RATE, materials=walls, max_order=14, air_absorption=False)
    box.set_sound_speed(speed_of_sound_m_s())
    box.add_source(list(rig.CABINET_M))
    box.add_microphone(list(ROOM_MIC_M))
    box.compute_rir()
    theirs = box.rir[0][0][40 : 40 + len(ours)]
    freqs = np.fft.rfftfreq(len(ours), 1.0 / RATE)
    band = (freqs > 200.0) & (freqs < 6000.0)
    a, b = np.fft.rfft(ours)[band], np.fft.rfft(theirs)[band]
    assert np.sum(np.abs(a - b) ** 2) < 1e-5 * np.sum(np.abs(b) ** 2)


def test_the_room_decays_as_a_live_room_does() -> None:
    """Direct sound at 3.2 m, and a reverberation time (Schroeder, -5 to -25 dB) of 0.4 to 0.6 s."""
    impulse = rig.room_response(ROOM_MIC_M, RATE)
    assert np.argmax(impulse > 0.9 * np.max(impulse)) == round(ROOM_DISTANCE_CM / 100.0 / 343.2 * RATE)
    left = np.cumsum(impulse[::-1] ** 2)[::-1]
    decay = 10.0 * np.log10(left / left[0] + 1e-30)
    time = 3.0 * (np.argmax(decay < -25.0) - np.argmax(decay < -5.0)) / RATE
    assert 0.4 < time < 0.6


def test_peaks_leave_headroom(session: Session) -> None:
    """Every file peaks between -12 and -6 dBFS."""
    for name, (_, tracks) in session.items():
        for mic, signal in tracks.items():
            assert -12.0 < gain_to_db(float(np.max(np.abs(signal)))) < -6.0, (name, mic)


def test_the_reference_mic_starts_and_stops_with_the_riff(session: Session) -> None:
    """35 dB down 2 ms before a start, loud 3 ms after; 20 dB down 8 ms after a stop, 30 dB after 12 ms."""
    for name, (truth, tracks) in session.items():
        level = levels_db(tracks[REFERENCE])
        level -= np.percentile(level, 90)
        for on, off in truth.riff:
            start, stop = int(on * 1000), int(off * 1000)
            assert np.max(level[start - 4 : start - 2]) < -35.0, (name, on)
            assert np.max(level[start : start + 3]) > -10.0, (name, on)
            assert np.max(level[stop - 10 : stop - 5]) > -15.0, (name, off)
            assert np.max(level[stop + 8 : stop + 40]) < -20.0, (name, off)
            assert np.max(level[stop + 12 : stop + 40]) < -30.0, (name, off)


def test_stops_hold_hiss_and_hum_only(session: Session) -> None:
    """In the stops the reference mic's hiss lies 40 to 55 dB under the riff."""
    for name, (truth, tracks) in session.items():
        x = tracks[REFERENCE]
        played = np.concatenate([x[int(a * RATE) : int(b * RATE)] for a, b in truth.riff])
        gaps = [(a[1] + 0.04, b[0] - 0.005) for a, b in zip(truth.riff, truth.riff[1:], strict=False)]
        stopped = np.concatenate([x[int(a * RATE) : int(b * RATE)] for a, b in gaps if b > a])
        assert 40.0 < gain_to_db(float(np.std(played) / np.std(stopped))) < 55.0, name


def test_the_room_mic_rings_on_through_the_stops(session: Session) -> None:
    """What the gate is for: 30 ms into a stop the room mic is less than 30 dB down, the reference more."""
    truth, tracks = session["left_a"]
    level, reference = levels_db(tracks["room"]), levels_db(tracks[REFERENCE])
    for _, off in truth.riff:
        at = int(off * 1000) + 30
        assert np.mean(level[at : at + 10]) > np.percentile(level, 90) - 30.0
        assert np.mean(reference[at : at + 10]) < np.percentile(reference, 90) - 35.0


def test_takes_are_different_performances(session: Session) -> None:
    """left_a and left_b, moved by up to 20 ms, never look alike (correlation below 0.3)."""
    a, b = (session[name][1][REFERENCE] for name in ("left_a", "left_b"))
    middle = slice(len(a) // 2 - 960, len(a) // 2 + 960)
    likeness = np.abs(correlate(a, b, "same", "fft")[middle]) / np.sqrt(np.sum(a**2) * np.sum(b**2))
    assert np.max(likeness) < 0.3


@pytest.mark.parametrize("name", PERFORMANCES[:2])
def test_close_mics_hear_the_polarity_and_delay_of_the_truth(session: Session, name: str) -> None:
    """Cross-correlation with the reference peaks with the sign and near the delay of the truth.

    Within 3 samples: the colours' own phase moves the peak by 1 or 2.
    """
    _, tracks = session[name]
    reference = next(m for m in MICS if m.name == REFERENCE)
    for mic in MICS[1:3]:
        product = correlate(tracks[mic.name], tracks[REFERENCE], "full", "fft")
        zero = len(tracks[REFERENCE]) - 1
        near = product[zero - 192 : zero + 193]
        best = int(np.argmax(np.abs(near)))
        assert np.sign(near[best]) == mic.polarity
        assert abs(best - 192 - (mic.delay_s() - reference.delay_s()) * RATE) < 3.0


def test_the_cabinet_keeps_the_guitars_band() -> None:
    """Within 14 dB from 80 Hz to 4.5 kHz, its notches included; 18 dB down at 10 kHz, as large cones are."""
    level = gain_to_db(float(np.abs(response(CABINET, np.array([10000.0]))[0])))
    band = np.abs(response(CABINET, np.geomspace(80.0, 4500.0, 50)))
    assert level < -18.0
    assert gain_to_db(float(np.max(band) / np.min(band))) < 14.0
