"""The one pass over the tracks: hashes, levels, spectra and envelopes against plain computation on whole files."""

import hashlib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.analysis.damage import check_intact
from premix.analysis.scan import control_hop, scan
from premix.analysis.spectra import frame_length
from premix.arrays import FloatArray
from premix.audio.bands import band_limits
from premix.errors import TracksError
from premix.model.song import Song
from premix.pipeline import load
from tests.conftest import Demo, RenderedDemo
from tests.rigs.sessions import read, riff, write_song

RATE = 48000
RECIPE = """\
format: 1
mics:
  dynamic: {}
  ribbon: {}
  room: {role: room}
performances:
  left: {bus: left}
  right: {bus: right}
"""
MICS = ("dynamic", "ribbon", "room")


def song_of(folder: Path, signals: dict[str, FloatArray], subtype: str = "PCM_24", recipe: str = RECIPE) -> Song:
    """The song of these tracks, taken in."""
    files = write_song(folder, recipe, signals, RATE, subtype)
    return load(files.recipe, files.tracks)[1]


def sha256_of(path: Path) -> str:
    """SHA-256 (FIPS 180-4, hashlib) of the data chunk of a 24-bit file, as soundfile reads it."""
    values, _ = soundfile.read(path, dtype="int32")
    return hashlib.sha256(values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()).hexdigest()


def six_tracks(frames: int = 5 * RATE) -> dict[str, FloatArray]:
    """Two performances of three mics; the later mics are later and softer."""
    return {
        f"{name}_{mic}": (0.9 - 0.2 * number) * np.roll(riff(seed, frames), 5 * number)
        for seed, name in enumerate(("left", "right"))
        for number, mic in enumerate(MICS)
    }


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """A plain song after the pass."""
    return scan(song_of(tmp_path_factory.mktemp("scan"), six_tracks()), tmp_path_factory.mktemp("keys"))


def test_hash_is_the_sha256_of_the_samples(demo: Demo, rendered_demo: RenderedDemo) -> None:
    """Of the demo's 24-bit files."""
    for entry in rendered_demo.outcome.manifest.inputs:
        assert entry.sha256 == sha256_of(demo.song.tracks / entry.path)


def test_levels_are_those_of_the_whole_file(scanned: Song) -> None:
    """Peak, rms and mean of every track, to the rounding of a long sum."""
    for mic in scanned.mics:
        signal, levels = read(mic.track.header.path)[0], mic.levels
        assert levels.sample_peak == np.max(np.abs(signal))
        assert levels.rms == pytest.approx(np.sqrt(np.mean(signal**2)), rel=1e-12)
        assert levels.dc == pytest.approx(np.mean(signal), abs=1e-15)
        assert (levels.frames, levels.nonfinite) == (len(signal), 0)


def test_spectra_are_those_of_the_whole_files(scanned: Song) -> None:
    """All frames of a short song land in the piles: their sum is that of plain transforms of the files."""
    left = scanned.performance("left")
    spectra = left.spectra
    assert spectra.mics == MICS
    signals = np.concatenate([read(mic.track.header.path) for mic in left.mics])
    frame = frame_length(RATE)
    freqs = np.fft.rfftfreq(frame, 1.0 / RATE)
    low, high = band_limits(RATE)
    bins = (freqs >= low) & (freqs < high)
    np.testing.assert_array_equal(spectra.freqs_hz, freqs[bins])
    total, frames = np.zeros((3, 3, len(spectra.freqs_hz)), np.complex128), 0
    for start in range(0, signals.shape[1] - frame + 1, frame // 2):
        x = np.fft.rfft(signals[:, start : start + frame] * np.hanning(frame + 1)[:-1], axis=1)[:, bins]
        total = total + x[:, None] * x[None].conj()
        frames += 1
    # A quarter of a second of stop never fills a frame of a third: every frame is riff.
    assert (sum(spectra.n_active), spectra.n_quiet) == (frames, 0)
    np.testing.assert_allclose(spectra.active.sum(axis=0), total, rtol=1e-9, atol=1e-12 * np.abs(total).max())


def test_stops_go_into_the_quiet_pile(tmp_path: Path) -> None:
    """Two seconds of hiss between riffs: some frames are quiet, and their power is that of the hiss."""
    rng = np.random.default_rng(8)
    playing = np.repeat([1.0, 0.0, 1.0], [2 * RATE, 2 * RATE, 2 * RATE])
    loud = 0.1 * rng.standard_normal(len(playing)) * playing
    hiss = {mic: 1e-4 * rng.standard_normal(len(playing)) for mic in MICS}
    recipe = RECIPE.replace("  right: {bus: right}\n", "")
    song = song_of(tmp_path, {f"left_{m}": loud + h for m, h in hiss.items()}, recipe=recipe)
    spectra = scan(song, tmp_path).performance("left").spectra
    assert spectra.n_quiet >= 6
    power = np.einsum("mmf->mf", spectra.quiet).real.mean(axis=1) / spectra.n_quiet
    window = (np.hanning(spectra.frame + 1)[:-1] ** 2).sum()
    # White noise of rms s has E|X|^2 = s^2 sum(w^2); thousands of bins a frame make it sure to a few percent.
    np.testing.assert_allclose(power / window, 1e-8, rtol=0.05)


def test_envelopes_cover_the_song_once_a_millisecond(scanned: Song) -> None:
    """One row a control frame for each close mic; rooms are no key."""
    envelopes = scanned.performance("left").envelopes
    assert envelopes.mics == ("dynamic", "ribbon")
    assert (envelopes.hop, control_hop(RATE)) == (48, 48)
    powers = envelopes.read(0, envelopes.frames)
    assert powers.shape == (2, envelopes.frames)
    assert envelopes.frames == scanned.frames // 48
    playing = (np.arange(envelopes.frames) / 1000.0) % 0.75 < 0.5
    inner = np.abs((np.arange(envelopes.frames) / 1000.0) % 0.25 - 0.125) < 0.1  # clear of starts and stops
    assert powers[0, playing & inner].min() > 10.0 * powers[0, ~playing & inner].max()


def test_offsets_read_a_track_in_step(scanned: Song, tmp_path: Path) -> None:
    """A track advanced by whole samples while reading gives the spectra of a file that starts later."""
    late = 4800
    left = scan(scanned, tmp_path, offsets={"left/ribbon": late}).performance("left")
    spectra, ribbon = left.spectra, left.mics[1]
    assert spectra.offsets == (0, late, 0)
    signal = read(ribbon.track.header.path)[0]
    moved = np.concatenate([signal[late:], np.zeros(late)])
    frame = frame_length(RATE)
    windowed = [
        moved[start : start + frame] * np.hanning(frame + 1)[:-1]
        for start in range(0, len(moved) - frame + 1, frame // 2)
    ]
    power = np.sum(np.abs(np.fft.rfft(windowed, axis=1)) ** 2, axis=0)
    bins = np.searchsorted(np.fft.rfftfreq(frame, 1.0 / RATE), spectra.freqs_hz)
    mine = spectra.active.sum(axis=0)[1, 1].real
    np.testing.assert_allclose(mine, power[bins], rtol=1e-9, atol=1e-12 * power.max())
    # The hash is of the file's samples, wherever they are put.
    assert ribbon.levels.sha256 == sha256_of(ribbon.track.header.path)


def test_progress_adds_up_to_all_samples(scanned: Song, tmp_path: Path) -> None:
    """What is told on the way is what was announced: frames x tracks."""
    told: list[int] = []
    scan(scanned, tmp_path, progress=told.append)
    assert sum(told) == scanned.frames * len(scanned.mics)


def test_every_nan_track_is_told_at_once(tmp_path: Path) -> None:
    """Two float files with NaN and infinity: one problem each, with the count; nothing else stops."""
    signals = six_tracks(2 * RATE)
    signals["left_ribbon"][1000:1003] = np.nan
    signals["right_room"][5] = np.inf
    song = scan(song_of(tmp_path, signals, "FLOAT"), tmp_path)
    with pytest.raises(TracksError) as caught:
        check_intact(song)
    assert [(p.slug, p.where) for p in caught.value.problems] == [
        ("track-not-finite", "left/ribbon"),
        ("track-not-finite", "right/room"),
    ]
    assert "3 samples" in caught.value.problems[0].what
    assert all(np.isfinite(spectra.active).all() for spectra in (p.spectra for p in song.performances))


def test_damage_is_told_by_track_with_its_time(tmp_path: Path) -> None:
    """Clipping, dropouts, an offset, over-full-scale floats and silence: a warning each, where it is."""
    signals = six_tracks(2 * RATE)
    signals["left_dynamic"][4800:4810] = 1.0
    signals["left_ribbon"][9600:9700] = 0.0
    signals["left_room"] += 0.01
    signals["right_dynamic"][100] = 1.5
    signals["right_room"][:] = 0.0
    song = check_intact(scan(song_of(tmp_path, signals, "FLOAT"), tmp_path))
    told = {(f.slug, f.subject): f for f in song.findings}
    assert set(told) == {
        ("track-clipped", "left/dynamic"),
        ("track-dropouts", "left/ribbon"),
        ("track-dc", "left/room"),
        ("track-over-full-scale", "right/dynamic"),
        ("track-silent", "right/room"),
    }
    assert {f.severity for f in song.findings} == {"warning"}
    assert "0.100 s" in told["track-clipped", "left/dynamic"].message
    assert "0.200 s" in told["track-dropouts", "left/ribbon"].message
    assert "+3.5 dBFS" in told["track-over-full-scale", "right/dynamic"].message  # 20 log10 1.5 = 3.52


def test_tops_cut_off_below_full_scale_are_told_as_clipped(tmp_path: Path) -> None:
    """A preamplifier clipped the ribbon, and the file was turned down by 6 dB afterwards."""
    signals = six_tracks(2 * RATE)
    limit = 0.4 * float(np.abs(signals["left_ribbon"]).max())
    signals["left_ribbon"] = 0.5 * np.clip(signals["left_ribbon"], -limit, limit)
    song = check_intact(scan(song_of(tmp_path, signals), tmp_path))
    (finding,) = song.findings
    assert (finding.slug, finding.subject) == ("track-clipped", "left/ribbon")
    assert f"cut off at {20.0 * np.log10(0.5 * limit):.1f} dBFS" in finding.message


def test_sound_tracks_are_told_nothing(scanned: Song) -> None:
    """A good recording gives no finding."""
    assert check_intact(scanned).findings == ()


def test_pcm_full_scale_is_clipping(tmp_path: Path) -> None:
    """The largest positive sample of the file's own depth counts as full, at 16 bits too."""
    for subtype, full in (("PCM_16", 1.0 - 2.0**-15), ("PCM_24", 1.0 - 2.0**-23)):
        signals = six_tracks(RATE)
        signals["left_dynamic"][4800:4810] = full
        song = scan(song_of(tmp_path / subtype, signals, subtype), tmp_path)
        assert song.mics[0].levels.clipped == ((4800, 10),)


def test_shorter_tracks_end_in_silence_and_no_dropout(tmp_path: Path) -> None:
    """A file that stops early is padded on the common time line; its padding is no fault of the file."""
    signals = six_tracks(2 * RATE)
    signals["left_ribbon"] = signals["left_ribbon"][:RATE]
    song = scan(song_of(tmp_path, signals), tmp_path)
    levels = song.mics[1].levels
    assert (levels.mic, levels.frames, levels.zero_runs) == ("ribbon", RATE, ())
    assert check_intact(song).findings == song.findings
    assert [f.slug for f in song.findings] == ["padded"]
