"""The page in a real browser: it loads alone, plays in step, keeps its secrets, and everyone can use it."""

import base64
import io
import json
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.outside_tools import AXE_CORE
from tests.report.conftest import Compared, OnDisk
from tests.report.songs import HOSTILE_NAME

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PATIENCE_S = 30.0


def _open(
    browser: Any, page: Path, *, width: int = 1200, height: int = 900, dark: bool = False, media: str = ""
) -> None:
    """Load a page afresh, on paper of this width, in a window of this height."""
    features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get_log("browser"), browser.get_log("performance")
    browser.get(page.as_uri())
    _wait(browser, "document.readyState === 'complete'")  # a busy machine's driver may come back before


def _wait(browser: Any, condition: str) -> Any:
    """Wait until a script's expression is true."""
    end = time.monotonic() + PATIENCE_S
    while not (value := browser.execute_script(f"return {condition};")):
        assert time.monotonic() < end, f"never true: {condition}"
        time.sleep(0.02)
    return value


def _press(browser: Any, *keys: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    ActionChains(browser).send_keys(*keys).perform()


def _focused(browser: Any) -> str:
    """What has the focus: an id, a link's target or a radio button's label."""
    return str(
        browser.execute_script(
            "const e = document.activeElement; return e.id || e.getAttribute('href') "
            "|| (e.name && e.name + e.value) || e.getAttribute('aria-label') || e.tagName;"
        )
    )


def _play(browser: Any) -> None:
    """Past the caution, into sound."""
    browser.find_element("id", "play").click()
    if browser.execute_script("return document.getElementById('caution').open;"):
        browser.find_element("id", "caution-play").click()
    _wait(browser, "premix.player.playing() && premix.player.position() > 0.05")


def _choose(browser: Any, player: str) -> None:
    """What is heard, by the name of its player."""
    script = "const what = document.getElementById('what'); what.value = arguments[0];"
    browser.execute_script(script + "what.dispatchEvent(new Event('change'));", player)


@pytest.fixture
def page(rendered: OnDisk) -> Path:
    """The page of the test song."""
    return rendered.page


@pytest.mark.parametrize("which", ["page", "comparison", "hostile"])
def test_the_page_loads_alone(
    browser: Any, rendered: OnDisk, compared: Compared, hostile_page: Path, which: str
) -> None:
    """From a file: no word in the console, no request but for the file itself, nothing hacked."""
    page = {"page": rendered.page, "comparison": compared.page, "hostile": hostile_page}[which]
    _open(browser, page)
    _play(browser)
    assert browser.get_log("browser") == []
    assert _asked_for(browser) == [page.as_uri()]
    assert browser.execute_script("return window.hacked;") is None
    if which == "hostile":
        assert browser.title.startswith(HOSTILE_NAME.split("\u2028")[0])


def _asked_for(browser: Any) -> list[str]:
    """What was requested since `_open`, but for what the browser's own first page asks for on a busy machine."""
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [e["params"] for e in events if e["method"] == "Network.requestWillBeSent"]
    return [a["request"]["url"] for a in asked if not a["documentURL"].startswith("chrome://")]


@pytest.mark.tools("axe-core")
@pytest.mark.parametrize(
    ("width", "dark"), [(1200, False), (1200, True), (400, True)], ids=["wide-light", "wide-dark", "narrow-dark"]
)
@pytest.mark.parametrize("which", ["page", "comparison", "trouble"])
def test_everyone_can_use_the_page(
    browser: Any, rendered: OnDisk, compared: Compared, troubled: OnDisk, which: str, width: int, dark: bool
) -> None:
    """No violation of WCAG 2.2 AA or of axe's best practices, the caution open or not; no sideways scrolling.

    What is inside of a picture is left out: it is presentational there, and the picture's text speaks for it.
    """
    pages = {"page": rendered.page, "comparison": compared.page, "trouble": troubled.page}
    _open(browser, pages[which], width=width, dark=dark)
    assert browser.execute_script("return document.documentElement.scrollWidth;") <= width
    browser.execute_script(AXE_CORE.read_text("utf-8"))
    assert _violations(browser) == []
    browser.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; });")
    assert _violations(browser) == []
    browser.find_element("id", "play").click()
    assert browser.execute_script("return document.getElementById('caution').open;")
    assert _violations(browser) == []


def _violations(browser: Any) -> list[tuple[str, str]]:
    found = browser.execute_async_script(
        "const done = arguments[1];"
        "axe.run({exclude: [['svg > *']]}, {runOnly: arguments[0], resultTypes: ['violations']})"
        ".then((result) => done(result.violations), (error) => done([{id: String(error), nodes: []}]));",
        RULES,
    )
    return [(v["id"], str([node["target"] for node in v["nodes"][:3]])) for v in found]


def test_the_first_play_is_after_the_caution_and_low(browser: Any, page: Path) -> None:
    """Nothing sounds before the caution is answered; then 30 dB down; it is asked once."""
    _open(browser, page)
    browser.find_element("id", "play").click()
    assert "NIOSH" in browser.find_element("id", "caution-note").text
    assert browser.execute_script("return premix.player.state.context;") is None
    browser.find_element("id", "caution-cancel").click()
    assert not browser.execute_script("return premix.player.playing();")
    _play(browser)
    gain = browser.execute_script("return premix.player.state.master.gain.value;")
    assert gain == pytest.approx(10.0 ** (-30.0 / 20.0), rel=1e-6)
    browser.find_element("id", "play").click()
    browser.find_element("id", "play").click()
    _wait(browser, "premix.player.playing()")
    assert not browser.execute_script("return document.getElementById('caution').open;")


def test_everything_that_can_be_chosen_plays(browser: Any, page: Path) -> None:
    """Every player decodes and moves on, from the caution of the first to the last."""
    _open(browser, page)
    _play(browser)
    names = browser.execute_script("return premix.listening.players.map((player) => player.name);")
    assert len(names) == 1 + 1 + 3 + 3 + 3
    for name in names:
        _choose(browser, name)
        _wait(
            browser,
            f"premix.player.state.player.name === {json.dumps(name)} && premix.player.state.sound !== null "
            "&& premix.player.state.sound.sources.length > 0",
        )
        before = browser.execute_script("return premix.player.position();")
        _wait(browser, f"premix.player.position() !== {before}")
    assert browser.get_log("browser") == []


def test_the_browser_hears_what_was_encoded(browser: Any, page: Path) -> None:
    """A clip decoded by the browser equals libsndfile's decoding to one step of 16 bits (Chromium scales positive
    samples by 1/32767)."""
    _open(browser, page)
    clip = browser.execute_script("return premix.listening.players[0].versions[0].voices[0][0];")
    text = browser.execute_script("return document.getElementById('clip-' + arguments[0]).textContent.trim();", clip)
    wanted, rate = soundfile.read(io.BytesIO(base64.b64decode(text)))
    heard = browser.execute_async_script(
        """
        const done = arguments[2];
        new OfflineAudioContext(1, 1, arguments[1])
          .decodeAudioData(premix.bytesOf(document.getElementById('clip-' + arguments[0]).textContent.trim()))
          .then((buffer) => done([buffer.length, ...buffer.getChannelData(0).slice(24000, 34000)]));
        """,
        clip,
        rate,
    )
    assert heard[0] == len(wanted)
    assert np.abs(np.array(heard[1:]) - wanted[24000:34000]).max() <= 2.0**-15


def test_versions_are_switched_to_the_sample(browser: Any, page: Path) -> None:
    """Offline: two versions of one ramp, switched in the middle, come out as that ramp; one sample apart would show
    as a step of 1/24000."""
    _open(browser, page)
    heard = browser.execute_async_script("""
        const done = arguments[0];
        const context = new OfflineAudioContext(2, 24000, 48000);
        const ramp = context.createBuffer(1, 24000, 48000);
        ramp.getChannelData(0).forEach((_, n, data) => { data[n] = n / 24000; });
        const player = {versions: [{voices: [['ramp', 1, 0.5]]}, {voices: [['ramp', 1, 0.5]]}]};
        const sound = premix.build(context, player, new Map([['ramp', ramp]]), context.destination);
        sound.sources.forEach((source) => source.start(0));
        premix.fade(sound, 0, 0.8, 0);
        premix.fade(sound, 1, 0.8, 0.25);
        context.startRendering().then((out) => done([[...out.getChannelData(0)], [...out.getChannelData(1)]]));
        """)
    ramp = np.arange(24000) / 24000.0
    for samples, gain in zip(np.array(heard), (0.8, 0.4), strict=True):
        # after the first 5 ms of fading in; 32-bit floats of the browser
        assert np.abs(samples[300:] - gain * ramp[300:]).max() < 1e-6


def test_a_switch_keeps_the_position(browser: Any, page: Path) -> None:
    """Live: over a switch the position moves on with the audio clock, to far less than 5 ms."""
    _open(browser, page)
    _choose(browser, "guitars")
    _play(browser)
    for number in (1, 2, 0, 3):
        moved, least, most = browser.execute_script(
            """
            const {position, state} = premix.player;
            const clock = () => state.context.currentTime;  // it may tick between two lines
            const before = [clock(), position(), clock()];
            document.querySelector(`#versions input[value="${arguments[0]}"]`).click();
            const after = [clock(), position(), clock()];
            return [after[1] - before[1], after[0] - before[2], after[2] - before[0]];
            """,
            number,
        )
        moved += 5.0 * (moved < -1.0)  # the clip may begin anew
        assert least - 0.005 < moved < most + 0.005
        levels = browser.execute_script("return premix.player.state.sound.heard;")
        assert [level > 0 for level in levels] == [n == number for n in range(4)]


def test_equal_loudness_can_be_switched_off(browser: Any, page: Path) -> None:
    """On, each version has its own gain down to the softest; off, all have 1."""
    _open(browser, page)
    _choose(browser, "guitars")
    _play(browser)
    matched = browser.execute_script(
        "return premix.listening.players.find((p) => p.name === 'guitars').versions[0].match_db;"
    )
    assert matched < -1.0, "the aligned sum is louder than that of the late and inverted mics"
    level = "return Math.max(...premix.player.state.sound.heard);"
    assert browser.execute_script(level) == pytest.approx(10.0 ** (matched / 20.0), rel=1e-6)
    browser.find_element("id", "equal").click()
    assert browser.execute_script(level) == 1.0


def test_a_blind_test_hides_the_names_and_reveals_them_rightly(browser: Any, page: Path) -> None:
    """Numbers instead of names, then what was chosen and what was what; other rounds have other orders."""
    _open(browser, page)
    _choose(browser, "guitars")
    _play(browser)
    names = browser.execute_script(
        "return premix.listening.players.find((p) => p.name === 'guitars').versions.map((version) => version.name);"
    )
    orders, votes = set(), dict.fromkeys(names, 0)
    for round_ in range(5):
        choice = round_ % len(names)
        labels, equal, order, levels, told = browser.execute_script(
            """
            const at = (id) => document.getElementById(id);
            at('blind').click();
            const labels = [...document.querySelectorAll('#versions label')].map((label) => label.textContent);
            document.querySelectorAll('#versions input')[arguments[0]].click();
            const {blind, sound} = premix.player.state;
            at('vote').click();
            return [labels, at('equal').disabled, blind, sound.heard, at('told').textContent];
            """,
            choice,
        )
        assert labels == [f"Number {n + 1}" for n in range(len(names))] and equal
        heard = order[choice]
        assert [level > 0 for level in levels] == [version == heard for version in range(len(names))]
        votes[names[heard]] += 1
        assert told.startswith(f"You chose {names[heard]}: ")
        assert ", ".join(f"number {n + 1} was {names[v]}" for n, v in enumerate(order)) in told
        assert ", ".join(f"{name} {count}" for name, count in votes.items()) in told
        orders.add(tuple(order))
    assert len(orders) > 1  # 5 equal orders of 4 versions: a chance of 1 in 24^4


def test_the_order_of_a_blind_test_is_fair(browser: Any, page: Path) -> None:
    """Each of the six orders of three comes up a sixth of the time: chi-square below its 99.99 % point, 25.7."""
    _open(browser, page)
    counts = browser.execute_script("""
        const counts = {};
        for (let n = 0; n < 6000; n += 1) {
          const key = premix.shuffled(3).join('');
          counts[key] = (counts[key] || 0) + 1;
        }
        return counts;
        """)
    assert len(counts) == 6
    assert sum((count - 1000.0) ** 2 / 1000.0 for count in counts.values()) < 25.7


def test_a_blind_test_can_be_given_up(browser: Any, page: Path) -> None:
    """Then the names are back, and no vote was counted."""
    _open(browser, page)
    _choose(browser, "guitars")
    browser.find_element("id", "blind").click()
    browser.find_element("id", "blind").click()
    labels = [label.text for label in browser.find_elements("css selector", "#versions label")]
    assert labels == ["aligned", "as recorded", "without centre", "rooms open"]
    assert "given up" in browser.find_element("id", "told").text


def test_a_blind_test_is_taken_again_at_once(browser: Any, page: Path) -> None:
    """After a vote the same button begins the next one, names hidden again; votes add up."""
    _open(browser, page)
    _play(browser)
    browser.find_element("id", "blind").click()
    for count in (1, 2):
        browser.find_element("id", "vote").click()
        assert browser.find_element("id", "blind").text == "Take the test again"
        browser.find_element("id", "blind").click()
        labels = [label.text for label in browser.find_elements("css selector", "#versions label")]
        assert labels == [f"Number {n + 1}" for n in range(4)]
        assert sum(browser.execute_script("return premix.player.votes.get('guitars');")) == count


def test_mono_is_half_of_both_sides(browser: Any, page: Path) -> None:
    """Listened to behind the switch: off, the sides differ; on, both are the same, and not silent."""
    _open(browser, page)
    _play(browser)
    apart = """
        const done = arguments[0];
        const { context, mono } = premix.player.state;
        const splitter = context.createChannelSplitter(2);
        const both = context.createGain();  // two ears, as the device has them
        Object.assign(both, { channelCount: 2, channelCountMode: 'explicit' });
        mono.connect(both).connect(splitter);
        const ears = [0, 1].map((side) => {
          const ear = context.createAnalyser();
          splitter.connect(ear, side);
          return ear;
        });
        setTimeout(() => {
          const [left, right] = ears.map((ear) => {
            const heard = new Float32Array(ear.fftSize);
            ear.getFloatTimeDomainData(heard);
            return heard;
          });
          mono.disconnect(both);
          done([Math.max(...left.map(Math.abs)), Math.max(...left.map((value, n) => Math.abs(value - right[n])))]);
        }, 400);
    """
    loud, different = browser.execute_async_script(apart)
    assert loud > 0.0 and different > 0.1 * loud
    browser.find_element("id", "mono").click()
    loud, different = browser.execute_async_script(apart)
    assert loud > 0.0 and different <= 1e-6 * loud


def test_a_passage_is_looped(browser: Any, page: Path) -> None:
    """From where it was said to where it was said, whatever plays, until it is taken back."""
    _open(browser, page)
    _play(browser)
    state = "premix.player.state"
    browser.execute_script("premix.player.go(1.0);")
    browser.find_element("id", "loop-from").click()
    browser.execute_script("premix.player.go(1.6);")
    browser.find_element("id", "loop-to").click()
    from_s, to_s = browser.execute_script(f"return {state}.loop;")
    assert 1.0 <= from_s < 1.3 and from_s + 0.2 < to_s < 2.0
    _wait(browser, f"{state}.sound !== null")
    ends = browser.execute_script(f"return {state}.sound.sources.map((one) => [one.loopStart, one.loopEnd, one.loop]);")
    assert ends and all(end == [pytest.approx(from_s), pytest.approx(to_s), True] for end in ends)
    places = []
    for _ in range(20):
        places.append(browser.execute_script("return premix.player.position();"))
        time.sleep(0.07)
    assert all(from_s <= place < to_s for place in places)
    assert any(after < before for before, after in pairwise(places)), "it began anew"
    off = browser.find_element("id", "loop-off")
    assert off.text.startswith("No loop (0:01.")
    off.click()
    assert browser.execute_script(f"return {state}.loop;") == [0, 5] and not off.is_displayed()


def test_a_place_that_cannot_be_heard_is_shown_and_stops(browser: Any, troubled: OnDisk) -> None:
    """Beyond the stretch of the clips; playing begins where they begin."""
    _open(browser, troubled.page)
    _play(browser)
    browser.execute_script("premix.player.go(70.5);")
    assert not browser.execute_script("return premix.player.playing();")
    assert browser.find_element("id", "position-text").text == "1:10.50"
    browser.find_element("id", "play").click()
    _wait(browser, "premix.player.playing()")
    start, shown = browser.execute_script(
        "return [premix.listening.start, Number(document.getElementById('position').value)];"
    )
    assert start <= shown < start + 8.0 < 70.0


def test_the_keyboard_alone_is_enough(browser: Any, page: Path) -> None:
    """Tab reaches every control and link; Enter plays, past the caution; arrows switch; Space votes."""
    from selenium.webdriver.common.keys import Keys

    _open(browser, page, width=400)
    browser.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; });")
    reached: list[str] = []
    while len(reached) < 300:
        _press(browser, Keys.TAB)
        reached.append(_focused(browser))
        if reached[-1] == "BODY":
            break
    controls = ["position", "what", "play", "version0", "volume", "equal", "mono", "loop-from", "loop-to", "blind"]
    assert [name for name in reached if name in controls] == controls
    assert {"#content", "#findings", "#mix", "#versions"} <= set(reached)
    wide = browser.execute_script(
        "return [...document.querySelectorAll('.scroll')].filter((e) => e.scrollWidth > e.clientWidth + 1)"
        ".map((e) => e.getAttribute('aria-label'));"
    )
    assert len(wide) > 3 and set(wide) <= set(reached)
    browser.execute_script("document.getElementById('what').focus();")
    _press(browser, Keys.TAB, Keys.ENTER)
    assert _focused(browser) == "caution-play"
    _press(browser, Keys.ENTER)
    _wait(browser, "premix.player.playing()")
    assert _focused(browser) == "play"
    _press(browser, Keys.TAB, Keys.ARROW_RIGHT)
    assert browser.execute_script("return premix.player.state.version;") == 1
    _press(browser, Keys.TAB, Keys.ARROW_RIGHT)
    assert browser.find_element("id", "volume").get_attribute("value") == "-29"
    _press(browser, *[Keys.TAB] * 5, Keys.SPACE, Keys.TAB, Keys.SPACE)
    assert browser.find_element("id", "told").text.startswith("You chose")


def test_a_printed_page_is_whole_and_readable(browser: Any, page: Path) -> None:
    """On A4 between its margins (182 mm, 688 CSS pixels): dark letters on white, no table cut off at the side, no
    player; and the browser makes a PDF of some pages."""
    _open(browser, page, width=688, dark=True, media="print")
    cut = browser.execute_script(
        "return [...document.querySelectorAll('table, svg')].filter((e) => e.getBoundingClientRect().right > 690)"
        ".map((e) => e.textContent.slice(0, 60));"
    )
    assert cut == []
    ink, paper = (
        browser.execute_script(f"return getComputedStyle(document.documentElement)[{key!r}];")
        for key in ("color", "backgroundColor")
    )
    assert (ink, paper) == ("rgb(29, 27, 24)", "rgb(255, 255, 255)")
    assert not browser.find_element("id", "player").is_displayed()
    assert browser.find_element("id", "mics").is_displayed()
    rows = browser.execute_script("return document.querySelector('#mics table').getBoundingClientRect().height;")
    assert rows > 20, "what is folded on the screen is there on paper"
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"])
    assert pdf.startswith(b"%PDF") and 4 <= pdf.count(b"/Type /Page\n") <= 20
