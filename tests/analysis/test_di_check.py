"""A DI against its amp: its own take is known by how the levels change; another's, a late one, silence are told."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import correlate as scipy_correlate

from premix.analysis.di_check import LAGS_MS, PLAYS, Changes, correlate
from premix.audio.bands import KeyPower
from premix.demo.playing import perform
from premix.demo.rig import amplify, hiss_and_hum
from premix.demo.session import write_demo
from premix.errors import Finding
from premix.model.song import Song
from premix.model.tracks import KeyEnvelopes
from premix.pipeline import prepare
from premix.recipe.reference import FOLDER
from tests.rigs.guitars import Technique, real_stroke
from tests.rigs.noises import at_level, drums, rms
from tests.rigs.sessions import write_track

RECIPE = FOLDER / "di.yaml"
RATE = 48_000


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three takes of one riff with a DI each."""
    folder = tmp_path_factory.mktemp("di") / "tracks"
    write_demo(folder, seconds=8.0, rig="di")
    return folder


@pytest.fixture
def tracks(session: Path, tmp_path: Path) -> Path:
    """A copy to change."""
    return Path(shutil.copytree(session, tmp_path / "tracks"))


def prepared(tracks: Path) -> Song:
    """The song up to its alignment."""
    with prepare(RECIPE, tracks) as made:
        return made.song


def told(song: Song) -> list[Finding]:
    """What is said of the DIs."""
    return [finding for finding in song.findings if finding.slug.startswith("di-")]


def read(path: Path) -> np.ndarray:
    samples, _ = soundfile.read(path)
    return np.asarray(samples)


def test_the_di_of_each_take_plays_as_its_amp_plays(session: Path) -> None:
    """Nothing is said; far above the bound, and within 3 ms, though the amp distorts it by 44 dB of gain."""
    song = prepared(session)
    assert told(song) == []
    matches = [mic.match for mic in song.mics if mic.is_di]
    assert len(matches) == 3
    assert all(match.likeness > 1.5 * PLAYS and abs(match.late_ms) <= 3.0 for match in matches)


def test_a_di_turned_over_or_softer_is_the_same(tracks: Path) -> None:
    """Levels know no sign, and no gain."""
    write_track(tracks / "left_a_di.wav", -0.05 * read(tracks / "left_a_di.wav"))
    assert told(prepared(tracks)) == []


def test_dis_that_were_swapped_are_named_with_whose_they_are(tracks: Path) -> None:
    """Two takes of one riff: 20 ms apart at the onsets is enough to tell them."""
    left, right = tracks / "left_a_di.wav", tracks / "right_a_di.wav"
    left.rename(tracks / "x")
    right.rename(left)
    (tracks / "x").rename(right)
    found = told(prepared(tracks))
    assert [(f.slug, f.severity, f.subject) for f in found] == [
        ("di-other-take", "warning", "left_a/di"),
        ("di-other-take", "warning", "right_a/di"),
    ]
    assert "it plays as right_a plays" in found[0].message and "it plays as left_a plays" in found[1].message


def test_a_di_of_nothing_that_was_recorded_here_is_named(tracks: Path) -> None:
    """Noise that comes and goes by itself."""
    rng = np.random.default_rng(3)
    level = np.repeat(rng.uniform(0.0, 1.0, 80), 4800)
    write_track(tracks / "centre_di.wav", 0.2 * level * rng.standard_normal(384000))
    (finding,) = told(prepared(tracks))
    assert (finding.slug, finding.subject) == ("di-other-take", "centre/di")
    assert "plays as" not in finding.message


@pytest.mark.parametrize("late_ms", [-250, 35, 1400])
def test_a_di_from_another_start_is_told_with_how_much(tracks: Path, late_ms: int) -> None:
    """Positive: late. A file that begins before the song loses its first part."""
    samples, shift = read(tracks / "left_a_di.wav"), late_ms * 48
    moved = np.zeros_like(samples)
    moved[max(0, shift) :] = samples[: len(samples) - shift] if shift > 0 else 0.0
    if shift < 0:
        moved[:shift] = samples[-shift:]
    write_track(tracks / "left_a_di.wav", moved)
    song = prepared(tracks)
    (finding,) = told(song)
    assert (finding.slug, finding.subject) == ("di-offset", "left_a/di")
    assert f"ms {'after' if late_ms > 0 else 'before'} its amp" in finding.message
    assert song.performance("left_a").dis[0].match.late_ms == pytest.approx(late_ms, abs=3.0)


def test_a_silent_di_is_told_as_silence(tracks: Path) -> None:
    """Once, by what it is."""
    write_track(tracks / "left_a_di.wav", np.zeros(384000))
    song = prepared(tracks)
    assert told(song) == []
    assert [f.subject for f in song.findings if f.slug == "track-silent"] == ["left_a/di"]


def test_a_di_is_in_no_decision_of_the_alignment(session: Path, tmp_path: Path) -> None:
    """The same delays, polarities and efficiencies with the DI and without."""
    song = prepared(session)
    plain = tmp_path / "plain.yaml"
    plain.write_text(RECIPE.read_text("utf-8").replace("  di: {role: di}\n", ""), "utf-8")
    with prepare(plain, session) as without:
        assert [m.decision for m in without.song.judged] == [m.decision for m in song.judged]
        assert [p.efficiency for p in without.song.performances] == [p.efficiency for p in song.performances]
    assert not any(mic.decision.summed for mic in song.mics if mic.is_di)


def played(take: int, seconds: float = 8.0) -> tuple[np.ndarray, np.ndarray]:
    """A take of the demo's riff on a real guitar: its DI, and what a mic hears with drums 12 dB below the amp."""
    rng, frames = np.random.default_rng([take, 7]), round(seconds * RATE)
    guitar = np.zeros(frames)
    for stroke in perform(seconds, rng).strokes:
        start = int(stroke.on_s * RATE)
        kind: Technique = "chord" if stroke.technique not in ("mute", "tremolo") else stroke.technique
        late_s = stroke.on_s - start / RATE
        note = real_stroke(kind, stroke.fret, stroke.off_s - stroke.on_s, late_s, RATE, rng)[: frames - start]
        guitar[start : start + len(note)] += stroke.strength * note
    guitar += hiss_and_hum(frames, RATE, rng, hiss_db=-45.0, hum_db=-55.0)
    amp = amplify(guitar, RATE)
    return guitar, amp + at_level(drums(frames, RATE, rng), 20.0 * np.log10(rms(amp)) - 12.0)


def changes(signal: np.ndarray, path: Path) -> Changes:
    """Of a signal, by the pass's own envelopes."""
    key = KeyPower(RATE, 48)
    powers = np.concatenate([key.feed(signal), key.finish()])
    powers.tofile(path)
    return Changes(KeyEnvelopes("left", ("x",), RATE, 48, len(powers), path), 0)


def test_a_real_guitar_behind_drums_is_told_from_another_take(tmp_path: Path) -> None:
    """Samples of a real guitar (tests/fixtures/guitar), distorted: own takes above the bound, others below."""
    takes = [played(take) for take in range(3)]
    dis = [changes(di, tmp_path / f"di{n}") for n, (di, _) in enumerate(takes)]
    amps = [changes(amp, tmp_path / f"amp{n}") for n, (_, amp) in enumerate(takes)]
    likeness = np.array([[correlate(di, amp, round(LAGS_MS)).max() for amp in amps] for di in dis])
    own = np.eye(3, dtype=bool)
    assert likeness[own].min() > PLAYS + 0.05 and likeness[~own].max() < PLAYS - 0.05, likeness


def test_the_correlation_is_scipys(tmp_path: Path) -> None:
    """Longer than two chunks, so that their seams are in it (scipy.signal.correlate, direct method)."""
    rng = np.random.default_rng(5)
    powers = rng.uniform(0.1, 1.0, (70_000, 2)).astype(np.float32)
    powers.tofile(tmp_path / "key")
    envelopes = KeyEnvelopes("left", ("a", "b"), 48000, 48, len(powers), tmp_path / "key")
    a, b = (Changes(envelopes, mic) for mic in (0, 1))
    lags = round(LAGS_MS)
    x, y = a.read(0, len(powers)), b.read(0, len(powers))
    full = scipy_correlate(x, y, "full", "fft")[len(y) - 1 - lags : len(y) + lags]
    wanted = full / np.sqrt(np.sum(x**2) * np.sum(y**2))
    assert np.max(np.abs(correlate(a, b, lags) - wanted)) < 1e-9
