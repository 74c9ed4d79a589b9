"""The demo session as files: what is written, that it is the same every time, and what is refused."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.demo.line_ups import PERFORMANCES
from premix.demo.rig import MICS
from premix.demo.session import DemoTruth, FileFormat, perform_session, write_demo
from premix.errors import DeliveryError

DEMO_STEMS = Path(__file__).parents[2] / "demo_stems"


def test_the_committed_short_session_is_what_the_function_makes() -> None:
    """demo_stems: same samples but for one step, where another library may round the last bit otherwise."""
    truth = DemoTruth.from_json((DEMO_STEMS / "truth.json").read_text(encoding="utf-8"))
    assert (truth.rate, truth.bits, truth.seed) == (48000, 16, 1)
    seconds = truth.frames / truth.rate
    for take, recorded in perform_session(seconds, truth.rate, truth.seed):
        assert np.allclose(take.riff, truth.riff(take.performance), atol=1e-9)
        for mic, signal in recorded:
            track = truth.track(take.performance, mic.name)
            stored, rate = soundfile.read(DEMO_STEMS / track.path, dtype="int16")
            assert rate == truth.rate
            assert np.max(np.abs(np.rint(signal * 2.0**15) - stored)) <= 1.0, track.path


def test_the_committed_short_session_is_small_and_complete() -> None:
    """25 tracks, a truth and a README, in less than 8 MB."""
    names = {path.name for path in DEMO_STEMS.iterdir()}
    tracks = {f"{performance}_{mic.name}.flac" for performance in PERFORMANCES for mic in MICS}
    assert names == tracks | {"truth.json", "song.yaml", "README.txt"}
    assert sum(path.stat().st_size for path in DEMO_STEMS.iterdir()) < 8e6


def test_a_rerun_writes_the_same_bytes(tmp_path: Path) -> None:
    """Same settings, same machine: every file is equal byte for byte."""
    for name in ("one", "two"):
        write_demo(tmp_path / name, seconds=3.0, performances=("left_a", "centre"))
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_a_performance_does_not_depend_on_which_others_are_made() -> None:
    """right_a alone is right_a of the whole session, and another seed is another take."""
    alone = next(iter(perform_session(3.0, 48000, 1, ("right_a",))))[1][0][1]
    *_, last = perform_session(3.0, 48000, 1, ("left_a", "right_a"))
    other = next(iter(perform_session(3.0, 48000, 2, ("right_a",))))[1][0][1]
    assert np.array_equal(alone, last[1][0][1])
    assert not np.allclose(alone, other)


@pytest.mark.parametrize(("file_format", "bits", "rate"), [("wav", 24, 44100), ("flac", 16, 96000)])
def test_files_have_the_format_asked_for(tmp_path: Path, file_format: FileFormat, bits: int, rate: int) -> None:
    """Headers say format, depth, rate and length; the truth file says the same."""
    truth = write_demo(tmp_path, seconds=3.0, rate=rate, file_format=file_format, bits=bits, performances=["left_b"])
    assert DemoTruth.from_json((tmp_path / "truth.json").read_text(encoding="utf-8")) == truth
    for track in truth.tracks:
        info = soundfile.info(tmp_path / track.path)
        assert (info.format, info.subtype) == (file_format.upper(), f"PCM_{bits}")
        assert (info.samplerate, info.frames, info.channels) == (rate, 3 * rate, 1)


def test_an_earlier_session_is_replaced_whole(tmp_path: Path) -> None:
    """Files of a longer earlier session do not stay behind."""
    write_demo(tmp_path / "demo", seconds=3.0, performances=("left_a", "right_a"))
    truth = write_demo(tmp_path / "demo", seconds=3.0, performances=("left_a",), file_format="flac")
    names = {path.name for path in (tmp_path / "demo").iterdir()}
    assert names == {t.path for t in truth.tracks} | {"truth.json", "song.yaml", "README.txt"}
    assert [path.name for path in tmp_path.iterdir()] == ["demo"]


@pytest.mark.parametrize("content", ["", "{}", json.dumps({"tracks": [], "performances": []})])
def test_a_folder_with_other_files_is_refused_untouched(tmp_path: Path, content: str) -> None:
    """Something of the user's beside, or under the name of, the truth file: refused, nothing changed."""
    (tmp_path / "truth.json").write_text(content)
    (tmp_path / "take_1.wav").write_bytes(b"mine")
    with pytest.raises(DeliveryError) as caught:
        write_demo(tmp_path, seconds=3.0)
    assert [p.slug for p in caught.value.problems] == ["demo-folder"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["take_1.wav", "truth.json"]
    assert (tmp_path / "take_1.wav").read_bytes() == b"mine"


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """The folder's name is taken by a file; or a file is where its parent should be."""
    (tmp_path / "demo").write_bytes(b"mine")
    for folder, slug in ((tmp_path / "demo", "demo-folder"), (tmp_path / "demo" / "below", "cannot-write")):
        with pytest.raises(DeliveryError) as caught:
            write_demo(folder, seconds=3.0)
        assert [p.slug for p in caught.value.problems] == [slug]
    assert (tmp_path / "demo").read_bytes() == b"mine"


def test_all_wrong_settings_are_named_at_once(tmp_path: Path) -> None:
    """Five settings out of range give five problems, and no folder."""
    with pytest.raises(DeliveryError) as caught:
        write_demo(
            tmp_path / "demo",
            seconds=0.1,
            rate=8000,
            bits=8,
            file_format="mp3",  # type: ignore[arg-type]
            performances=["drums"],
        )
    assert [p.where for p in caught.value.problems] == ["seconds", "rate", "bits", "format", "performances"]
    assert {p.slug for p in caught.value.problems} == {"demo-settings"}
    assert not (tmp_path / "demo").exists()
