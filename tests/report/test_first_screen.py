"""The first screen of a song with trouble answers an engineer's questions, wide and narrow, by what a browser shows."""

import re
from typing import Any

import pytest

from tests.report.conftest import OnDisk
from tests.report.songs import JUMP_S, REPEATS, RIFF, SECONDS
from tests.report.test_page_in_browser import _open, _press, _wait

SIZES = {"wide": (1200, 900), "narrow": (400, 800)}
VISIBLE = """
const [width, height] = [innerWidth, innerHeight];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const words = [];
while (walker.nextNode()) {
  const node = walker.currentNode;
  const shown = node.parentElement.checkVisibility({ visibilityProperty: true, opacityProperty: true });
  if (!shown || !node.textContent.trim()) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  const boxes = [...range.getClientRects()];
  const inside = ({ top, bottom, left, right, width: w, height: h }) => w > 1 && h > 1
    && top >= 0 && bottom <= height && left >= 0 && right <= width;
  if (boxes.length && boxes.every(inside)) words.push(node.textContent);
}
return words.join(" ");
"""
"""Every text that lies whole inside of the window, and is not hidden."""


def _seen(browser: Any) -> str:
    """What is to be read without scrolling, one space between words."""
    assert browser.execute_script("return scrollY;") == 0
    return " ".join(str(browser.execute_script(VISIBLE)).split())


@pytest.fixture(params=list(SIZES))
def screen(browser: Any, troubled: OnDisk, request: pytest.FixtureRequest) -> Any:
    """The browser with the page of the song with trouble, at its first screen."""
    width, height = SIZES[request.param]
    _open(browser, troubled.page, width=width, height=height)
    return browser


def test_which_mic_was_left_out(screen: Any) -> None:
    """The one without a file, and the one that plays something else."""
    seen = _seen(screen)
    assert "1 mic refused, 1 left out, 1 mic moving in the song" in seen
    assert "left out: right/condenser" in seen
    assert "centre/condenser refused: hears something else" in seen


def test_is_mono_safe(screen: Any, troubled: OnDisk) -> None:
    """The mono fold that the manifest has, and the word."""
    mono = troubled.manifest.mono
    assert mono is not None and mono.fold_db is not None
    found = re.search(r"In mono \N{MINUS SIGN}([\d.]+)\s?dB mono is safe", _seen(screen))
    assert found is not None and float(found[1]) == pytest.approx(-mono.fold_db, abs=0.005)


def test_how_loud_is_the_guitar_bus(screen: Any, troubled: OnDisk) -> None:
    """The manifest's loudness and true peak."""
    (guitars,) = [file for file in troubled.manifest.files if file.part == "guitars"]
    found = re.search(r"Guitar bus \N{MINUS SIGN}([\d.]+)\s?LUFS \N{MINUS SIGN}([\d.]+)\s?dBTP", _seen(screen))
    assert found is not None
    assert float(found[1]) == pytest.approx(-(guitars.loudness_lufs or 0.0), abs=0.051)
    assert float(found[2]) == pytest.approx(-(guitars.true_peak_dbtp or 0.0), abs=0.051)


def test_what_must_i_do_next(screen: Any) -> None:
    """The costliest finding first, with what to do about it."""
    seen = _seen(screen).partition("What needs you ")[2]
    assert seen.startswith("centre/condenser refused: hears something else Check that the file belongs to this take")


@pytest.mark.parametrize("at_s", [72.0, 71.55, 70.1, 12.9])
def test_what_does_the_room_do_there(screen: Any, at_s: float) -> None:
    """By the riff that the song was made of: open while it plays, shut in the middle of a stop; by a click on the time
    line and by the arrow keys from there."""
    from selenium.webdriver.common.keys import Keys

    within = at_s % SECONDS
    plays = any(on <= within < off for on, off in RIFF)
    screen.execute_script(
        """
        const box = document.querySelector('svg.lane').getBoundingClientRect();
        const at = {clientX: Math.round(box.left + box.width * arguments[0]), clientY: box.top + 2, bubbles: true};
        document.querySelector('svg.lane').dispatchEvent(new MouseEvent('click', at));
        """,
        at_s / (SECONDS * REPEATS),
    )
    away = round(100.0 * (at_s - float(screen.find_element("id", "position").get_attribute("value"))))
    assert abs(away) <= 15  # a pixel of the narrow one is a fifth of a second
    _press(screen, *[Keys.ARROW_RIGHT if away > 0 else Keys.ARROW_LEFT] * abs(away))
    wanted = "plays, room open" if plays else "is silent, room shut"
    minutes, rest = divmod(at_s, 60.0)
    assert f"{int(minutes)}:{rest:05.2f}: every performance {wanted}" in _seen(screen)


def test_the_time_line_is_read_with_the_keyboard(browser: Any, troubled: OnDisk) -> None:
    """The position's arrows move the place by a hundredth of a second, beyond what can be heard as well."""
    from selenium.webdriver.common.keys import Keys

    _open(browser, troubled.page)
    browser.execute_script("document.getElementById('position').focus();")
    _press(browser, Keys.HOME, Keys.ARROW_RIGHT)
    assert browser.find_element("id", "here").text.startswith("0:00.01: every performance is silent, room shut")
    _press(browser, Keys.END)
    assert browser.find_element("id", "here").text.startswith("1:20.00: ")
    assert browser.find_element("id", "position-text").text == "1:20.00"


def test_a_finding_leads_to_its_place(browser: Any, troubled: OnDisk) -> None:
    """The jump's place is a button in what needs you; it can be heard, and cursor and mark are there."""
    _open(browser, troubled.page)
    (button,) = [
        one for one in browser.find_elements("css selector", ".needs button.go") if one.text.startswith("0:41")
    ]
    assert abs(float(button.get_attribute("data-at")) - JUMP_S) < 0.5
    button.click()
    assert browser.find_element("id", "here").text.startswith("0:41.")
    assert browser.execute_script("return premix.player.state.outside;") is None
    marks = browser.execute_script(
        "return [...document.querySelectorAll('svg.lane')].map((lane) => [...lane.querySelectorAll('circle title')]"
        ".map((title) => title.textContent));"
    )
    assert any("left/condenser: delay jumps" in words for words in marks[0]) and not marks[2]
    cursor, mark = browser.execute_script(
        "return ['#cursor', 'svg.lane circle'].map((which) => document.querySelector(which).getBoundingClientRect())"
        ".map((box) => box.left + box.width / 2);"
    )
    assert abs(cursor - mark) < 2.0


@pytest.mark.parametrize("width", [1200, 400])
def test_the_cursor_stands_over_every_lane_and_over_no_figure(browser: Any, troubled: OnDisk, width: int) -> None:
    """In the middle of the song; at 400 px the figures stand between the lanes."""
    _open(browser, troubled.page, width=width)
    pieces, lanes, words = browser.execute_script(
        """premix.timeLine.go(40);
        const all = (which) => [...document.querySelectorAll(which)];
        const boxes = (which) => all(which).map((one) => one.getBoundingClientRect().toJSON());
        const text = all(".lanes tbody th, .lanes tbody .figure").flatMap((cell) => {
          const range = document.createRange();
          range.selectNodeContents(cell);
          return [...range.getClientRects()].map((box) => box.toJSON());
        });
        return [boxes("#cursor span"), boxes("svg.lane"), text];"""
    )
    assert len(pieces) == len(lanes) > 1 and len(words) > 6 * len(lanes) - 1
    for piece, lane in zip(pieces, lanes, strict=True):
        assert piece["top"] <= lane["top"] + 0.5 and piece["bottom"] >= lane["bottom"] - 0.5
        assert abs(piece["left"] + piece["width"] / 2 - (lane["left"] + lane["width"] * 40 / (SECONDS * REPEATS))) < 2.0
        assert not [word for word in words if _overlap(piece, word)]


def _overlap(one: dict[str, float], other: dict[str, float]) -> bool:
    return (
        one["left"] < other["right"]
        and other["left"] < one["right"]
        and one["top"] < other["bottom"]
        and other["top"] < one["bottom"]
    )


@pytest.mark.parametrize("at", ["1200", "400"])
def test_the_page_is_short_and_nothing_scrolls_sideways(browser: Any, troubled: OnDisk, at: str) -> None:
    """At most 5,000 px before unfolding at 1200 px; at 400 px rows are cards: no table is wider than the page, save the
    figures of pictures by frequency."""
    _open(browser, troubled.page, width=int(at))
    assert browser.execute_script("return document.documentElement.scrollWidth;") <= int(at)
    if at == "1200":
        assert browser.execute_script("return document.documentElement.scrollHeight;") <= 5000
    browser.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; });")
    wide = browser.execute_script(
        "return [...document.querySelectorAll('table:not(.beside)')]"
        ".filter((table) => table.getBoundingClientRect().right > innerWidth).map((table) => table.textContent);"
    )
    assert wide == []


@pytest.mark.parametrize("width", [1200, 400])
def test_no_letter_of_a_picture_is_cut(browser: Any, troubled: OnDisk, rendered: OnDisk, width: int) -> None:
    """Titles, axes and legends lie inside of their picture."""
    for page in (troubled.page, rendered.page):
        _open(browser, page, width=width)
        browser.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; });")
        _wait(browser, "document.querySelectorAll('.picture svg').length > 5")
        cut = browser.execute_script("""
            return [...document.querySelectorAll('.picture > svg')].flatMap((picture) => {
              const box = picture.getBoundingClientRect();
              return [...picture.querySelectorAll('text')].filter((text) => {
                const { left, right, top, bottom } = text.getBoundingClientRect();
                return left < box.left - 1 || right > box.right + 1 || top < box.top - 1 || bottom > box.bottom + 1;
              }).map((text) => `${picture.parentElement.dataset.title}: ${text.textContent}`);
            });
            """)
        assert cut == []
