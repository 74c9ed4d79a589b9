"""Songs that are really rendered: the same files in every engine, skipped when unchanged, matched in loudness."""

import json
import os
import re
import shutil
import signal
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.batch import engines, outputs
from premix.batch import work as unchanged_module
from premix.batch.order import Batch, run_batch
from premix.batch.summary import write_summary
from premix.batch.work import RenderOptions, finished_manifest, unchanged
from premix.delivery.verify import Verified, verify
from premix.errors import RecipeError
from premix.messages import REMEDIES
from premix.pipeline import load, prepare, render, save_sheet
from premix.processors import plug_in_process
from tests.batch.conftest import MakeSongs
from tests.batch.sessions import house_recipe
from tests.processors.conftest import STAND_IN

LEFT_ONLY = ("performances.right_a=null",)
LEFT = RenderOptions(LEFT_ONLY)
"""Half the work, where one performance shows the same."""


@pytest.fixture
def in_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Songs in a thread of this process: another Executor, and no process to start."""
    monkeypatch.setattr(engines, "processes", lambda go, workers: ThreadPoolExecutor(1))


def statuses(batch: Batch) -> list[str]:
    return [result.status for result in batch.results]


def loudness(out: Path) -> dict[str, float]:
    """Song -> loudness of its guitar bus, by its manifest."""
    found = {}
    for path in out.glob("*/manifest.json"):
        files = json.loads(path.read_text("utf-8"))["files"]
        found[path.parent.name] = next(f["loudness_lufs"] for f in files if f["part"] == "guitars")
    return found


def contents(folder: Path) -> dict[str, object]:
    """Every file's bytes by its path; the manifest as data, its figures to 12 digits; of what is kept of the comparison
    of the mics, single floats from matrix products, its length."""
    found: dict[str, object] = {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }
    text = (folder / "manifest.json").read_text("utf-8")
    found[".kept/compared"] = (folder / ".kept" / "compared").stat().st_size
    for name, sums in found.items():
        if name.endswith(".sha256") and isinstance(sums, bytes):
            found[name] = [line for line in sums.splitlines() if not line.endswith(b"  manifest.json")]
    return {**found, "manifest.json": json.loads(text, parse_float=lambda digits: f"{float(digits):.11e}")}


def test_every_engine_and_job_count_gives_the_files_of_a_single_render(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Byte for byte: one process, two, a cluster of our own, and `render` itself.

    The manifest says the same to 12 digits: the last ones of a measure depend on where its arrays lie in memory.
    """
    recipe, songs = house_recipe(tmp_path), make_songs("a", "b")
    render(recipe, Path(songs[0]), tmp_path / "single", settings=LEFT_ONLY)
    expected = contents(tmp_path / "single")
    for name, jobs, scheduler in (("two", 2, None), ("one", 1, None), ("cluster", 1, "local")):
        batch = run_batch(recipe, songs[:jobs], tmp_path / name, options=LEFT, jobs=jobs, scheduler=scheduler)
        assert set(statuses(batch)) == {"rendered"}
        assert contents(tmp_path / name / "a") == expected, name


def test_an_unchanged_song_is_known_by_hashes(
    tmp_path: Path, make_songs: MakeSongs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Times say nothing; one sample, the recipe, a value by --set, premix, or a file that is gone say all."""
    recipe, song, out = house_recipe(tmp_path), Path(make_songs("a")[0]), tmp_path / "out" / "a"
    render(recipe, song, out, settings=LEFT_ONLY)
    manifest = finished_manifest(out)
    assert manifest is not None

    def same(*settings: str) -> bool:
        return unchanged(manifest, load(recipe, song, (*LEFT_ONLY, *settings))[1])

    os.utime(song / "left_a_sub.wav", (0, 0))
    assert same()
    assert not same("gate.hold_ms=41")
    assert not same("song=Other")
    (song / "song.yaml").write_text("mics: {sub: {gain_db: -7}}\n")
    assert not same()
    (song / "song.yaml").unlink()
    with monkeypatch.context() as patched:
        patched.setattr(unchanged_module, "__version__", "0.0.0")
        assert not same()
    samples, rate = soundfile.read(song / "left_a_sub.wav", dtype="int32")
    samples[len(samples) // 2] += 256  # one step of 24 bits
    soundfile.write(song / "left_a_sub.wav", samples, rate, subtype="PCM_24")
    assert not same()
    text = (out / "manifest.json").read_text("utf-8")
    for other in (text.replace("a_guitars.wav", "b.wav"), text.replace('"written"', '"listed"'), text[:-9], "{}"):
        (out / "manifest.json").write_text(other, "utf-8")
        assert finished_manifest(out) is None


def test_a_song_that_lost_its_last_optional_track_is_rendered_again(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Every track that is left is as it was; the one that is gone is still heard in what lies there."""
    recipe = house_recipe(tmp_path)
    recipe.write_text(recipe.read_text().replace("role: room,", "role: room, optional: true,"))
    song, out = Path(make_songs("a")[0]), tmp_path / "out" / "a"
    render(recipe, song, out, settings=LEFT_ONLY)
    manifest = finished_manifest(out)
    assert manifest is not None and manifest.inputs[-1].mic == "room"
    assert unchanged(manifest, load(recipe, song, LEFT_ONLY)[1])
    (song / "left_a_room.wav").unlink()
    less = load(recipe, song, LEFT_ONLY)[1]
    assert not unchanged(replace(manifest, roll_call=less.roll_call), less), "by its inputs alone"


def test_a_file_more_in_the_folder_is_in_the_roll_call(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Nothing is heard of it, yet the manifest of an earlier run would not name it: the song is rendered again."""
    recipe, song, out = house_recipe(tmp_path), Path(make_songs("a")[0]), tmp_path / "out" / "a"
    render(recipe, song, out, settings=LEFT_ONLY)
    manifest = finished_manifest(out)
    assert manifest is not None and unchanged(manifest, load(recipe, song, LEFT_ONLY)[1])
    (song / "left_a_dynamic copy.wav").write_bytes((song / "left_a_dynamic.wav").read_bytes())
    assert not unchanged(manifest, load(recipe, song, LEFT_ONLY)[1])


def test_a_file_that_a_chain_depends_on_belongs_to_what_is_unchanged(
    tmp_path: Path, make_songs: MakeSongs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An impulse response, a plug-in and its state: another content, under the same name, or none is a change."""
    monkeypatch.setattr(plug_in_process, "worker_module", lambda: STAND_IN)
    files = {"effect.vst3": b"stand-in", "effect.state": b"0.5"}
    for name, text in files.items():
        (tmp_path / name).write_bytes(text)
    soundfile.write(tmp_path / "cabinet.wav", [1.0, 0.5], 48_000, subtype="FLOAT")
    chain = "{convolution: {file: cabinet.wav}}, {plug_in: {file: effect.vst3, state: effect.state}}"
    recipe = house_recipe(tmp_path, f"guitar_bus: {{chain: [{chain}]}}\n")
    song, out = Path(make_songs("a")[0]), tmp_path / "out" / "a"
    render(recipe, song, out, settings=LEFT_ONLY)
    manifest = finished_manifest(out)
    assert manifest is not None
    _, loaded = load(recipe, song, LEFT_ONLY)
    assert unchanged(manifest, loaded)
    for name in ("cabinet.wav", *files):
        content = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(content + b" ")
        assert not unchanged(manifest, loaded), name
        (tmp_path / name).unlink()
        assert not unchanged(manifest, loaded), name
        (tmp_path / name).write_bytes(content)
    assert unchanged(manifest, loaded)


@pytest.mark.usefixtures("in_threads")
def test_a_finished_song_is_skipped_unless_forced(tmp_path: Path, make_songs: MakeSongs) -> None:
    """The second run writes nothing into the song's folder; the summary shows the figures all the same."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("a"), tmp_path / "out"
    [first] = run_batch(recipe, songs, out, options=LEFT).results
    stamp = (out / "a").stat().st_mtime_ns
    [second] = run_batch(recipe, songs, out, options=LEFT).results
    assert (first.status, second.status) == ("rendered", "unchanged")
    assert first.manifest == second.manifest and (out / "a").stat().st_mtime_ns == stamp
    assert statuses(run_batch(recipe, songs, out, options=replace(LEFT, force=True))) == ["rendered"]


@pytest.mark.usefixtures("in_threads")
def test_a_page_that_is_missing_is_made_once(tmp_path: Path, make_songs: MakeSongs) -> None:
    """A song without its page is rendered again when pages are wanted; the index leads to it."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("a"), tmp_path / "out"
    assert statuses(run_batch(recipe, songs, out, options=LEFT)) == ["rendered"]
    for status in ("rendered", "unchanged"):
        batch = run_batch(recipe, songs, out, options=replace(LEFT, report=True))
        assert statuses(batch) == [status]
    write_summary(batch, out)
    assert '<a href="a/a_report.html">a</a>' in (out / "index.html").read_text("utf-8")
    assert (out / "a" / "a_report.html").exists()


@pytest.mark.usefixtures("in_threads")
def test_sheets_decide_and_belong_to_what_is_unchanged(tmp_path: Path, make_songs: MakeSongs) -> None:
    """A song's own sheet is followed; another text of it, or none, renders again; where one is missing nothing is."""
    recipe, songs, out, sheets = house_recipe(tmp_path), make_songs("a"), tmp_path / "out", tmp_path / "sheets"
    sheets.mkdir()
    with prepare(recipe, Path(songs[0]), settings=LEFT_ONLY) as prepared:
        save_sheet(prepared.song, sheets / "a.yaml")
    for status in ("rendered", "unchanged"):
        assert statuses(run_batch(recipe, songs, out, options=LEFT, sheets=sheets)) == [status]
    decisions = json.loads((out / "a" / "manifest.json").read_text("utf-8"))["alignment"]
    assert {decision["origin"] for decision in decisions} == {"sheet"}
    text = (sheets / "a.yaml").read_text("utf-8")
    (sheets / "a.yaml").write_text(text.replace("polarity: inverted", "polarity: normal", 1), "utf-8")
    assert statuses(run_batch(recipe, songs, out, options=LEFT, sheets=sheets)) == ["rendered"]
    assert statuses(run_batch(recipe, songs, out, options=LEFT)) == ["rendered"]
    with pytest.raises(RecipeError) as caught:
        run_batch(recipe, songs, out, options=LEFT, sheets=tmp_path / "none")
    assert [problem.slug for problem in caught.value.problems] == ["batch-no-sheet"]


@pytest.mark.usefixtures("in_threads")
def test_matched_songs_are_equally_loud_and_stay_so(tmp_path: Path, make_songs: MakeSongs) -> None:
    """The louder song comes down to the softer one's 6 dB less; again is unchanged; without matching it comes back."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("loud", "soft"), tmp_path / "out"
    (tmp_path / "album" / "soft" / "song.yaml").write_text("guitar_bus: {gain_db: -6}\n")
    run_batch(recipe, songs, out, options=LEFT)
    before = loudness(out)
    batch = run_batch(recipe, songs, out, options=LEFT, match="loudness")
    assert statuses(batch) == ["rendered", "unchanged"]
    after = loudness(out)
    assert after["soft"] == before["soft"]
    assert after["loud"] == pytest.approx(after["soft"], abs=0.0051)  # trims are whole hundredths of a dB
    assert batch.matching is not None and batch.matching.target_lufs == before["soft"]
    assert statuses(run_batch(recipe, songs, out, options=LEFT, match="loudness")) == ["unchanged"] * 2
    assert statuses(run_batch(recipe, songs, out, options=LEFT)) == ["rendered", "unchanged"]
    assert loudness(out) == before


def test_an_extra_trim_leaves_the_ceiling_s_trim_as_it_was(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Every file is the same song, lower: both trims are in the manifest, and the levels agree with their sum."""
    recipe, song = house_recipe(tmp_path), Path(make_songs("a")[0])
    settings = (*LEFT_ONLY, "deliver.ceiling_dbtp=-12", "deliver.bits=32")
    plain = render(recipe, song, tmp_path / "plain", settings=settings).manifest
    lower = render(recipe, song, tmp_path / "lower", settings=settings, extra_trim_db=-2.5).manifest
    assert plain.trim_db < 0.0
    assert lower.extra_trim_db == -2.5
    assert lower.trim_db == plain.trim_db - 2.5
    one, _ = soundfile.read(tmp_path / "plain" / "a_guitars.wav")
    other, _ = soundfile.read(tmp_path / "lower" / "a_guitars.wav")
    gain = 10.0 ** (-2.5 / 20.0)
    assert np.max(np.abs(one * gain - other)) < 1e-7  # 32-bit floats: half a step at 0.25 is 1.5e-8


@pytest.mark.usefixtures("in_threads")
def test_a_mic_that_was_moved_between_songs_is_found(tmp_path: Path, make_songs: MakeSongs) -> None:
    """The second song's ribbon is read 30 samples later (21 cm) and upside down: both are told, by their numbers."""
    recipe, songs = house_recipe(tmp_path), make_songs("a", "b")
    track = Path(songs[1]) / "left_a_ribbon.wav"
    samples, rate = soundfile.read(track, dtype="int32")
    soundfile.write(track, -np.concatenate([samples[:30] * 0, samples[:-30]]), rate, subtype="PCM_24")
    batch = run_batch(recipe, songs, tmp_path / "out", options=LEFT, jobs=1)
    found = {(d.song, d.subject, d.slug) for d in batch.differences}
    assert found == {("b", "ribbon", "batch-mic-moved"), ("b", "ribbon", "batch-polarity-changed")}
    [moved] = [d for d in batch.differences if d.slug == "batch-mic-moved"]
    told = re.fullmatch(r"ribbon moved ([\d.]+) ± ([\d.]+) mm away from the speaker.*", moved.here)
    assert told is not None
    # 343.2 m/s at 20 degrees (ISO 9613-1:1993); the songs hold the same notes, so far less than the error is left.
    assert float(told[1]) == pytest.approx(30 / 48_000 * 343_200, abs=0.5)


def test_a_bug_in_one_song_is_kept_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An exception that is no user's error comes back as a bug with its traceback, and nothing is left in OUT."""
    from premix.batch import work
    from premix.batch.runner import Hub
    from premix.batch.work import SongJob

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("of all things")

    monkeypatch.setattr(work, "render", broken)
    with Hub(tmp_path / "out") as hub:
        asked = SongJob("a", house_recipe(tmp_path), tmp_path / "a", tmp_path / "out" / "a", hub.go)
        result = work.render_song(asked)
        stopped = work.render_song(replace(asked, go=tmp_path / "gone"))
    assert (result.status, result.problems[0].slug) == ("bug", "batch-bug")
    assert "ZeroDivisionError: of all things" in result.log
    assert stopped.status == "stopped"


def test_an_end_that_a_library_takes_for_its_own_fault_is_no_bug(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that is asked to end while a library calls back, as pydantic does, which wraps what comes up."""
    from premix.batch import work
    from premix.batch.runner import Hub
    from premix.batch.work import SongJob

    left: list[int] = []

    class LeftError(BaseException):
        """Stands for the end of the process."""

    def leave(code: int) -> None:
        left.append(code)
        raise LeftError

    def wrapped(job: SongJob) -> None:
        try:
            work.end_cleanly(signal.SIGTERM, None)
        except BaseException as error:
            raise ValueError("a schema that cannot be built") from error

    monkeypatch.setattr(signal, "signal", lambda number, handler: None)
    monkeypatch.setattr(os, "_exit", leave)
    monkeypatch.setattr(work, "_asked_to_end", [])
    monkeypatch.setattr(work, "_manifest_if_unchanged", wrapped)
    with Hub(tmp_path / "out") as hub, pytest.raises(LeftError):
        work.render_song(SongJob("a", house_recipe(tmp_path), tmp_path / "a", tmp_path / "out" / "a", hub.go))
    assert left == [128 + signal.SIGTERM]


def _cut_to_nothing(stem: Path) -> None:
    stem.write_bytes(b"")


def _other_audio(stem: Path) -> None:
    """Another take's samples in a file of the same size, with the times of the old one."""
    times = stem.stat()
    raw = bytearray(stem.read_bytes())
    raw[len(raw) // 2 : len(raw) // 2 + 300] = bytes(range(100)) * 3
    stem.write_bytes(raw)
    os.utime(stem, ns=(times.st_atime_ns, times.st_mtime_ns))


def _shorter_header(stem: Path) -> None:
    raw = bytearray(stem.read_bytes())
    at = raw.index(b"data") + 4
    raw[at : at + 4] = (int.from_bytes(raw[at : at + 4], "little") - 3000).to_bytes(4, "little")
    stem.write_bytes(raw)


@pytest.mark.usefixtures("in_threads")
@pytest.mark.parametrize("ruin", [_cut_to_nothing, _other_audio, _shorter_header])
def test_a_song_whose_files_were_ruined_is_rendered_again(
    tmp_path: Path, make_songs: MakeSongs, ruin: Callable[[Path], object]
) -> None:
    """Unchanged is only what is there as it was written; the file is named, and right again afterwards."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("a"), tmp_path / "out"
    assert statuses(run_batch(recipe, songs, out, options=LEFT)) == ["rendered"]
    stem = out / "a" / "stems" / "a_stem_left_a.wav"
    before = stem.read_bytes()
    ruin(stem)
    batch = run_batch(recipe, songs, out, options=LEFT)
    assert statuses(batch) == ["rendered"]
    (told,) = batch.results[0].problems
    assert told.slug == "batch-outputs-changed" and "stems/a_stem_left_a.wav" in told.what
    assert told.slug in REMEDIES
    assert stem.read_bytes() == before
    assert batch.exit == 0
    assert statuses(run_batch(recipe, songs, out, options=LEFT)) == ["unchanged"]


@pytest.mark.usefixtures("in_threads")
def test_samples_are_read_where_the_notes_do_not_vouch_for_a_file(
    tmp_path: Path, make_songs: MakeSongs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not while nothing was touched; after a touch, without notes, and with `verify`, whose findings count."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("a"), tmp_path / "out"
    run_batch(recipe, songs, out, options=LEFT)
    read: list[bool] = []
    real = verify

    def watched(folder: Path, *, samples: bool) -> Verified:
        read.append(samples)
        return real(folder, samples=samples)

    monkeypatch.setattr(outputs, "verify", watched)

    def again(options: RenderOptions = LEFT) -> bool:
        read.clear()
        assert statuses(run_batch(recipe, songs, out, options=options)) == ["unchanged"]
        (whole,) = read
        return whole

    assert not again()
    os.utime(out / "a" / "stems" / "a_stem_left_a.wav", (0, 0))
    assert again()
    assert not again()
    assert again(replace(LEFT, verify=True))
    shutil.rmtree(out / outputs.NOTES)
    assert again()
    (out / outputs.NOTES / "a.json").write_text("[" * 100_000)
    assert again()


@pytest.mark.usefixtures("in_threads")
def test_a_manifest_that_lacks_a_key_is_a_song_to_render_again(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Whichever key, or a value that makes no sense: never a bug; only what says whose the folder is must be there."""
    recipe, songs, out = house_recipe(tmp_path), make_songs("a"), tmp_path / "out"
    run_batch(recipe, songs, out, options=LEFT)
    path = out / "a" / "manifest.json"
    whole = json.loads(path.read_text("utf-8"))
    optional = {"sheet", "buses", "guitar_bus", "chain_files", "mono_without_centre", "onset_spread", "takes"}
    keys = [key for key in whole if key not in optional]
    assert len(keys) > 10
    for key in keys:
        path.write_text(json.dumps({k: v for k, v in whole.items() if k != key}), "utf-8")
        (result,) = run_batch(recipe, songs, out, options=LEFT).results
        if key in ("premix", "written", "song"):
            assert result.problems[0].slug in ("out-exists", "out-other-run"), key
            path.write_text(json.dumps(whole), "utf-8")
        else:
            assert result.status in ("rendered", "unchanged"), (key, result)
        assert "bug" not in result.verdict
