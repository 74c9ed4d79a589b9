"""The page of an album: songs that lack a mic, sorting, every song's bus to hear, and that everyone can use it."""

import io
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from premix.batch.album import guitar_bus
from premix.cli.main import run
from premix.delivery.documents import read_manifest
from premix.report.album_page import Album, AlbumSong, Bus, album_page
from tests.outside_tools import AXE_CORE
from tests.report.songs import RECIPE, write_song
from tests.report.test_page_in_browser import _asked_for, _choose, _open, _play, _violations, _wait
from tests.rigs.sessions import write_recipe

RATE = 48_000
"""A second of each song, the least that is heard."""
SONGS = ("Ebb", "Flow", "Calm")
OPTIONAL = "condenser: {{gain_db: -3, optional: true}}"


@dataclass(frozen=True)
class AlbumOnDisk:
    """A batch of three songs, done twice: one without a mic, one 6 dB softer."""

    out: Path
    page: Path
    summary: dict[str, Any]


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> AlbumOnDisk:
    folder = tmp_path_factory.mktemp("album")
    for song in SONGS:
        write_song(folder / song)
    (folder / "Flow" / "right_condenser.wav").unlink()
    for path in (folder / "Calm").iterdir():
        samples, rate = soundfile.read(path)
        soundfile.write(path, 0.5 * samples, rate, subtype="PCM_24")
    words = (
        RECIPE.replace("condenser: {{gain_db: -3}}", OPTIONAL).replace("song: {song}\n", "").partition("variants:")[0]
    )
    recipe = write_recipe(folder, words.format() + "limits: {sum_efficiency_db: -3}\n")
    songs = [str(folder / song) for song in SONGS]
    for _ in range(2):
        assert run(["batch", str(recipe), *songs, "--out", str(folder / "out"), "--jobs", "1"]) == 0
    out = folder / "out"
    return AlbumOnDisk(out, out / "index.html", json.loads((out / "summary.json").read_text("utf-8")))


def test_a_song_that_lacks_a_mic_never_reads_unchanged(browser: Any, album: AlbumOnDisk) -> None:
    """Rendered or not: its row, its line in what needs you, and the summary for programs say so."""
    verdicts = {song["song"]: song["verdict"] for song in album.summary["songs"]}
    assert verdicts == {"Ebb": "unchanged", "Flow": "mics left out", "Calm": "unchanged"}
    _open(browser, album.page)
    assert "2 unchanged, 1 with mics left out" in browser.find_element("css selector", "h1").text
    assert "Flow right/condenser" in browser.find_element("css selector", ".needs").text
    found = browser.find_elements("css selector", "#songs tbody tr")
    rows = {row.find_element("css selector", "th a").text: row.text for row in found}
    assert "mics left out" in rows["Flow"] and "unchanged" not in rows["Flow"] and "right/condenser" in rows["Flow"]


def test_titles_sort_the_songs(browser: Any, album: AlbumOnDisk) -> None:
    """By figures as numbers, by names as words; a second time the other way round."""
    _open(browser, album.page)

    def order() -> list[str]:
        return [one.text for one in browser.find_elements("css selector", "#songs tbody th a")]

    loudness = {song["song"]: song["loudness_lufs"] for song in album.summary["songs"]}
    title = next(one for one in browser.find_elements("css selector", "#songs button.sort") if one.text == "LUFS")
    title.click()
    assert order()[0] == min(loudness, key=lambda song: float(loudness[song]))
    title.click()
    assert order()[-1] == min(loudness, key=lambda song: float(loudness[song]))
    head = browser.find_element("css selector", "#songs th[aria-sort]")
    assert head.text.startswith("LUFS") and head.get_attribute("aria-sort") == "descending"
    next(one for one in browser.find_elements("css selector", "#songs button.sort") if one.text == "song").click()
    assert order() == sorted(SONGS)


def test_every_song_is_heard_at_the_albums_loudness(browser: Any, album: AlbumOnDisk) -> None:
    """Past the caution, 30 dB down; the gain of each is that from its own loudness down to the softest song's, to what
    16 bits and the scale of a clip leave."""
    _open(browser, album.page)
    assert "85 dB(A) over 8 hours" in browser.find_element("id", "caution-note").text
    _play(browser)
    loudness = {song["song"]: song["loudness_lufs"] for song in album.summary["songs"]}
    players = browser.execute_script("return premix.listening.players;")
    assert [option.text for option in browser.find_elements("css selector", "#what option")] == list(SONGS)
    for player, song in zip(players, SONGS, strict=True):
        _choose(browser, player["name"])
        _wait(browser, f"premix.player.state.player.name === '{player['name']}' && premix.player.playing()")
        gains = [version["voices"][0][1] for version in player["versions"]]
        down_db = 20.0 * np.log10(gains[0] / gains[-1])
        assert down_db == pytest.approx(min(loudness.values()) - loudness[song], abs=0.05)
    assert not browser.find_element("id", "blind").is_displayed()
    assert browser.get_log("browser") == []


def test_a_clip_is_the_file_that_was_delivered(browser: Any, album: AlbumOnDisk) -> None:
    """Decoded by libsndfile, at the version's gain: a stretch of the guitar bus's left side, to 16 bits."""
    import base64

    text = album.page.read_text("utf-8")
    clip = re.search(r'id="clip-song_0_l">([^<]+)<', text)
    assert clip is not None
    heard, rate = soundfile.read(io.BytesIO(base64.b64decode(clip[1])))
    _open(browser, album.page)
    versions = browser.execute_script("return premix.listening.players[0].versions;")
    gain = versions[-1]["voices"][0][1]
    whole, own_rate = soundfile.read(next((album.out / "Ebb").glob("*_guitars.wav")))
    assert rate == own_rate
    wanted = whole[: len(heard), 0]
    # half a step of 16 bits and a step of dither, at the clip's gain
    assert np.abs(heard * gain - wanted).max() <= 1.6 * 2.0**-15 * max(gain, 1.0)


def test_songs_that_do_not_fit_are_said_beside_the_player(album: AlbumOnDisk, tmp_path: Path) -> None:
    """Room for the clips of two of three songs: so many buttons, and the sentence; with room for all there is none."""
    manifests = [read_manifest(album.out / song) for song in SONGS]
    buses = [(guitar_bus(manifest), song) for manifest, song in zip(manifests, SONGS, strict=True)]
    songs = tuple(
        AlbumSong(song, (song, "done"), True, None, (), (), Bus(album.out / song / file.path, file.rate, RATE, (), 0.0))
        for file, song in buses
        if file is not None
    )
    whole = Album("three songs", (("song", False), ("verdict", False)), songs, (), ())
    bare = len(album_page(whole, tmp_path, most_bytes=0).encode())
    taken = len(album_page(whole, tmp_path).encode()) - bare
    for most, heard in ((12_000_000, 3), (bare + round(0.75 * taken), 2)):
        text = album_page(whole, tmp_path, most_bytes=most)
        assert text.count('class="choose"') == heard
        assert (f"{heard} of 3 songs fit on this page, 1.0 s of each" in text) == (heard < 3)


@pytest.mark.tools("axe-core")
@pytest.mark.parametrize(
    ("width", "dark"), [(1200, False), (1200, True), (400, False)], ids=["light", "dark", "narrow"]
)
def test_everyone_can_use_the_album(browser: Any, album: AlbumOnDisk, width: int, dark: bool) -> None:
    """No violation, no sideways scrolling, no request but for the file itself."""
    _open(browser, album.page, width=width, dark=dark)
    assert browser.execute_script("return document.documentElement.scrollWidth;") <= width
    assert _asked_for(browser) == [album.page.as_uri()]
    browser.execute_script(AXE_CORE.read_text("utf-8"))
    browser.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; });")
    assert _violations(browser) == []
