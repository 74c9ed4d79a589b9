"""Finding tracks by name: patterns, spellings, aliases, optional mics, and every problem at once."""

import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import pytest

from premix.errors import TracksError
from premix.model.song import Song
from premix.model.tracks import RollCall
from premix.tracks.find import find_tracks
from premix.tracks.roll_call import roll_findings
from tests.rigs.songs import Settings, recipe_of, song_from


def wanted(
    pattern: str = "{performance}_{mic}.*",
    mics: Settings | None = None,
    performances: Settings | Sequence[str] = ("left", "right"),
    song: str | None = None,
) -> Song:
    """A song of two performances and two mics, or of those that are given."""
    return song_from(
        recipe_of(mics or {"dynamic": {}, "ribbon": {}}, performances, song=song, tracks={"name": pattern})
    )


def touch(folder: Path, *names: str) -> Path:
    """Empty files of these names; finding reads no file."""
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return folder


def found(what: Song, folder: Path) -> dict[str, str]:
    """performance/mic -> file name below the folder."""
    tracks, _ = find_tracks(what, folder)
    return {f"{t.performance}/{t.mic}": t.path.relative_to(folder).as_posix() for t in tracks}


def told(what: Song, folder: Path) -> list[str]:
    """The problems, one line each."""
    with pytest.raises(TracksError) as caught:
        find_tracks(what, folder)
    return [problem.line().replace(str(folder), "FOLDER") for problem in caught.value.problems]


PLAIN = ("left_dynamic.wav", "left_ribbon.wav", "right_dynamic.wav", "right_ribbon.wav")


def test_tracks_come_in_recipe_order(tmp_path: Path) -> None:
    """Performances first, then mics, as the recipe lists them; nothing is left over."""
    touch(tmp_path, *PLAIN)
    tracks, roll = find_tracks(wanted(mics={"ribbon": {}, "dynamic": {}}), tmp_path)
    assert [(t.performance, t.mic) for t in tracks] == [
        ("left", "ribbon"), ("left", "dynamic"), ("right", "ribbon"), ("right", "dynamic"),
    ]  # fmt: skip
    assert roll == RollCall(4, 4)


ONE: dict[str, Any] = {"mics": {"dynamic": {}}, "performances": ("left",)}
FITS = {
    "another case": ("{performance}_{mic}.wav", "LEFT_Dynamic.WAV"),
    "any extension": ("{performance}_{mic}.*", "left_dynamic.AIFF"),
    "stars and question marks": ("?? {performance}*{mic}*.wav", "03 Left Rhythm (dynamic) take 2.wav"),
    "empty star": ("*{performance}_{mic}*.wav", "left_dynamic.wav"),
    "song": ("{song}_{performance}_{mic}.wav", "Night Tide_left_dynamic.wav"),
    "folders": ("{performance}/*_{mic}.wav", "Left/x_dynamic.wav"),
    "folders with stars": ("*/{performance}/{mic}.wav", "takes/left/dynamic.wav"),
    "brackets are no wildcards": ("{performance} [{mic}].wav", "left [dynamic].wav"),
    "an extension of its own": ("{performance}_{mic}.raw", "left_dynamic.raw"),
    "no extension": ("{performance}_{mic}", "left_dynamic"),
}


@pytest.mark.parametrize("case", FITS)
def test_a_pattern_finds_its_file(tmp_path: Path, case: str) -> None:
    """One file that fits, among others that do not."""
    pattern, name = FITS[case]
    touch(tmp_path, name, "left_dynamicc.ogg", "leftdynamic.wav" if "*" not in pattern else "zz.wav")
    assert found(wanted(pattern, song="Night Tide", **ONE), tmp_path) == {"left/dynamic": name}


FITS_NOT = {
    "star never crosses a folder": ("*{performance}_{mic}.wav", "a/left_dynamic.wav"),
    "question mark is one character": ("{performance}?{mic}.wav", "leftdynamic.wav"),
    "a class is no class": ("{performance}_[a-d]{mic}.wav", "left_adynamic.wav"),
    "text files are no tracks": ("{performance}_{mic}.*", "left_dynamic.txt"),
    "more after the name": ("{performance}_{mic}.wav", "left_dynamic.wav.bak"),
}


@pytest.mark.parametrize("case", FITS_NOT)
def test_a_pattern_finds_no_more_than_it_says(tmp_path: Path, case: str) -> None:
    """A file that a looser reading of the pattern would find."""
    pattern, name = FITS_NOT[case]
    touch(tmp_path, name, "other.wav")
    assert "[track-no-name-fits]" in told(wanted(pattern, **ONE), tmp_path)[0]


def test_the_song_is_the_folders_name_by_default(tmp_path: Path) -> None:
    """{song} without a song in the recipe."""
    folder = touch(tmp_path / "Night Tide", "night tide_left_dynamic.wav")
    assert found(wanted("{song}_{performance}_{mic}.wav", **ONE), folder)


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_unicode_form_does_not_matter(tmp_path: Path, form: Literal["NFC", "NFD"]) -> None:
    """A pattern typed on one system finds names of another, in either direction."""
    touch(tmp_path, unicodedata.normalize(form, "Gitarré_left_dynamic.wav"))
    for other in ("NFC", "NFD"):
        pattern = unicodedata.normalize(other, "gitarRÉ_{performance}_{mic}.wav")
        assert len(found(wanted(pattern, **ONE), tmp_path)) == 1


def test_aliases_are_other_names(tmp_path: Path) -> None:
    """Of mics and of performances, taken literally, beside the name itself."""
    touch(tmp_path, "L 1_rbn.wav", "L 1_d[1]*.wav", "L 1_dusty.wav", "right_ribbon.wav", "right_dynamic.wav")
    what = wanted(
        mics={"dynamic": {"aliases": ("d[1]*",)}, "ribbon": {"aliases": ("rib", "RBN")}},
        performances={"left": {"bus": "left", "aliases": ("l 1",)}, "right": {"bus": "right"}},
    )
    assert found(what, tmp_path)["left/ribbon"] == "L 1_rbn.wav"
    assert found(what, tmp_path)["left/dynamic"] == "L 1_d[1]*.wav"


def test_a_file_given_by_hand_replaces_the_pattern(tmp_path: Path) -> None:
    """In a folder of its own, whatever its case; the file that fits the pattern is then unused."""
    touch(tmp_path, *PLAIN, "takes/Left again.wav")
    sides = {"left": {"bus": "left", "mics": {"ribbon": {"file": "takes/left AGAIN.wav"}}}, "right": {"bus": "right"}}
    tracks, roll = find_tracks(wanted(performances=sides), tmp_path)
    assert tracks[1].path == tmp_path / "takes/Left again.wav"
    assert roll == RollCall(4, 5, (), ("left_ribbon.wav",))


def test_unused_audio_files_are_named(tmp_path: Path) -> None:
    """Audio files only, a handful by name, the rest counted."""
    touch(tmp_path, *PLAIN, "notes.txt", *(f"bass {n:02}.wav" for n in range(12)))
    _, roll = find_tracks(wanted(), tmp_path)
    (finding,) = roll_findings(roll, "song")
    assert (finding.slug, finding.severity) == ("track-unused-files", "info")
    assert finding.message.startswith("12 audio files not used: bass 00.wav, bass 01.wav")
    assert finding.message.endswith("bass 07.wav and 4 more")


def test_every_missing_and_ambiguous_track_is_told_at_once(tmp_path: Path) -> None:
    """In recipe order; candidates listed, the nearest free file named."""
    touch(tmp_path, "left_dynamic.wav", "left_dynamic.flac", "left_ribon.wav", "right_ribbon.wav")
    lines = told(wanted(), tmp_path)
    assert lines[0].startswith("left/dynamic: 2 files fit: left_dynamic.flac, left_dynamic.wav; ")
    assert lines[1].startswith("left/ribbon: no file fits 'left_ribbon.*'; did you mean 'left_ribon.wav'? ")
    assert lines[2].startswith("right/dynamic: no file fits 'right_dynamic.*'; Rename the file")
    assert len(lines) == 3


def test_a_missing_file_given_by_hand_is_told_by_its_name(tmp_path: Path) -> None:
    """The name that was looked for is the file's, not the pattern's."""
    touch(tmp_path, "left_dynamic.wav", "right_dynamic.wav", "right_ribbon.wav")
    sides = {"left": {"bus": "left", "mics": {"ribbon": {"file": "gone.wav"}}}, "right": {"bus": "right"}}
    assert told(wanted(performances=sides), tmp_path)[0].startswith("left/ribbon: no file fits 'gone.wav'")


def test_an_optional_mic_is_left_out_where_it_is_missing(tmp_path: Path) -> None:
    """Marked at the mic, or at one performance's exception."""
    touch(tmp_path, "left_dynamic.wav", "right_dynamic.wav", "right_ribbon.wav")
    optional = wanted(mics={"dynamic": {}, "ribbon": {"optional": True}})
    assert list(found(optional, tmp_path)) == ["left/dynamic", "right/dynamic", "right/ribbon"]
    sides = {"left": {"bus": "left", "mics": {"ribbon": {"optional": True}}}, "right": {"bus": "right"}}
    assert "left/ribbon" not in found(wanted(performances=sides), tmp_path)
    not_here = {"left": {"bus": "left", "mics": {"ribbon": {"optional": False}}}, "right": {"bus": "right"}}
    lines = told(wanted(mics={"dynamic": {}, "ribbon": {"optional": True}}, performances=not_here), tmp_path)
    assert lines[0].startswith("left/ribbon: no file fits")


def test_an_optional_performance_is_left_out_as_a_whole(tmp_path: Path) -> None:
    """Where a part of it is there, the rest must be there too."""
    sides = {"left": {"bus": "left"}, "right": {"bus": "right", "optional": True}}
    touch(tmp_path, "left_dynamic.wav", "left_ribbon.wav")
    assert list(found(wanted(performances=sides), tmp_path)) == ["left/dynamic", "left/ribbon"]
    touch(tmp_path, "right_dynamic.wav")
    assert told(wanted(performances=sides), tmp_path)[0].startswith("right/ribbon: no file fits")


def test_the_reference_is_never_optional(tmp_path: Path) -> None:
    """A performance that plays without its reference mic cannot be aligned."""
    touch(tmp_path, "left_ribbon.wav", "right_dynamic.wav", "right_ribbon.wav")
    mics = {"dynamic": {"optional": True}, "ribbon": {}}
    assert told(wanted(mics=mics), tmp_path)[0].startswith(
        "left/dynamic: this mic is the reference, and this performance has no file of it"
    )


def test_a_muted_mic_still_has_its_file(tmp_path: Path) -> None:
    """Mute says what is heard, not what is there."""
    touch(tmp_path, "left_dynamic.wav", "right_dynamic.wav")
    assert len(told(wanted(mics={"dynamic": {}, "ribbon": {"mute": True}}), tmp_path)) == 2
