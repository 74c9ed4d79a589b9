"""The one pass over the tracks: hashes, levels, spectra and envelopes against plain computation on whole files."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from premix.analysis.damage import check_intact
from premix.analysis.scan import control_hop, scan
from premix.analysis.spectra import frame_length
from premix.audio.bands import band_limits
from premix.errors import TracksError
from premix.pipeline import load
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


def song_of(folder, signals, subtype="PCM_24", recipe=RECIPE):
    song = write_song(folder, recipe, signals, RATE, subtype)
    return load(song.recipe, song.tracks)


def six_tracks(frames=5 * RATE):
    """Two performances of three mics; the later mics are later and softer."""
    return {
        f"{name}_{mic}": (0.9 - 0.2 * number) * np.roll(riff(seed, frames), 5 * number)
        for seed, name in enumerate(("left", "right"))
        for number, mic in enumerate(MICS)
    }


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """Recipe, tracks and analysis of a plain song."""
    merged, tracks = song_of(tmp_path_factory.mktemp("scan"), six_tracks())
    return merged, tracks, scan(tracks, merged.recipe, tmp_path_factory.mktemp("keys"))


def test_hash_is_the_sha256_of_the_samples(demo, rendered_demo):
    """Of the demo's 24-bit files: SHA-256 (FIPS 180-4, hashlib) of the data chunk as soundfile reads it."""
    for entry in rendered_demo.outcome.manifest["inputs"]:
        values, _ = soundfile.read(demo.song.tracks / entry["path"], dtype="int32")
        raw = values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
        assert entry["sha256"] == hashlib.sha256(raw).hexdigest()


def test_levels_are_those_of_the_whole_file(scanned):
    """Peak, rms and mean of every track, to the rounding of a long sum."""
    _, tracks, analysis = scanned
    for track in tracks.tracks:
        signal = read(track.header.path)[0]
        levels = analysis.levels_of(track.performance, track.mic)
        assert levels.sample_peak == np.max(np.abs(signal))
        assert levels.rms == pytest.approx(np.sqrt(np.mean(signal**2)), rel=1e-12)
        assert levels.dc == pytest.approx(np.mean(signal), abs=1e-15)
        assert (levels.frames, levels.nonfinite) == (len(signal), 0)


def test_spectra_are_those_of_the_whole_files(scanned):
    """All frames of a short song land in the piles: their sum is that of plain transforms of the files."""
    _, tracks, analysis = scanned
    spectra = analysis.spectra_of("left")
    assert spectra.mics == MICS
    signals = np.concatenate([read(t.header.path) for t in tracks.of("left")])
    frame = frame_length(RATE)
    freqs = np.fft.rfftfreq(frame, 1.0 / RATE)
    low, high = band_limits(RATE)
    bins = (freqs >= low) & (freqs < high)
    np.testing.assert_array_equal(spectra.freqs_hz, freqs[bins])
    total, frames = 0.0, 0
    for start in range(0, signals.shape[1] - frame + 1, frame // 2):
        x = np.fft.rfft(signals[:, start : start + frame] * np.hanning(frame + 1)[:-1], axis=1)[:, bins]
        total = total + x[:, None] * x[None].conj()
        frames += 1
    # A quarter of a second of stop never fills a frame of a third: every frame is riff.
    assert (sum(spectra.n_active), spectra.n_quiet) == (frames, 0)
    np.testing.assert_allclose(spectra.active.sum(axis=0), total, rtol=1e-9, atol=1e-12 * np.abs(total).max())


def test_stops_go_into_the_quiet_pile(tmp_path):
    """Two seconds of hiss between riffs: some frames are quiet, and their power is that of the hiss."""
    rng = np.random.default_rng(8)
    playing = np.repeat([1.0, 0.0, 1.0], [2 * RATE, 2 * RATE, 2 * RATE])
    loud = 0.1 * rng.standard_normal(len(playing)) * playing
    hiss = {mic: 1e-4 * rng.standard_normal(len(playing)) for mic in MICS}
    recipe = RECIPE.replace("  right: {bus: right}\n", "")
    merged, tracks = song_of(tmp_path, {f"left_{m}": loud + h for m, h in hiss.items()}, recipe=recipe)
    spectra = scan(tracks, merged.recipe, tmp_path).spectra_of("left")
    assert spectra.n_quiet >= 6
    power = np.einsum("mmf->mf", spectra.quiet).real.mean(axis=1) / spectra.n_quiet
    window = (np.hanning(spectra.frame + 1)[:-1] ** 2).sum()
    # White noise of rms s has E|X|^2 = s^2 sum(w^2); thousands of bins a frame make it sure to a few percent.
    np.testing.assert_allclose(power / window, 1e-8, rtol=0.05)


def test_envelopes_cover_the_song_once_a_millisecond(scanned):
    """One row a control frame for each close mic; rooms are no key."""
    _, tracks, analysis = scanned
    envelopes = analysis.envelopes_of("left")
    assert envelopes.mics == ("dynamic", "ribbon")
    assert (envelopes.hop, control_hop(RATE)) == (48, 48)
    powers = envelopes.read(0, envelopes.frames)
    assert powers.shape == (2, envelopes.frames)
    assert envelopes.frames == tracks.frames // 48
    playing = (np.arange(envelopes.frames) / 1000.0) % 0.75 < 0.5
    inner = np.abs((np.arange(envelopes.frames) / 1000.0) % 0.25 - 0.125) < 0.1  # clear of starts and stops
    assert powers[0, playing & inner].min() > 10.0 * powers[0, ~playing & inner].max()


def test_offsets_read_a_track_in_step(scanned, tmp_path):
    """A track advanced by whole samples while reading gives the spectra of a file that starts later."""
    merged, tracks, _ = scanned
    late = 4800
    analysis = scan(tracks, merged.recipe, tmp_path, offsets={"left/ribbon": late})
    spectra = analysis.spectra_of("left")
    assert spectra.offsets == (0, late, 0)
    signal = read(tracks.of("left")[1].header.path)[0]
    moved = np.concatenate([signal[late:], np.zeros(late)])
    frame = frame_length(RATE)
    power = sum(
        np.abs(np.fft.rfft(moved[start : start + frame] * np.hanning(frame + 1)[:-1])) ** 2
        for start in range(0, len(moved) - frame + 1, frame // 2)
    )
    bins = np.searchsorted(np.fft.rfftfreq(frame, 1.0 / RATE), spectra.freqs_hz)
    mine = spectra.active.sum(axis=0)[1, 1].real
    np.testing.assert_allclose(mine, power[bins], rtol=1e-9, atol=1e-12 * power.max())
    # The hash is of the file's samples, wherever they are put.
    whole = hashlib.sha256(
        soundfile.read(tracks.of("left")[1].header.path, dtype="int32")[0]
        .astype("<i4")
        .view(np.uint8)
        .reshape(-1, 4)[:, 1:]
        .tobytes()
    ).hexdigest()
    assert analysis.levels_of("left", "ribbon").sha256 == whole


def test_progress_adds_up_to_all_samples(scanned, tmp_path):
    """What is told on the way is what was announced: frames x tracks."""
    merged, tracks, _ = scanned
    told = []
    scan(tracks, merged.recipe, tmp_path, progress=told.append)
    assert sum(told) == tracks.frames * len(tracks.tracks)


def test_every_nan_track_is_told_at_once(tmp_path):
    """Two float files with NaN and infinity: one problem each, with the count; nothing else stops."""
    signals = six_tracks(2 * RATE)
    signals["left_ribbon"][1000:1003] = np.nan
    signals["right_room"][5] = np.inf
    merged, tracks = song_of(tmp_path, signals, "FLOAT")
    analysis = scan(tracks, merged.recipe, tmp_path)
    with pytest.raises(TracksError) as caught:
        check_intact(tracks, analysis)
    assert [(p.slug, p.where) for p in caught.value.problems] == [
        ("track-not-finite", "left/ribbon"),
        ("track-not-finite", "right/room"),
    ]
    assert "3 samples" in caught.value.problems[0].what
    assert all(np.isfinite(spectra.active).all() for spectra in analysis.spectra)


def test_damage_is_told_by_track_with_its_time(tmp_path):
    """Clipping, dropouts, an offset, over-full-scale floats and silence: a warning each, where it is."""
    signals = six_tracks(2 * RATE)
    signals["left_dynamic"][4800:4810] = 1.0
    signals["left_ribbon"][9600:9700] = 0.0
    signals["left_room"] += 0.01
    signals["right_dynamic"][100] = 1.5
    signals["right_room"][:] = 0.0
    merged, tracks = song_of(tmp_path, signals, "FLOAT")
    analysis = check_intact(tracks, scan(tracks, merged.recipe, tmp_path))
    told = {(f.slug, f.subject): f for f in analysis.findings}
    assert set(told) == {
        ("track-clipped", "left/dynamic"),
        ("track-dropouts", "left/ribbon"),
        ("track-dc", "left/room"),
        ("track-over-full-scale", "right/dynamic"),
        ("track-silent", "right/room"),
    }
    assert {f.severity for f in analysis.findings} == {"warning"}
    assert "0.100 s" in told["track-clipped", "left/dynamic"].message
    assert "0.200 s" in told["track-dropouts", "left/ribbon"].message
    assert "+3.5 dBFS" in told["track-over-full-scale", "right/dynamic"].message  # 20 log10 1.5 = 3.52


def test_sound_tracks_are_told_nothing(scanned):
    """A good recording gives no finding."""
    _, tracks, analysis = scanned
    assert check_intact(tracks, analysis).findings == ()


def test_pcm_full_scale_is_clipping(tmp_path):
    """The largest positive sample of the file's own depth counts as full, at 16 bits too."""
    for subtype, full in (("PCM_16", 1.0 - 2.0**-15), ("PCM_24", 1.0 - 2.0**-23)):
        signals = six_tracks(RATE)
        signals["left_dynamic"][4800:4810] = full
        merged, tracks = song_of(tmp_path / subtype, signals, subtype)
        analysis = scan(tracks, merged.recipe, tmp_path)
        assert analysis.levels_of("left", "dynamic").clipped == ((4800, 10),)


def test_shorter_tracks_end_in_silence_and_no_dropout(tmp_path):
    """A file that stops early is padded on the common time line; its padding is no fault of the file."""
    signals = six_tracks(2 * RATE)
    signals["left_ribbon"] = signals["left_ribbon"][:RATE]
    merged, tracks = song_of(tmp_path, signals)
    analysis = scan(tracks, merged.recipe, tmp_path)
    levels = analysis.levels_of("left", "ribbon")
    assert (levels.frames, levels.zero_runs) == (RATE, ())
    assert check_intact(replace(tracks, findings=()), analysis).findings == ()
