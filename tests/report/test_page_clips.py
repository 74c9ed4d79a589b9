"""Clips: 16-bit FLAC of the right length, versions matched to the softest, within the bytes that are left."""

import io
from functools import partial

import numpy as np
import numpy.typing as npt
import pyloudnorm
import soundfile

from premix.report.listening import Listening, Player, Source, Version, Voice, make_listening
from premix.report.window import Window

RATE = 48_000
FloatArray = npt.NDArray[np.float64]


class Held:
    """A stream of one clip over samples in memory."""

    def __init__(self, samples: FloatArray, start: int) -> None:
        self._samples, self._at = samples, start

    def next(self, count: int) -> FloatArray:
        self._at += count
        return self._samples[None, self._at - count : self._at]

    def close(self) -> None: ...


def _source(name: str, samples: FloatArray) -> Source:
    return Source((name,), lambda start: Held(samples, start))


def _listening(most_bytes: int) -> tuple[dict[str, FloatArray], Listening]:
    """Two sources in two players: loud against soft and left-only, and a silent version."""
    rng = np.random.default_rng(5)
    samples = {
        "loud": 0.5 * rng.uniform(-1, 1, 5 * RATE),
        "soft": 0.05 * rng.uniform(-1, 1, 5 * RATE),
        "silent": np.zeros(5 * RATE),
    }
    first = Player(
        "first",
        "First",
        (
            Version("a", (Voice("loud", 1.0, 1.0),)),
            Version("b", (Voice("soft", 1.0, 1.0), Voice("loud", 0.1, 0.0))),
            Version("c", (Voice("silent", 1.0, 1.0),)),
        ),
    )
    second = Player("second", "Second", (Version("a", (Voice("soft", 0.0, 1.0),)),))
    sources = [_source(name, values) for name, values in samples.items()]
    return samples, make_listening(sources, [first, second], Window(RATE, 3 * RATE), RATE, most_bytes)


def test_clips_hold_the_stretch_at_their_scale() -> None:
    """Decoded by libsndfile: the window's samples, times the clip's scale, to 16 bits with dither."""
    samples, listening = _listening(10**9)
    assert [clip.name for clip in listening.clips] == ["loud", "soft", "silent"]
    assert (listening.start_s, listening.end_s) == (1.0, 4.0)
    for clip in listening.clips:
        decoded, rate = soundfile.read(io.BytesIO(clip.flac))
        assert rate == RATE and len(decoded) == 3 * RATE
        wanted = samples[clip.name][RATE : 4 * RATE] * clip.scale
        # half a step of rounding and one step of triangular dither either way
        assert np.abs(decoded - wanted).max() <= 1.51 * 2.0**-15


def test_versions_are_matched_to_the_softest() -> None:
    """Each version at its gain reads the same loudness on an independent meter (pyloudnorm, BS.1770)."""
    samples, listening = _listening(10**9)
    meter = pyloudnorm.Meter(RATE)
    found = []
    for version in listening.players[0].versions[:2]:
        mix = np.zeros((3 * RATE, 2))
        for voice in version.voices:
            mix += np.outer(samples[voice.clip][RATE : 4 * RATE], (voice.left, voice.right))
        found.append(meter.integrated_loudness(mix * 10.0 ** (version.match_db / 20.0)))
        assert version.match_db <= 0.0
    assert abs(found[0] - found[1]) < 0.05  # both meters' own tolerance is 0.1 LU; ours were measured at 0.01
    assert min(version.match_db for version in listening.players[0].versions) < -10.0


def test_a_silent_version_stays_as_it_is() -> None:
    """No loudness, no gain, and the others do not go down to it."""
    silent = _listening(10**9)[1].players[0].versions[2]
    assert (silent.loudness_lufs, silent.match_db) == (None, 0.0)


def test_clips_are_shortened_to_the_bytes_there_are() -> None:
    """The stretch begins where it did, and ends earlier."""
    whole = sum(len(clip.flac) for clip in _listening(10**9)[1].clips) * 4 / 3
    listening = _listening(round(0.5 * whole))[1]
    assert sum(len(clip.flac) for clip in listening.clips) * 4 / 3 <= 0.5 * whole
    assert listening.start_s == 1.0 and 2.1 < listening.end_s < 2.6
    assert not listening.left_out


def test_what_does_not_fit_is_left_out_and_told() -> None:
    """The last player goes first; with no room at all, all go."""
    assert _listening(1000)[1].left_out == ("player: Second", "player: First")
    one_second = sum(len(clip.flac) for clip in _listening(10**9)[1].clips) * 4 / 3 / 3
    assert _listening(round(0.9 * one_second))[1].left_out[0] == "player: Second"


def test_an_album_of_hundreds_reads_what_fits_and_one_song_at_a_time() -> None:
    """200 songs of 5 s of noise in the room of 20 seconds: the first ones for a second each, the others told; those
    that are left out are never opened but for the few that tell the size, and no two are open at once."""
    rng = np.random.default_rng(7)
    noise = 0.5 * rng.uniform(-1, 1, 5 * RATE)
    names = [f"song {number}" for number in range(200)]
    opened: list[str] = []
    now_open: set[str] = set()

    class Watched(Held):
        def __init__(self, name: str, start: int) -> None:
            super().__init__(noise, start)
            self.name = name
            opened.append(name)
            now_open.add(name)
            assert now_open == {name}

        def close(self) -> None:
            now_open.remove(self.name)

    sources = [Source((name,), partial(Watched, name)) for name in names]
    players = [Player(name, name, (Version("a", (Voice(name, 1.0, 1.0),)),)) for name in names]
    one_second = sum(len(clip.flac) for clip in _listening(10**9)[1].clips[:1]) * 4 / 3 / 3
    listening = make_listening(sources, players, Window(0, 4 * RATE), RATE, round(20.0 * one_second))
    heard = [player.name for player in listening.players]
    assert 17 <= len(heard) <= 19, "of 20, less the margin"
    assert heard == names[: len(heard)] and [clip.name for clip in listening.clips] == heard
    assert set(listening.left_out) == {f"player: {name}" for name in names[len(heard) :]}
    assert 1.0 <= listening.end_s - listening.start_s < 1.1
    assert sum(len(clip.flac) for clip in listening.clips) * 4 / 3 <= 20.0 * one_second
    assert len(opened) == len(set(opened)) <= len(heard) + 9 and not now_open


def test_songs_that_share_nothing_are_as_loud_as_if_each_stood_alone() -> None:
    """On an independent meter (pyloudnorm, BS.1770), each from clips of its own."""
    rng = np.random.default_rng(11)
    samples = {name: gain * rng.uniform(-1, 1, 2 * RATE) for name, gain in (("a", 0.5), ("b", 0.05), ("c", 0.2))}
    players = [Player(name, name, (Version("v", (Voice(name, 1.0, 1.0),)),)) for name in samples]
    both = (Version("a", (Voice("a", 1.0, 1.0),)), Version("b", (Voice("b", 1.0, 1.0),)))
    sources = [_source(name, values) for name, values in samples.items()]
    listening = make_listening(sources, [*players, Player("both", "both", both)], Window(0, 2 * RATE), RATE, 10**9)
    meter = pyloudnorm.Meter(RATE)
    assert [player.name for player in listening.players] == ["a", "b", "c", "both"]
    for player in listening.players:
        for version in player.versions:
            wanted = meter.integrated_loudness(np.column_stack([samples[version.voices[0].clip]] * 2))
            assert version.loudness_lufs is not None and abs(version.loudness_lufs - wanted) < 0.05
