"""One rendered song, one comparison and one browser for all tests of the page."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from premix.model.manifest import ComparisonManifest, Manifest
from premix.model.mix import Rendered
from premix.model.song import Mic
from premix.pipeline import compare, render
from premix.report.page import write_report
from tests.report.songs import HOSTILE_NAME, TROUBLE, page_recipe, write_song, write_trouble
from tests.rigs.sessions import write_recipe


@dataclass(frozen=True)
class OnDisk:
    """A finished run on disk, with its page."""

    run: Rendered
    manifest: Manifest
    recipe: Path
    tracks: Path
    out: Path
    page: Path


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> OnDisk:
    """The test song, rendered with its page."""
    folder = tmp_path_factory.mktemp("song")
    tracks, out = folder / "tracks", folder / "out"
    write_song(tracks)
    recipe = page_recipe(folder)
    with pytest.MonkeyPatch.context() as patch:  # the key envelopes stay, so that tests can go on with the run
        (folder / "scratch").mkdir()
        patch.setattr("premix.pipeline.scratch_folder", lambda: nullcontext(folder / "scratch"))
        outcome = render(recipe, tracks, out, report=True)
    (page,) = out.glob("*_report.html")
    return OnDisk(outcome.rendered, outcome.manifest, recipe, tracks, out, page)


def without_riffs(run: Rendered) -> Rendered:
    """The run, had no performance ever played."""
    song = run.song
    silent = tuple(replace(p, riff=replace(p.riff, spans=())) for p in song.performances)
    return replace(run, song=replace(song, performances=silent))


def cut_short(rendered: OnDisk, song: str) -> tuple[Rendered, Manifest]:
    """The run and manifest under another name, and quicker to draw: no riffs and no room mics in the mix."""

    def unheard(mic: Mic) -> Mic:
        return replace(mic, decision=replace(mic.decision, summed=False)) if mic.is_room else mic

    run = without_riffs(rendered.run)
    bare = tuple(replace(plan, rooms=()) for plan in run.plan.performances)
    run = replace(run, song=run.song.with_mics(unheard), plan=replace(run.plan, performances=bare))
    return replace(run, song=replace(run.song, name=song)), replace(rendered.manifest, song=song)


@pytest.fixture(scope="session")
def hostile_page(rendered: OnDisk, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of a song whose name is an attack, with hardly any room for clips."""
    path = tmp_path_factory.mktemp("hostile") / "page.html"
    return write_report(*cut_short(rendered, HOSTILE_NAME), path, most_bytes=1_900_000).path


@pytest.fixture(scope="session")
def troubled(tmp_path_factory: pytest.TempPathFactory) -> OnDisk:
    """A song with trouble, rendered with its page."""
    folder = tmp_path_factory.mktemp("trouble")
    tracks, out = folder / "tracks", folder / "out"
    write_trouble(tracks)
    recipe = write_recipe(folder, TROUBLE)
    outcome = render(recipe, tracks, out, report=True)
    (page,) = out.glob("*_report.html")
    return OnDisk(outcome.rendered, outcome.manifest, recipe, tracks, out, page)


@dataclass(frozen=True)
class Compared:
    """A comparison on disk."""

    manifest: ComparisonManifest
    out: Path
    page: Path


@pytest.fixture(scope="session")
def compared(rendered: OnDisk, tmp_path_factory: pytest.TempPathFactory) -> Compared:
    """The mics of the test song, varied."""
    out = tmp_path_factory.mktemp("comparison") / "out"
    manifest = compare(rendered.recipe, rendered.tracks, out, by_mics=True)
    (page,) = out.glob("*_comparison.html")
    return Compared(manifest, out, page)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium without a window, with a profile of its own; it logs its console and every request."""
    from selenium.webdriver import Chrome
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    assert program and driver, "the tests of the page need Debian's packages chromium and chromium-driver"
    profile = tempfile.mkdtemp(prefix="premix-browser-")
    options = Options()
    options.binary_location = program
    for argument in (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--autoplay-policy=user-gesture-required",
        f"--user-data-dir={profile}",
        "about:blank",  # not the page of shortcuts that a browser opens with, which asks for things of its own
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    chrome = Chrome(options=options, service=Service(driver))
    try:
        yield chrome
    finally:
        chrome.quit()
        shutil.rmtree(profile, ignore_errors=True)
