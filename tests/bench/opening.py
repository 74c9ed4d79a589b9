"""How long a page takes to open, in Chromium without a window, a new one each time."""

import shutil
import tempfile
from pathlib import Path
from statistics import median

_WATCH = """addEventListener("load", () => requestAnimationFrame(() => setTimeout(() => {
  window.opened = performance.now();
})));"""
"""When the first frame after the load event is drawn: what is asked of the page from then on is answered at once."""
_SAY = """const done = arguments[0];
const say = () => {
  if (!window.opened) { setTimeout(say, 10); return; }
  const [load] = performance.getEntriesByType("navigation");
  const paint = performance.getEntriesByType("paint").find(({ name }) => name === "first-contentful-paint");
  done([paint.startTime, load.loadEventEnd, window.opened]);
};
say();"""
_FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")


def opening_s(page: Path, runs: int = 5) -> dict[str, float]:
    """Seconds from the begin of the navigation to the first contents on the screen, to the end of the load event, and
    to the first frame after it; medians. Empty where there is no Chromium with its driver."""
    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if program is None or driver is None:
        return {}
    times = [_once(page, program, driver) for _ in range(runs)]
    return {name: median(row[name] for row in times) for name in times[0]}


def _once(page: Path, program: str, driver: str) -> dict[str, float]:
    from selenium.webdriver import Chrome
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory(prefix="premix-browser-", ignore_cleanup_errors=True) as profile:
        options = Options()
        options.binary_location = program
        for flag in (*_FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        chrome = Chrome(options=options, service=Service(driver))
        try:
            chrome.set_window_size(1200, 900)
            chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": _WATCH})
            chrome.get(page.as_uri())
            told = chrome.execute_async_script(_SAY)
        finally:
            chrome.quit()
    return dict(zip(("first_contents_s", "load_s", "usable_s"), (round(ms / 1000.0, 3) for ms in told), strict=True))
