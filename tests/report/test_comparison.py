"""Comparisons are fair: equally loud by another meter, below the ceiling, analysed once, and what they say they are."""

import re
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from premix.alignment.decide import decide_variant
from premix.analysis.scan import scan
from premix.gate.rooms import decide_gates
from premix.model.manifest import VariantEntry
from premix.model.mix import Matched, MatchedTake
from premix.model.song import Variant
from premix.pipeline import compare, prepare
from premix.recipe.resolve import variants_of
from tests.report.conftest import Compared, OnDisk
from tests.report.test_page_in_browser import _open, _play

FloatArray = npt.NDArray[np.float64]


def _ffmpeg_lufs(path: Path) -> float:
    """Integrated loudness by ffmpeg's own ebur128 filter."""
    meter = ["-af", "ebur128=framelog=verbose", "-f", "null", "-"]
    command = ["ffmpeg", "-nostdin", "-nostats", "-hide_banner", "-i", str(path), *meter]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    found = re.findall(r"I:\s+(-?[\d.]+) LUFS", said)
    return float(found[-1])


def _samples(compared: Compared, name: str) -> FloatArray:
    """A variant's file with its gain undone, (frames, 2)."""
    variant = next(v for v in compared.manifest.variants if v.variant == name)
    samples, _ = soundfile.read(compared.out / variant.path)
    return np.asarray(samples / 10.0 ** (variant.gain_db / 20.0))


@pytest.mark.tools("ffmpeg")
def test_every_variant_is_equally_loud(compared: Compared) -> None:
    """Within 0.1 LU by ffmpeg, which reports tenths: all read the same tenth or its neighbour."""
    found = [_ffmpeg_lufs(compared.out / v.path) for v in compared.manifest.variants]
    assert len(found) == 10
    assert max(found) - min(found) <= 0.1 + 1e-9
    assert abs(found[0] - (compared.manifest.matched_lufs or 0.0)) <= 0.1


def test_nothing_but_a_room_alone_is_brought_up_or_over_the_ceiling(compared: Compared) -> None:
    """The softest stays at 0 dB, where its peaks allow; the room alone comes up to it."""
    gains = {v.variant: v.gain_db for v in compared.manifest.variants}
    room = gains.pop("only_room")
    assert max(gains.values()) == 0.0 and min(gains.values()) < -3.0 < 0.0 < room
    assert all((v.true_peak_dbtp or 0.0) <= -1.0 for v in compared.manifest.variants)


def test_a_room_alone_takes_no_other_variant_down(rendered: OnDisk, tmp_path: Path) -> None:
    """A room 40 dB down: the level is that of the softest other variant, and the room comes as near as its own peaks
    allow."""
    settings = ["mics.room.gain_db=-40", "deliver.ceiling_dbtp=-20"]
    document = compare(
        rendered.recipe, rendered.tracks, tmp_path / "out", by_mics=True, settings=settings, report=False
    )
    variants = {v.variant: v for v in document.variants}
    room = variants.pop("only_room")
    level = min((v.loudness_before_lufs or 0.0) + min(0.0, _headroom_db(v)) for v in variants.values())
    assert document.matched_lufs == pytest.approx(level, abs=0.01)
    assert (room.loudness_before_lufs or 0.0) < level - 10.0
    assert room.gain_db == pytest.approx(min(level - (room.loudness_before_lufs or 0.0), _headroom_db(room)), abs=0.01)
    assert [f.slug for f in document.findings if f.slug == "comparison-softer"] == []


def test_what_its_peaks_keep_down_is_told(rendered: OnDisk) -> None:
    """A room of -40 LUFS that may be turned up by 10 dB, beside others of -20: 10 dB softer, by hand."""
    file = rendered.run.rendering.files[0]
    takes = tuple(
        MatchedTake(Variant(name, {}, frozenset(), rendered.run.song), file, gain_db, before)
        for name, gain_db, before in (("recipe", -2.0, -18.0), ("only_room", 10.0, -40.0))
    )
    (told,) = Matched(takes, -20.0).findings()
    assert (told.slug, told.subject) == ("comparison-softer", "variant only_room")
    assert told.message.startswith("10.0 dB softer than the others") and "page" in told.hint


def _headroom_db(variant: VariantEntry) -> float:
    """From the peak before its gain to the ceiling of -20 dBTP."""
    return -20.0 - 0.005 - ((variant.true_peak_dbtp or 0.0) - variant.gain_db)


@pytest.mark.parametrize("by_mics", [False, True])
def test_variants_may_be_called_what_they_like(rendered: OnDisk, browser: Any, tmp_path: Path, by_mics: bool) -> None:
    """Names that the page, its script or the browser use themselves: every version plays, and goes by its own name."""
    names = (
        *("recipe", "listen", "variants", "tone", "told", "player", "content", "caution", "position", "what", "l"),
        *("l_l", "constructor", "toString", "undefined", "0", "picture-tone", "clip-l"),
    )
    settings = [f"variants.{name}={{width: 0.{n + 1:02d}}}" for n, name in enumerate(names)] if not by_mics else []
    document = compare(rendered.recipe, rendered.tracks, tmp_path / "out", by_mics=by_mics, settings=settings)
    (page,) = (tmp_path / "out").glob("*_comparison.html")
    _open(browser, page)
    ids = browser.execute_script("return [...document.querySelectorAll('[id]')].map((one) => one.id);")
    assert len(ids) == len(set(ids))
    labels = [label.text for label in browser.find_elements("css selector", "#versions label")]
    assert labels == [v.variant for v in document.variants]
    _play(browser)
    for number in range(len(labels)):
        browser.find_elements("css selector", "#versions input")[number].click()
        heard = browser.execute_script("return premix.player.state.sound.heard;")
        assert [level > 0 for level in heard] == [n == number for n in range(len(labels))]
    assert browser.get_log("browser") == []


def test_equal_loudness_says_when_it_changes_nothing(browser: Any, compared: Compared, rendered: OnDisk) -> None:
    """The variants' files are equally loud as they are; aligned and as recorded of one song are not."""
    words = "return document.getElementById('equal-text').textContent;"
    _open(browser, compared.page)
    assert browser.execute_script(words) == "Equal loudness (changes nothing: all are equally loud)"
    _open(browser, rendered.page)
    assert browser.execute_script(words) == "Equal loudness"


def test_the_ceiling_brings_all_down_together(rendered: OnDisk, tmp_path: Path) -> None:
    """Under a low ceiling the level is set by the highest peak, and all still have it."""
    document = compare(
        rendered.recipe, rendered.tracks, tmp_path / "out", settings=["deliver.ceiling_dbtp=-20"], report=False
    )
    peaks = [v.true_peak_dbtp or 0.0 for v in document.variants]
    assert -20.02 < max(peaks) <= -20.0
    assert len({round(v.loudness_lufs or 0.0, 6) for v in document.variants}) == 1


def test_leaving_out_and_alone_add_up(compared: Compared) -> None:
    """The mix is linear: a mic alone plus all others is the recipe's own mix, to the rounding of 24 bits."""
    whole = _samples(compared, "recipe")
    for mic in ("dynamic", "condenser", "sub", "room"):
        rest = whole - _samples(compared, f"only_{mic}") - _samples(compared, f"without_{mic}")
        # three files, half a step of 2^-23 each, undone gains of up to 25 dB
        assert np.abs(rest).max() < 3 * 0.5 * 2.0**-23 * 18


def test_as_recorded_is_neither_turned_nor_moved(rendered: OnDisk, compared: Compared) -> None:
    """Left minus right, which the centre is not in, is 1.2 (the width) times the plain sum of the left tracks minus
    that of the right ones."""

    def tracks(performance: str) -> FloatArray:
        total = np.zeros(0)
        for mic, gain_db in (("dynamic", 0.0), ("condenser", -3.0)):
            samples, _ = soundfile.read(rendered.tracks / f"{performance}_{mic}.wav")
            total = samples * 10.0 ** (gain_db / 20.0) + (total if total.size else 0.0)
        return total

    wanted = 1.2 * (tracks("left") - tracks("right") * 10.0 ** (-1.0 / 20.0))
    found = _samples(compared, "as_recorded")
    room = _samples(compared, "only_room")
    side = (found[:, 0] - found[:, 1]) - (room[:, 0] - room[:, 1])
    # what is left is the sub mic, low-passed at 180 Hz: nothing of it is above 2 kHz
    spectrum = np.abs(np.fft.rfft(side - wanted))[10_000:]
    assert spectrum.max() < 1e-3 * np.abs(np.fft.rfft(wanted))[10_000:].max()


def test_the_analysis_is_done_once(rendered: OnDisk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many variants there are, the tracks are scanned one time."""
    calls: list[int] = []

    def counted(*args: Any, **more: Any) -> Any:
        calls.append(1)
        return scan(*args, **more)

    monkeypatch.setattr("premix.analysis.passes.scan", counted)
    compare(rendered.recipe, rendered.tracks, tmp_path / "out", report=False)
    assert calls == [1]


def test_variants_keep_the_alignment(rendered: OnDisk) -> None:
    """A mic alone stays where it was put; only a variant that states polarity or delay moves that mic."""
    with prepare(rendered.recipe, rendered.tracks) as prepared:
        named = {v.name: v for v in variants_of(prepared.merged, by_mics=True)}
        song = decide_gates(prepared.song)
        alone = decide_variant(song, named["only_condenser"])
        recorded = decide_variant(song, named["as_recorded"])
    for own, mic in zip(song.mics, alone.mics, strict=True):
        before, after = own.decision, mic.decision
        assert (after.delay_samples, after.polarity) == (before.delay_samples, before.polarity)
        assert after.summed == (mic.name == "condenser")
    decisions = [mic.decision for mic in recorded.mics]
    assert all((d.delay_samples, d.polarity, d.summed) == (0.0, 1, True) for d in decisions)


def test_a_silent_variant_is_told_and_not_matched(rendered: OnDisk, tmp_path: Path) -> None:
    """All performances muted: no loudness, a finding, and the others keep their level."""
    every = "{" + ", ".join(f"{name}: {{mute: true}}" for name in ("left", "right", "centre")) + "}"
    document = compare(
        rendered.recipe, rendered.tracks, tmp_path / "out", settings=[f"variants.nothing={{performances: {every}}}"]
    )
    silent = next(v for v in document.variants if v.variant == "nothing")
    assert (silent.loudness_lufs, silent.gain_db) == (None, 0.0)
    assert [f.subject for f in document.findings if f.slug == "comparison-silent"] == ["variant nothing"]
    assert (document.matched_lufs or -99.0) > -40.0
    assert len(list((tmp_path / "out").glob("*_comparison.html"))) == 1


def test_dither_depends_on_the_tracks_and_on_the_variant(rendered: OnDisk, tmp_path: Path) -> None:
    """A recipe with a word changed that moves no sample gives the same samples; two equal variants differ in dither."""
    twins = ["deliver.bits=16", "variants.a={mics: {room: {mute: true}}}", "variants.b={mics: {room: {mute: true}}}"]
    first, again = (
        compare(rendered.recipe, rendered.tracks, tmp_path / name, settings=[*twins, *more], report=False)
        for name, more in (("first", []), ("again", ["limits.mono_fold_db=-50"]))
    )
    assert first.recipe.sha256 != again.recipe.sha256
    hashes = {v.variant: v.sha256 for v in first.variants}
    assert hashes == {v.variant: v.sha256 for v in again.variants}
    assert hashes["a"] != hashes["b"]


def test_the_page_offers_every_variant(compared: Compared) -> None:
    """In the order of the manifest."""
    text = compared.page.read_text("utf-8")
    rows = re.findall(r'<tr><th scope="row">(\w+)</th>\s*<td class="text">', text)
    assert rows == [v.variant for v in compared.manifest.variants]
