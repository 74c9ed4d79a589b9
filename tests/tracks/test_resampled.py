"""Files at another rate: refused by name, or with `resample: true` read as if they had been recorded at the song's."""

from pathlib import Path

import numpy as np
import pytest
import soxr
from scipy.signal import resample_poly

from premix.audio.chunks import BextFields
from premix.audio.reader import TrackReader
from premix.audio.writer import PartWriter
from premix.errors import TracksError
from premix.model.song import Song
from premix.model.tracks import FoundTrack
from premix.tracks.intake import take_in
from tests.audio.recordings import record
from tests.rigs.songs import recipe_of, song_from

SONG_RATE = 48000
SECONDS = 2.7


def taken_in(folder: Path, rates: dict[str, int], resample: bool = True, channels: int = 1) -> Song:
    """A song of mics whose files are at these rates: a sine of 997 Hz in all of them, fading in and out."""
    mics = {mic: {"channel": channels} if channels > 1 else {} for mic in rates}
    song = song_from(recipe_of(mics, ("left",), song="Tidewater", tracks={"resample": resample}))
    for mic, rate in rates.items():
        signal = np.repeat(sine(rate)[:, None], channels, axis=1)
        signal[:, :-1] = 0.0
        record(folder / f"left_{mic}.wav", signal, "DOUBLE", rate=rate)
    return take_in(song, [FoundTrack("left", mic, folder / f"left_{mic}.wav") for mic in rates], folder)


def sine(rate: int) -> np.ndarray:
    """The closed form at any rate; its spectrum ends far below every Nyquist frequency."""
    t = np.arange(round(SECONDS * rate)) / rate
    return np.asarray(0.5 * np.sin(np.pi * t / SECONDS) ** 4 * np.sin(2.0 * np.pi * 997.0 * t))


def read(song: Song, mic: str, block: int) -> np.ndarray:
    """The whole track, in blocks."""
    found = song.performances[0].mic(mic)
    assert found is not None
    samples = np.empty(song.frames)
    with TrackReader(found.track) as reader:
        for start in range(0, song.frames, block):
            reader.read(start, samples[start : start + block])
    return samples


@pytest.mark.parametrize("rate", [44100, 96000, 32000, 47999])
def test_a_converted_track_is_the_sine_that_was_recorded(tmp_path: Path, rate: int) -> None:
    """Against the closed form, below -120 dB, in time to the sample; as long as it was."""
    song = taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": rate})
    assert (song.rate, song.frames) == (SONG_RATE, round(SECONDS * SONG_RATE))
    assert np.max(np.abs(read(song, "odd", 65536) - sine(SONG_RATE))) < 1e-6


def test_noise_is_converted_as_soxr_and_scipy_convert_it(tmp_path: Path) -> None:
    """Second by second against soxr in one go (rounding), and against a polyphase filter of scipy where both pass."""
    rng = np.random.default_rng(1)
    spectrum = np.fft.rfft(rng.standard_normal(round(SECONDS * 44100)))
    spectrum[round(0.7 * len(spectrum)) :] = 0.0  # below both filters' corners
    noise = 0.05 * np.fft.irfft(spectrum, round(SECONDS * 44100))
    song = taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": 44100})
    record(tmp_path / "left_odd.wav", noise, "DOUBLE", rate=44100)
    made = read(song, "odd", 10_000)
    silence = np.zeros(4410)  # soxr guesses at what came before a sound that begins at once
    whole = soxr.resample(np.concatenate([silence, noise, silence]), 44100, SONG_RATE, quality="VHQ")
    assert np.max(np.abs(made - whole[4800 : 4800 + len(made)])) < 1e-8
    polyphase = resample_poly(noise, 160, 147, window=("kaiser", 14.0))[: len(made)]
    assert np.sqrt(np.mean((made - polyphase) ** 2)) < 1e-3 * np.sqrt(np.mean(noise**2))


def test_any_stretch_has_the_same_samples(tmp_path: Path) -> None:
    """Bit for bit, for every block size, and from anywhere on, back and forth."""
    song = taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": 44100})
    whole = read(song, "odd", song.frames)
    assert all(np.array_equal(read(song, "odd", block), whole) for block in (997, 48000, 115_200))
    track = song.performances[0].mics[2].track
    with TrackReader(track) as reader:
        for start in (100_000, 5, 47_990, 96_001, 0):
            out = np.empty(3_000)
            reader.read(start, out)
            assert np.array_equal(out, whole[start : start + 3_000])


def test_it_is_told_and_the_hash_is_the_files_own(tmp_path: Path) -> None:
    """One finding a file; the samples that are hashed are those of the file, at its own rate."""
    song = taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": 44100})
    assert [(f.slug, f.severity, f.subject, f.message) for f in song.findings] == [
        ("resampled", "info", "left/odd", "converted from 44100 Hz to the song's 48000 Hz")
    ]
    track = song.performances[0].mics[2].track
    with TrackReader(track, hash_samples=True) as reader:
        reader.read(0, np.empty(1000))
        converted = reader.sha256()
    alone = taken_in(tmp_path, {"odd": 44100}).performances[0].mics[0].track
    with TrackReader(alone, hash_samples=True) as reader:
        assert reader.sha256() == converted


def test_a_channel_of_a_converted_file(tmp_path: Path) -> None:
    """The last of two holds the sine, the other nothing."""
    song = taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": 44100}, channels=2)
    assert np.max(np.abs(read(song, "odd", 30_000) - sine(SONG_RATE))) < 1e-6


def test_the_song_has_the_rate_of_most_files_and_else_the_highest(tmp_path: Path) -> None:
    """Converting the fewer, and upwards where there is no majority."""
    assert taken_in(tmp_path, {"a": 44100, "b": 44100, "c": 96000}).rate == 44100
    assert taken_in(tmp_path, {"a": 44100, "b": 96000}).rate == 96000


def test_without_the_key_every_odd_file_is_named(tmp_path: Path) -> None:
    """As ever, and with the line to write."""
    with pytest.raises(TracksError) as caught:
        taken_in(tmp_path, {"a": SONG_RATE, "b": SONG_RATE, "odd": 44100}, resample=False)
    (problem,) = caught.value.problems
    assert problem.slug == "mixed-rates" and problem.where.startswith("left/odd")
    assert "tracks: {resample: true}" in problem.line()


def test_a_start_time_is_counted_in_the_songs_samples(tmp_path: Path) -> None:
    """BWF TimeReference is in samples of the file's own rate (EBU Tech 3285): both files begin at 10 s."""
    song = song_from(recipe_of({"a": {}, "b": {}, "odd": {}}, ("left",), tracks={"resample": True}))
    for mic, rate in (("a", 48000), ("b", 48000), ("odd", 44100)):
        reference = 10 * rate + (4410 if mic == "odd" else 0)
        fields = BextFields(date="2030-01-02", time="10:00:00", time_reference=reference)
        with PartWriter(tmp_path / f"left_{mic}.wav", rate=rate, channels=1, frames=rate, bext=fields) as writer:
            writer.write(np.full((1, rate), 0.1))
            writer.close()
    made = take_in(song, [FoundTrack("left", m, tmp_path / f"left_{m}.wav") for m in ("a", "b", "odd")], tmp_path)
    assert [mic.track.start for mic in made.mics] == [0, 0, 4800]
    assert (made.time_reference, made.frames) == (480_000, 52_800)
