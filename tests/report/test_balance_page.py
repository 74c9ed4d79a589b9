"""The page of a balance in a real browser: what is heard, seen and written down is what a render makes."""

import base64
import json
import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.balancing import balance_page
from premix.errors import DeliveryError, RecipeError
from premix.measures.loudness import LoudnessMeter
from premix.pipeline import render
from tests.outside_tools import AXE_CORE
from tests.report.conftest import OnDisk
from tests.report.songs import RATE
from tests.report.test_page_in_browser import _focused, _open, _press, _violations, _wait
from tests.rigs.sessions import FloatArray, read

NULL_DBFS = -80.0
"""16 bits of a dozen clips, and Chromium's 1/32767 for positive samples, stay below this."""
BASE = """\
format: 1
extends: {recipe}
mics: {{sub: {{mute: true}}}}
performances: {{left: {{mics: {{condenser: {{gain_db: -5}}}}}}}}
"""
"""One mic off, and one exception, so that they can be turned on and moved."""


@dataclass(frozen=True)
class Balanced:
    """The page of the test song, and where its lines can be saved."""

    page: Path
    recipe: Path
    tracks: Path

    def layer(self, text: str, name: str) -> Path:
        path = self.recipe.parent / f"{name}.yaml"
        path.write_text(text, "utf-8")
        return path


@pytest.fixture(scope="module")
def balanced(rendered: OnDisk, tmp_path_factory: pytest.TempPathFactory) -> Balanced:
    page = tmp_path_factory.mktemp("balance") / "balance.html"
    base = rendered.recipe.with_name("base.yaml")
    base.write_text(BASE.format(recipe=rendered.recipe.name), "utf-8")
    _, written = balance_page(base, rendered.tracks, page)
    assert written == page
    return Balanced(page, base, rendered.tracks)


def _set(browser: Any, kind: str, name: str, control: str, value: str | None = None) -> None:
    """Type into the level of a row, or press one of its boxes, with the keyboard."""
    from selenium.webdriver.common.keys import Keys

    box = browser.find_element("css selector", f'tr[data-kind="{kind}"][data-name="{name}"] .{control}')
    browser.execute_script("arguments[0].focus();", box)
    if value is None:
        _press(browser, Keys.SPACE)
    else:
        box.send_keys(Keys.CONTROL, "a")
        box.send_keys(value, Keys.TAB)


def _set_much(browser: Any) -> None:
    """Levels up and down, one mic on that the recipe mutes, one off, rooms and centre, another width."""
    from selenium.webdriver.common.keys import Keys

    _set(browser, "mics", "condenser", "level", "-7.5")
    _set(browser, "mics", "sub", "on")
    _set(browser, "mics", "sub", "level", "-2")
    _set(browser, "performances", "right", "level", "-4")
    _set(browser, "rooms", "rooms", "level", "4.5")
    _set(browser, "centre", "centre", "level", "-6")
    width = browser.find_element("id", "width")
    width.send_keys(Keys.CONTROL, "a")
    width.send_keys("0.7", Keys.TAB)


def _heard(browser: Any) -> FloatArray:
    """(2, n) what the page plays of its first passage at true level, rendered offline."""
    browser.execute_script("if (document.getElementById('equal').checked) document.getElementById('equal').click();")
    text = browser.execute_async_script(
        """
        const done = arguments[0];
        const {base, balance} = premix;
        const frames = Math.round(base.passages[0].seconds * base.clip_rate);
        const context = new OfflineAudioContext(2, frames, base.clip_rate);
        Promise.all(base.signals.map((signal) => context.decodeAudioData(premix.bytesOf(document.getElementById(
          `clip-${base.passages[0].clips[signal.clip].name}`).textContent.trim())))).then((buffers) => {
          const sound = premix.buildBalance(context, base.signals, buffers, false, context.destination);
          premix.setBalance(sound, balance.gains(), balance.scalesOf(0), balance.level(), 0, 0);
          sound.ears.forEach(({source}) => source.start(0));
          return context.startRendering();
        }).then((out) => {
          const bytes = new Uint8Array(8 * frames);
          [0, 1].forEach((ear) => bytes.set(new Uint8Array(out.getChannelData(ear).slice().buffer), 4 * frames * ear));
          let text = '';
          for (let at = 0; at < bytes.length; at += 32768) {
            text += String.fromCharCode(...bytes.subarray(at, at + 32768));
          }
          done(btoa(text));
        });
        """
    )
    samples = np.frombuffer(base64.b64decode(text), "<f4").astype(np.float64)
    return samples.reshape(2, -1)


def _delivered(balanced: Balanced, recipe: Path, name: str, sheet: str) -> FloatArray:
    """(2, n) the guitar bus that a render of a layer makes, without the common trim."""
    alignment = recipe.with_name(f"{name}-alignment.yaml")
    alignment.write_text(sheet, "utf-8")
    out = recipe.with_name(f"{name}-out")
    outcome = render(recipe, balanced.tracks, out, settings=("deliver.bits=32",), sheet=alignment)
    (guitars,) = (file for file in outcome.manifest.files if file.part == "guitars")
    untrimmed: FloatArray = read(out / guitars.path) * 10.0 ** (-outcome.manifest.trim_db / 20.0)
    return untrimmed


def _base(browser: Any) -> dict[str, Any]:
    found: dict[str, Any] = browser.execute_script("return premix.base;")
    return found


def _lines(browser: Any) -> str:
    return str(browser.execute_script("return document.getElementById('layer').value;"))


def _stretch(browser: Any, samples: FloatArray) -> FloatArray:
    passage = _base(browser)["passages"][0]
    start = round(passage["start"] * RATE)
    return samples[:, start : start + round(passage["seconds"] * RATE)]


def _rms_db(samples: FloatArray) -> float:
    return 10.0 * float(np.log10(np.mean(samples**2)))


def test_what_is_heard_nulls_against_a_render_of_the_lines(browser: Any, balanced: Balanced) -> None:
    """The copied lines on top of the recipe, with the alignment of the page: the same sound to the clips' 16 bits."""
    _open(browser, balanced.page)
    _set_much(browser)
    heard = _heard(browser)
    lines = _lines(browser)
    wanted = _delivered(balanced, balanced.layer(lines, "set"), "set", _base(browser)["sheet"])
    wanted = _stretch(browser, wanted)
    assert _rms_db(wanted) > -40.0
    assert _rms_db(heard - wanted) < NULL_DBFS
    assert "left: {mics: {condenser: {gain_db: -9.5}}}" in lines  # the exception goes with its mic
    assert "sub: {gain_db: -2, mute: false}" in lines
    assert "room: {gain_db: -5.5}" in lines
    assert "guitar_bus: {width: 0.7}" in lines
    _figures_hold(browser, wanted)


def _figures_hold(browser: Any, wanted: FloatArray) -> None:
    """0.05 dB a third octave and 0.011 LU; by the meter of the render, and by the Fourier transform of the stretch."""
    told = browser.execute_script(
        """
        const own = premix.balance.figures[0];
        const gains = premix.balance.gains();
        return {curve: own.curve(gains), loudness: own.loudness(gains), centres: own.centres, ...own.stereo(gains)};
        """
    )
    meter = LoudnessMeter(RATE, 2)
    meter.feed(wanted)
    assert told["loudness"] == pytest.approx(meter.values()["loudness_lufs"], abs=0.011)
    left, right = wanted
    rho = float(left @ right / np.sqrt((left @ left) * (right @ right)))
    fold_db = 10.0 * np.log10(np.sum((0.5 * (left + right)) ** 2) / (0.5 * np.sum(wanted**2)))
    assert told["correlation"] == pytest.approx(rho, abs=1e-3)
    assert told["fold"] == pytest.approx(fold_db, abs=0.01)
    power = (np.abs(np.fft.rfft(wanted, axis=1)) ** 2).sum(axis=0)
    freqs_hz = np.fft.rfftfreq(wanted.shape[1], 1.0 / RATE)
    bands = np.array(told["centres"])
    edges = [np.searchsorted(freqs_hz, bands * 10.0 ** (side * 0.05)) for side in (-1, 1)]
    found_db = [10.0 * np.log10(power[low:high].sum()) for low, high in zip(*edges, strict=True)]
    shift = np.array(told["curve"]) - found_db
    heard = np.array(told["curve"]) > max(told["curve"]) - 40.0
    assert np.abs(shift - np.median(shift))[heard].max() < 0.05


def test_a_stretch_that_is_asked_for_is_the_only_passage(rendered: OnDisk, tmp_path: Path) -> None:
    """And one that is none is refused before a page is there; so is a place where something else lies."""
    page = tmp_path / "page.html"
    balance_page(rendered.recipe, rendered.tracks, page, span_s=(1.0, 2.5))
    (text,) = re.findall(r'id="balance">(.*)</script>', page.read_text("utf-8"))
    (passage,) = json.loads(text)["passages"]
    assert (passage["start"], passage["seconds"]) == (1.0, 1.5)
    balance_page(rendered.recipe, rendered.tracks, tmp_path, span_s=(1.0, 2.0))
    assert len(list(tmp_path.glob("*_balance.html"))) == 1
    for span_s in ((2.0, 1.0), (-1.0, 2.0), (1.0, 99.0)):
        with pytest.raises(RecipeError, match="is no stretch of this song"):
            balance_page(rendered.recipe, rendered.tracks, tmp_path / "none.html", span_s=span_s)
    assert not (tmp_path / "none.html").exists()
    (tmp_path / "other.html").write_text("<p>mine</p>")
    with pytest.raises(DeliveryError, match="something else is there"):
        balance_page(rendered.recipe, rendered.tracks, tmp_path / "other.html")
    assert (tmp_path / "other.html").read_text() == "<p>mine</p>"
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith(".")) == []


def test_chains_behind_the_mics_and_a_width_limit_are_said(rendered: OnDisk, tmp_path: Path) -> None:
    """What the page cannot play is told on it; a width that a limit gives is fixed once anything is changed."""
    settings = ("buses.left.chain=[polarity]", "guitar_bus.width={mono_fold_db: -2}")
    song, page = balance_page(rendered.recipe, rendered.tracks, tmp_path / "page.html", settings=settings)
    text = page.read_text("utf-8")
    assert "The chains of performances, buses and guitar bus are not heard here" in text
    (data,) = re.findall(r'id="balance">(.*)</script>', text)
    assert json.loads(data)["limited"] is True
    (told,) = [f for f in song.findings if f.slug == "width-kept"]
    assert told.message.startswith(f"{json.loads(data)['width']:.4f} ")


def test_nothing_set_gives_no_lines_and_the_recipes_own_sound(browser: Any, balanced: Balanced) -> None:
    _open(browser, balanced.page)
    assert _lines(browser).splitlines() == [
        "# premix balance: set by ear",
        "format: 1",
        f"extends: {json.dumps(balanced.recipe.name)}",
    ]
    layer = balanced.layer(_lines(browser), "nothing")
    wanted = _stretch(browser, _delivered(balanced, layer, "nothing", _base(browser)["sheet"]))
    assert _rms_db(_heard(browser) - wanted) < NULL_DBFS
    _figures_hold(browser, wanted)


def test_alone_and_turned_over_are_heard_and_not_written(browser: Any, balanced: Balanced) -> None:
    _open(browser, balanced.page)
    before = _lines(browser)
    gains = browser.execute_script("return [...premix.balance.gains().left];")
    signals = _base(browser)["signals"]
    _set(browser, "mics", "dynamic", "alone")
    _set(browser, "performances", "left", "alone")
    alone = browser.execute_script("return [...premix.balance.gains().left];")
    for signal, own, was in zip(signals, alone, gains, strict=True):
        assert own == (was if signal["mic"] == "dynamic" and signal["performance"] == "left" else 0.0)
    _set(browser, "mics", "dynamic", "over")
    over = browser.execute_script("return [...premix.balance.gains().left];")
    assert over == [-value if value else 0.0 for value in alone]
    assert _lines(browser) == before


def test_what_cannot_be_rendered_is_said(browser: Any, balanced: Balanced) -> None:
    _open(browser, balanced.page)
    for mic in ("dynamic", "condenser"):
        _set(browser, "mics", mic, "on")
    assert "needs a close mic" in browser.find_element("id", "cannot").text
    for performance in ("left", "right", "centre"):
        _set(browser, "performances", performance, "on")
    assert "Nothing is on" in browser.find_element("id", "cannot").text


def test_two_places_are_kept_and_compared_blind(browser: Any, balanced: Balanced) -> None:
    """Both at the loudness of the recipe; which is which is told after the vote."""
    _open(browser, balanced.page)
    browser.find_element("id", "keep-first").click()
    _set(browser, "mics", "condenser", "level", "3")
    browser.find_element("id", "keep-second").click()
    browser.find_element("id", "blind").click()
    assert not browser.find_element("id", "seen").is_displayed()
    levels = []
    for number in (0, 1):
        browser.find_element("css selector", f'[name=number][value="{number}"]').click()
        levels.append(
            browser.execute_script(
                "const {figures, gains, level} = premix.balance;"
                "return figures[0].loudness(gains()) + 20 * Math.log10(level());"
            )
        )
    assert levels[0] == pytest.approx(levels[1], abs=1e-6)
    order = browser.execute_script("return premix.balance.now.blind.order;")
    browser.find_element("id", "vote").click()
    told = browser.find_element("id", "told").text
    assert told == f"You chose the {order[1]}: number 1 was the {order[0]}, number 2 the {order[1]}."
    assert browser.find_element("id", "seen").is_displayed()
    browser.find_element("css selector", '[name=place][value="first"]').click()
    browser.find_element("id", "take").click()
    assert "condenser" not in _lines(browser)


@pytest.mark.tools("axe-core")
@pytest.mark.parametrize(("width", "dark"), [(1200, False), (400, True)], ids=["wide-light", "narrow-dark"])
def test_everyone_can_use_it(browser: Any, balanced: Balanced, width: int, dark: bool) -> None:
    """No violation of WCAG 2.2 AA or axe's best practices; nothing scrolls sideways; nothing is asked of a network."""
    _open(browser, balanced.page, width=width, dark=dark)
    assert browser.execute_script("return document.documentElement.scrollWidth;") <= width
    browser.execute_script(AXE_CORE.read_text("utf-8"))
    assert _violations(browser) == []
    browser.find_element("id", "play").click()
    assert browser.execute_script("return document.getElementById('caution').open;")
    assert _violations(browser) == []
    browser.find_element("id", "caution-cancel").click()
    assert browser.get_log("browser") == []


def test_the_keyboard_reaches_everything(browser: Any, balanced: Balanced, tmp_path: Path) -> None:
    """Every control that is not off takes its turn with Tab (of radio buttons one); play and save without a mouse."""
    from selenium.webdriver.common.keys import Keys

    _open(browser, balanced.page)
    wanted = browser.execute_script(
        "return [...document.querySelectorAll('main button, main input, main textarea')].filter((e) => !e.disabled"
        " && e.offsetParent !== null && (e.type !== 'radio' || e.checked))"
        ".map((e) => e.id || (e.name && e.name + e.value) || e.getAttribute('aria-label'));"
    )
    seen = []
    for _ in range(3 * len(wanted)):
        _press(browser, Keys.TAB)
        seen.append(_focused(browser))
        if seen[-1] == wanted[-1]:
            break
    assert [name for name in wanted if name not in seen] == []
    assert len(wanted) > 40
    browser.execute_script("document.getElementById('play').focus();")
    _press(browser, Keys.ENTER)
    _press(browser, Keys.ENTER)  # the caution's first button has the focus
    _wait(browser, "premix.balance.now.sound !== null")
    browser.execute_script("document.querySelector('[name=place]:checked').focus();")
    browser.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)})
    _set(browser, "mics", "dynamic", "level", "-1")
    for button, name in (("save", "balance.yaml"), ("save-sheet", "alignment.yaml")):
        browser.execute_script("document.getElementById(arguments[0]).focus();", button)
        _press(browser, Keys.SPACE)
        end = time.monotonic() + 20.0
        while not (tmp_path / name).exists():
            assert time.monotonic() < end, f"{name} was not saved"
            time.sleep(0.05)
    assert "dynamic: {gain_db: -1}" in (tmp_path / "balance.yaml").read_text("utf-8")
    assert (tmp_path / "alignment.yaml").read_text("utf-8").startswith("# premix alignment sheet")
    _press(browser, Keys.TAB)
    browser.execute_script("document.getElementById('play').focus();")
    _press(browser, Keys.ENTER)
    _wait(browser, "premix.balance.now.sound === null")
