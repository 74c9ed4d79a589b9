"""Chains in a whole render: every file in time and of one length, levels where they should stand, keys, groups."""

import hashlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import butter, sosfilt

from tests.rigs.mixes import mixed_whole, planned
from tests.rigs.sessions import Song, hashes, level_db, manifest_of, parts_of, samples, write_recipe, write_song

from .examples import write_response
from .mixing import FRAMES, PLACES, RATE, recipe, rendered

LATE = {
    "dynamic": "[{compressor: {threshold_db: 0}}]",
    "ribbon": "[{limiter: {ceiling_db: 0}}]",
    "room": "[{compressor: {threshold_db: 0}}, {limiter: {ceiling_db: 0, lookahead_ms: 7}}]",
    "performance": "[{limiter: {ceiling_db: 0, lookahead_ms: 1}}]",
    "bus": "[{compressor: {threshold_db: 0}}, {compressor: {threshold_db: 0}}]",
    "guitar_bus": "[{limiter: {ceiling_db: 0}}, {compressor: {threshold_db: 0}}]",
}
"""Chains that do nothing to a quiet signal, bit for bit, but delay it by 1 to 4 thousand samples."""
FLOAT_STEP = 2.0**-26
"""Half a step of a 32-bit float between 0.25 and 0.5; nothing in these songs is louder."""


@pytest.fixture(scope="module")
def plain(song: Song) -> Path:
    """The render without any chain."""
    return rendered(song, recipe())


@pytest.mark.parametrize("places", [*((place,) for place in PLACES), PLACES])
def test_chains_that_only_delay_null_against_no_chains(places: tuple[str, ...], song: Song, plain: Path) -> None:
    """Every file, from its first sample to its last, whatever place the latency is at, and all of them together."""
    late = rendered(song, recipe(**{place: LATE[place] for place in places}))
    for part in parts_of(plain):
        assert np.abs(samples(late, part) - samples(plain, part)).max() <= FLOAT_STEP, part


EVERYWHERE = {
    "dynamic": "[{high_pass: {cutoff_hz: 80, phase: linear}}, {saturation: {drive_db: 12}}]",
    "ribbon": "[{bell: {frequency_hz: 900, gain_db: 4}}, {expander: {threshold_db: -40, key: dynamic}}]",
    "room": "[{delay: {delay_ms: 3.3}}, {reverb: {mix: 0.3}}]",
    "performance": "[{tilt: {gain_db: 1}}, {expander: {threshold_db: -30, key: right}}]",
    "bus": "[{low_shelf: {frequency_hz: 120, gain_db: -3}}, {compressor: {threshold_db: -30, ratio: 3}}]",
    "guitar_bus": "[{mid_side: {side_high_pass_hz: 120}}, {compressor: {threshold_db: -20}}, limiter]",
}


def test_block_size_and_threads_change_no_sample_of_a_mix_with_chains(song: Song) -> None:
    """Chains everywhere, keyed ones too, in blocks of 1, 7 and 30 rows, one after another and side by side."""
    path = write_recipe(song.recipe.parent, recipe(**EVERYWHERE), "everywhere.yaml")
    plan, names = planned(Song(path, song.tracks))
    with ThreadPoolExecutor(2) as pool:
        mixes = [
            mixed_whole(plan, names, rows=rows, pool=threads) for rows, threads in ((1, None), (7, None), (30, pool))
        ]
    for other in mixes[1:]:
        assert set(other) == set(names)
        assert all(np.array_equal(other[name], mixes[0][name]) for name in names)


def test_a_mics_chain_stands_before_its_gain_and_delay(song: Song, plain: Path) -> None:
    """A mic alone: its file through the filter, then the gains that the sheet states."""
    out = rendered(song, recipe(dynamic="[{high_pass: {cutoff_hz: 200, slope_db_oct: 24}}]"))
    sections = butter(4, 200.0, "highpass", fs=RATE, output="sos")
    expected = sosfilt(sections, samples(plain, "mic_left_dynamic")[0])
    assert np.abs(samples(out, "mic_left_dynamic")[0] - expected).max() <= 4 * FLOAT_STEP
    difference = samples(out, "stem_left") - samples(plain, "stem_left")
    assert difference[0] == pytest.approx(expected - samples(plain, "mic_left_dynamic")[0], abs=4 * FLOAT_STEP)


def test_the_chain_of_a_bus_works_on_its_sum(song: Song, plain: Path) -> None:
    """The bus is its plain self, filtered; its stems and the other bus are as they were."""
    out = rendered(song, recipe(bus="[{low_pass: {cutoff_hz: 1000}}]"))
    sections = butter(2, 1000.0, "lowpass", fs=RATE, output="sos")
    assert samples(out, "bus_left")[0] == pytest.approx(sosfilt(sections, samples(plain, "bus_left")[0]), abs=1e-7)
    assert hashes(out)["stem_left"] == hashes(plain)["stem_left"]
    assert hashes(out)["bus_right"] == hashes(plain)["bus_right"]


HARD = "[{compressor: {threshold_db: -40, ratio: 10, attack_ms: 1}}]"


@pytest.mark.parametrize(
    ("place", "part", "was", "lower"),
    [
        ("performance", "stem_left", "bus: left, gain_db: -1.5", "bus: left, gain_db: -21.5"),
        ("bus", "bus_left", "pan: -0.8, gain_db: -2", "pan: -0.8, gain_db: -22"),
        ("guitar_bus", "guitars", "width: 1.3, gain_db: -1.1", "width: 1.3, gain_db: -21.1"),
    ],
)
def test_gains_come_after_the_chain(place: str, part: str, was: str, lower: str, song: Song) -> None:
    """20 dB less gain is 20 dB less level: the compressor before it hears no difference."""
    text = recipe(**{place: HARD})
    made, lowered = (samples(rendered(song, t), part) for t in (text, text.replace(was, lower)))
    assert np.abs(lowered - 0.1 * made).max() <= 2 * FLOAT_STEP


def test_the_common_trim_comes_after_every_chain(song: Song) -> None:
    """With a low ceiling every file is only turned down, also behind compressors on the way."""
    chains = {"performance": HARD, "bus": HARD, "guitar_bus": HARD}
    high, low = rendered(song, recipe(**chains)), rendered(song, recipe(ceiling="-45", **chains))
    assert manifest_of(high)["trim_db"] == 0.0
    trim = 10 ** (manifest_of(low)["trim_db"] / 20)
    assert trim < 0.7
    for part in parts_of(high):
        assert np.abs(samples(low, part) - trim * samples(high, part)).max() <= 2 * FLOAT_STEP, part


def test_tails_end_with_the_common_length(song: Song) -> None:
    """A delay of half a second: the last half second of the sound is gone, and every file has the same frames."""
    out = rendered(song, recipe(guitar_bus="[{delay: {delay_ms: 500}}]"))
    assert {entry["frames"] for entry in parts_of(out).values()} == {FRAMES}
    guitars, whole = samples(out, "guitars"), samples(rendered(song, recipe()), "guitars")
    half = RATE // 2
    assert not guitars[:, :half].any()
    assert np.abs(guitars[:, half:] - whole[:, :-half]).max() <= FLOAT_STEP


def test_a_group_is_the_same_as_its_gain_and_chain_on_each_of_its_mics(song: Song) -> None:
    """Gains add, the group's chain comes first, a mic may be in two groups."""
    groups = """groups:
  both: {mics: [dynamic, ribbon], gain_db: -2, chain: [{high_pass: {cutoff_hz: 90}}]}
  one: {mics: [ribbon], gain_db: 1, chain: [{gain: {gain_db: 3}}]}"""
    grouped = rendered(song, recipe(more=groups, ribbon="[polarity]"))
    high_pass = "{high_pass: {cutoff_hz: 90}}"
    by_hand = recipe(dynamic=f"[{high_pass}]", ribbon=f"[{high_pass}, {{gain: {{gain_db: 3}}}}, polarity]")
    by_hand = by_hand.replace("ribbon: {gain_db: -3", "ribbon: {gain_db: -4")
    by_hand = by_hand.replace("dynamic: {polarity", "dynamic: {gain_db: -2, polarity")
    assert hashes(grouped) == hashes(rendered(song, by_hand))


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Song, npt.NDArray[np.bool_]]]:
    """A song whose dynamic mic plays in bursts, 4 ms late in its file; the others play all through."""
    burst = ((np.arange(FRAMES) % 16_000) < 8000) & (np.arange(FRAMES) < 90_000)
    steady = np.random.default_rng(4).standard_normal(FRAMES) * 0.02
    played = np.random.default_rng(5).standard_normal(FRAMES) * 0.05 * burst
    moved = np.concatenate([np.zeros(192), played[:-192]])
    tracks = {}
    for performance in ("left", "right"):
        for mic, signal in (("dynamic", moved), ("ribbon", steady), ("room", 0.5 * steady)):
            tracks[f"{performance}_{mic}"] = signal
    yield write_song(tmp_path_factory.mktemp("keyed"), KEYED, tracks), burst


KEYED = """\
format: 1
song: Keys
mics:
  dynamic: {polarity: normal, delay: {samples: 192}%(dynamic)s}
  ribbon: {polarity: normal, delay: none%(ribbon)s}
  room: {role: room, polarity: normal, gate: {mode: 'off'}%(room)s}
performances:
  left: {bus: left%(performance)s}
  right: {bus: right%(right)s}
buses: {left: {pan: -1%(bus)s}, right: {pan: 1}}
deliver: {bits: 32, ceiling_dbtp: 0, files: [stems, rooms, buses, guitar_bus, aligned_mics]}
"""
OPENS = "expander: {threshold_db: -40, ratio: 100, range_db: 60, attack_ms: 0.1, hold_ms: 1, release_ms: 0.5, key: %s}"


@pytest.mark.parametrize("muted", [False, True])
@pytest.mark.parametrize("before", ["", "{limiter: {ceiling_db: 0}}, "])
def test_a_key_opens_in_the_time_of_the_song(
    before: str, muted: bool, keyed: tuple[Song, npt.NDArray[np.bool_]]
) -> None:
    """The room opens with the dynamic mic as aligned, not as recorded, whatever is late before it, muted or not."""
    song, burst = keyed
    places = dict.fromkeys(("dynamic", "ribbon", "performance", "right", "bus"), "")
    places["room"] = f", chain: [{before}{{{OPENS % 'dynamic'}}}]"
    places["dynamic"] = ", mute: true" if muted else ""
    out = rendered(song, KEYED % places)
    room, steady = samples(out, "room_left")[0], samples(out, "mic_left_ribbon")[0] * 0.5
    heard = np.abs(room) > 0.5 * np.abs(steady)
    starts = np.flatnonzero(burst[1:] & ~burst[:-1]) + 1
    for start in (0, *starts.tolist()):
        stop = start + 8000
        assert heard[start:stop][np.abs(steady[start:stop]) > 0].all()  # open from the first sample to the last
        # closed 4 ms before and 12 ms after: a lookahead of 2 ms, a hold of 1 ms, a release, two looks of 0.7 ms
        assert not heard[max(0, start - 400) : max(0, start - 200)].any()
        assert not heard[stop + 600 : stop + 800].any()


def test_a_key_is_the_mic_at_unity(keyed: tuple[Song, npt.NDArray[np.bool_]]) -> None:
    """What a mic counts in its stem is the balance of the sound: 30 dB less of it opens a processor as before."""
    song, _ = keyed
    places = dict.fromkeys(("dynamic", "ribbon", "performance", "right", "bus"), "")
    places["room"] = f", chain: [{{{OPENS % 'dynamic'}}}]"
    loud = rendered(song, KEYED % places)
    soft = rendered(song, KEYED % {**places, "dynamic": ", gain_db: -30"})
    assert hashes(soft)["room_left"] == hashes(loud)["room_left"]
    assert hashes(soft)["stem_left"] != hashes(loud)["stem_left"]


def test_the_key_of_a_delayed_mics_chain_is_in_time(tmp_path: Path) -> None:
    """A mic that is 100 ms late, through an expander that another mic opens: where the mic lies in the song, it is open
    as long as the other one plays there, and shut between, whatever its file's own time."""
    late = 4800
    burst = ((np.arange(FRAMES) % 16_000) < 8000) & (np.arange(FRAMES) < 90_000)
    noise = np.random.default_rng(6).standard_normal((2, FRAMES))
    text = KEYED % {
        "dynamic": "",
        "ribbon": f", chain: [{{{OPENS % 'dynamic'}}}]",
        **dict.fromkeys(("room", "performance", "right", "bus"), ""),
    }
    text = text.replace("delay: {samples: 192}", "delay: none").replace(
        "normal, delay: none, chain", f"normal, delay: {{samples: {late}}}, chain"
    )
    tracks = {
        f"{side}_{mic}": signal
        for side in ("left", "right")
        for mic, signal in (
            ("dynamic", 0.05 * burst * noise[0]),
            ("ribbon", 0.02 * noise[1]),
            ("room", 0.01 * noise[1]),
        )
    }
    song = write_song(tmp_path, text, tracks)
    heard = np.abs(samples(rendered(song, text), "mic_left_ribbon")[0])
    free = np.concatenate([np.abs(0.02 * noise[1][late:]), np.zeros(late)])
    for start in range(16_000, 80_000, 16_000):
        stop = start + 8000
        assert (heard[start:stop] > 0.5 * free[start:stop])[free[start:stop] > 1e-4].all()
        shut = slice(stop + 800, start + 16_000 - 400)
        assert (heard[shut] < 0.01 * free[shut] + 1e-6).all()


@pytest.mark.parametrize("place", ["performance", "bus"])
def test_a_performance_can_be_the_key_of_another(place: str, keyed: tuple[Song, npt.NDArray[np.bool_]]) -> None:
    """Where the right performance pauses the left stem, or bus, is 60 dB down; muting its ribbon leaves the bursts."""
    song, burst = keyed
    places = dict.fromkeys(("dynamic", "ribbon", "room", "performance", "right", "bus"), "")
    places["right"] = ", mics: {ribbon: {mute: true}}"
    places[place] = f", chain: [{{{OPENS % 'right'}}}]"
    part = "stem_left" if place == "performance" else "bus_left"
    made = samples(rendered(song, KEYED % places), part)[0]
    places[place] = ""
    free = samples(rendered(song, KEYED % places), part)[0]
    pauses = ~burst & (np.arange(FRAMES) % 16_000 > 9000) & (np.arange(FRAMES) % 16_000 < 15_000)
    assert np.abs(made[pauses]) == pytest.approx(np.abs(free[pauses]) * 0.001, abs=1e-6)
    assert np.abs(made - free)[burst].max() < 1e-6


def test_the_manifest_says_which_buses_are_plain_sums_and_what_chains_depend_on(song: Song) -> None:
    """plain_sum by bus; the name and the hash of an impulse response, by its place in the recipe."""
    write_response(song.recipe.parent)
    out = rendered(song, recipe(bus="[polarity]", ribbon="[{convolution: {file: response.wav}}]"))
    document = manifest_of(out)
    assert {bus["bus"]: bus["plain_sum"] for bus in document["buses"]} == {"left": False, "right": True}
    assert document["guitar_bus"]["plain_sum"] is True
    digest = hashlib.sha256((song.recipe.parent / "response.wav").read_bytes()).hexdigest()
    assert document["chain_files"] == [
        {"where": "mics.ribbon.chain[0].convolution.file", "name": "response.wav", "sha256": digest}
    ]
    assert str(song.recipe.parent) not in (out / "manifest.json").read_text("utf-8")


@pytest.mark.usefixtures("stand_in")
def test_a_plug_in_in_a_mix_is_in_time_and_its_doubts_are_told(song: Song, plain: Path) -> None:
    """A plug-in on a bus, late by what it reports: the bus is half its plain self; one that is random is a finding."""
    for name in ("late", "random"):
        (song.recipe.parent / f"{name}.vst3").write_text("stand-in")
    late = rendered(song, recipe(bus="[{plug_in: {file: late.vst3}}]"))
    assert np.abs(samples(late, "bus_left") - 0.5 * samples(plain, "bus_left")).max() <= FLOAT_STEP
    assert [f["slug"] for f in manifest_of(late)["findings"] if f["slug"].startswith("plug-in")] == []
    unsure = manifest_of(rendered(song, recipe(bus="[{plug_in: {file: random.vst3}}]")))
    found = [(f["slug"], f["subject"]) for f in unsure["findings"] if f["slug"].startswith("plug-in")]
    assert found == [("plug-in-not-reproducible", "buses.left.chain[0].plug_in")]


def test_a_file_that_counts_nothing_in_its_bus_has_no_gain_to_it(plain: Path) -> None:
    """Mics and open rooms are in the stems and rooms already: zero is no number of dB, and JSON has no infinity."""
    gains_db = {entry["part"]: entry["gain_to_bus_db"] for entry in manifest_of(plain)["files"]}
    assert {gains_db[part] for part in ("mic_left_dynamic", "mic_left_room", "room_ungated_left")} == {None}
    assert gains_db["stem_left"] == pytest.approx(-2.0)


def test_quiet_level_is_what_these_tests_count_on(plain: Path) -> None:
    """No part is louder than 0.5, where FLOAT_STEP holds."""
    assert max(level_db(samples(plain, part)) for part in parts_of(plain)) < -6.02
