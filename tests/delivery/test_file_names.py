"""File names of the parts: safe on every system, and never two the same."""

import pytest

from premix.delivery.file_names import document_name, file_names, safe
from premix.errors import DeliveryError
from premix.messages import REMEDIES
from premix.model.mix import Part

PARTS = (
    Part("stem_left_a", "stem", 1, "left_a"),
    Part("room_left_a", "room", 1, "left_a"),
    Part("bus_left", "bus", 1, bus="left"),
    Part("left_a_ribbon", "aligned_mic", 1, "left_a", "ribbon"),
    Part("guitars", "guitar_bus", 2),
)


def slugs(parts: tuple[Part, ...], song: str, template: str) -> list[str]:
    with pytest.raises(DeliveryError) as caught:
        file_names(parts, song, template, "wav")
    assert all(p.slug in REMEDIES for p in caught.value.problems)
    return [p.slug for p in caught.value.problems]


def test_parts_go_into_their_folders() -> None:
    """The layout of an output folder."""
    assert file_names(PARTS, "Tidewater", "{song}_{part}", "wav") == {
        "stem_left_a": "stems/Tidewater_stem_left_a.wav",
        "room_left_a": "rooms/Tidewater_room_left_a.wav",
        "bus_left": "buses/Tidewater_bus_left.wav",
        "left_a_ribbon": "mics/Tidewater_left_a_ribbon.wav",
        "guitars": "Tidewater_guitars.wav",
    }


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Tidewater", "Tidewater"),
        ("Mörk Vatten", "Mork_Vatten"),
        ("a/b\\c:d*e?f", "a_b_c_d_e_f"),
        ("  ends. ", "ends"),
        ("50% (live)", "50_live"),
        ("e\u0301tude", "etude"),
        ("éTUDE", "eTUDE"),
        ("漢字", ""),
        ("../../etc", "etc"),
        ("a\nb\0c", "a_b_c"),
        ("take-2", "take-2"),
    ],
)
def test_names_hold_plain_letters_only(text: str, name: str) -> None:
    """Composed and decomposed accents give the same name; nothing leads out of the folder."""
    assert safe(text) == name


def test_song_without_a_plain_letter_still_gets_a_name() -> None:
    """A title in another script."""
    assert file_names(PARTS[4:], "漢字", "{song}_{part}", "flac") == {"guitars": "song_guitars.flac"}
    assert document_name("漢字", "track_sheet", "csv") == "song_track_sheet.csv"


@pytest.mark.parametrize("template", ["{song}", "{part", "{song}_{take}", "{}", "{part.kind}", "{part!x}", "{0}", ""])
def test_template_that_cannot_name_each_part_is_refused(template: str) -> None:
    """Unknown fields, broken braces, and no {part}: two stems would get one name."""
    stems = (PARTS[0], Part("stem_left_b", "stem", 1, "left_b"))
    assert set(slugs(stems, "Tidewater", template)) <= {"name-template", "names-collide"}


def test_names_that_differ_in_case_only_are_refused() -> None:
    """They are one file on most disks outside Linux."""
    parts = (Part("stem_left", "stem", 1, "left"), Part("stem_Left", "stem", 1, "Left"))
    assert slugs(parts, "Tidewater", "{song}_{part}") == ["names-collide"]


@pytest.mark.parametrize("song", ["con", "NUL", "Com1", "lpt9"])
def test_names_that_windows_keeps_are_refused(song: str) -> None:
    """A file NUL.wav cannot be made there."""
    assert slugs(PARTS[4:], song, "{song}") == ["reserved-name"]


def test_too_long_a_name_is_refused() -> None:
    """File systems stop at 255 bytes."""
    assert slugs(PARTS[4:], "x" * 250, "{song}_{part}") == ["name-too-long"]
