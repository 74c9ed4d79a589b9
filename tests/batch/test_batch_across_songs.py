"""What differs between songs of one set-up, and trims that make them equally loud."""

from premix.batch.album import CLOSE_MS, LEVEL_DB, differences, match_loudness
from premix.model.manifest import Manifest
from tests.batch.sessions import Heard, manifest

DYNAMIC = Heard("dynamic")


def ribbon(arrival_ms: float | None = 0.5, polarity: int = 1, level_db: float | None = -3.0) -> Heard:
    return Heard("ribbon", "close", arrival_ms, polarity, level_db)


def album(*ribbons: Heard) -> list[tuple[str, Manifest]]:
    return [(f"song {n}", manifest(DYNAMIC, mic)) for n, mic in enumerate(ribbons, 1)]


def found(songs: list[tuple[str, Manifest]]) -> list[tuple[str, str]]:
    return [(difference.song, difference.slug) for difference in differences(songs)]


def test_a_mic_that_was_moved_is_found_in_its_song() -> None:
    """1 cm is the tolerance; what most songs agree on is the usual place, wherever the odd song stands."""
    songs = album(ribbon(0.5 + 2 * CLOSE_MS), ribbon(0.5), ribbon(0.5 + 0.9 * CLOSE_MS))
    [difference] = differences(songs)
    assert (difference.song, difference.subject, difference.slug) == ("song 1", "ribbon", "batch-mic-moved")
    assert (difference.usual, difference.here) == ("+0.500 ms", "+0.560 ms (+2.1 cm)")  # 0.06 ms at 343.2 m/s: 2.06 cm
    assert difference.finding().subject == "song 1/ribbon"


def test_of_two_songs_the_second_differs_from_the_first() -> None:
    """With nobody to outvote, the order decides."""
    assert found(album(ribbon(polarity=1), ribbon(polarity=-1))) == [("song 2", "batch-polarity-changed")]


def test_levels_that_drift_are_found() -> None:
    """Against the reference mic, and of the whole set-up while the guitar plays."""
    songs = album(ribbon(), ribbon(level_db=-3.0 + 1.1 * LEVEL_DB), ribbon(level_db=-3.0 - 0.9 * LEVEL_DB))
    assert found(songs) == [("song 2", "batch-level-drifted")]
    louder = [*album(ribbon(), ribbon()), ("loud", manifest(DYNAMIC, ribbon(), playing_db=-16.0))]
    assert found(louder) == [("loud", "batch-level-drifted")]


def test_what_is_not_known_is_not_compared() -> None:
    """Delays by hand, refused mics and undecided polarities give no difference, and no usual value."""
    assert found(album(ribbon(None, -1, None), ribbon(), ribbon(None, -1, None))) == []


def test_songs_of_other_set_ups_are_not_compared() -> None:
    """Another reference, another role, other mics: another set-up."""
    far = ribbon(9.0)
    songs = [
        ("a", manifest(DYNAMIC, ribbon())),
        ("b", manifest(DYNAMIC, far, reference="ribbon")),
        ("c", manifest(DYNAMIC, Heard("ribbon", "sub", 9.0, -1, 5.0))),
        ("d", manifest(DYNAMIC)),
    ]
    assert found(songs) == []


def test_a_room_mic_may_stand_less_exactly() -> None:
    """10 cm instead of 1 cm: its arrival is estimated more coarsely."""
    rooms = [Heard("room", "room", ms, 1, -10.0) for ms in (8.0, 8.2, 8.5)]
    assert found([(f"song {n}", manifest(DYNAMIC, room)) for n, room in enumerate(rooms, 1)]) == [
        ("song 3", "batch-mic-moved")
    ]


def test_a_room_mic_s_polarity_counts_where_it_is_clear() -> None:
    """Where the other polarity is hardly worse, nobody can tell that it was changed."""
    for clear, told in ((False, []), (True, [("song 2", "batch-polarity-changed")])):
        rooms = [Heard("room", "room", 8.0, polarity, -10.0, clear) for polarity in (1, -1)]
        assert found([(f"song {n}", manifest(DYNAMIC, room)) for n, room in enumerate(rooms, 1)]) == told


def test_every_song_comes_down_to_the_softest() -> None:
    """One gain a song, none of it upwards, in whole hundredths of a dB."""
    matching = match_loudness(
        [("a", manifest(lufs=-12.3456)), ("b", manifest(lufs=-14.0)), ("c", manifest(lufs=-13.0))]
    )
    assert matching.target_lufs == -14.0
    assert matching.trims_db == {"a": -1.65, "b": 0.0, "c": -1.0}


def test_matching_again_changes_nothing() -> None:
    """A song's own extra trim is taken off before songs are compared."""
    matched = [("a", manifest(lufs=-14.0, extra_trim_db=-2.0)), ("b", manifest(lufs=-14.0))]
    assert match_loudness(matched).trims_db == {"a": -2.0, "b": 0.0}


def test_a_song_without_loudness_is_left_alone_and_told() -> None:
    """Silence, or no guitar bus delivered."""
    matching = match_loudness([("a", manifest(lufs=-12.0)), ("b", manifest(lufs=None))])
    assert matching.trims_db == {"a": 0.0}
    assert [(f.slug, f.subject) for f in matching.findings] == [("batch-not-matched", "b")]
