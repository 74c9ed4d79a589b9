"""The look: colours that stay apart for every eye, and pictures that obey the page's policy."""

import re
from itertools import combinations

import pytest

from premix.report.drawing import COLOURS, band_label, colour, panels, series, spoken, style, svg
from premix.report.page import MOST_PICTURES, SUBJECTS, pictures_of
from premix.report.pictures import Picture, inline_svg

DARK, LIGHT = 1, 0


def _luminance(hexadecimal: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    parts = [int(hexadecimal[n : n + 2], 16) / 255.0 for n in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _lightness(hexadecimal: str) -> float:
    """CIE L*, 0 to 100."""
    y = _luminance(hexadecimal)
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_letters_and_lines_stand_out_from_the_paper(theme: int) -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for the lines of a picture (1.4.11)."""
    paper, wash = COLOURS["paper"][theme], COLOURS["wash"][theme]
    for name in ("ink", "faint"):
        assert min(_contrast(COLOURS[name][theme], ground) for ground in (paper, wash)) >= 4.5, name
    for name in ("plum", "pine", "rust", "slate", "straw", "recorded", "aligned"):
        assert _contrast(COLOURS[name][theme], paper) >= 3.0, name


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_lines_differ_in_lightness(theme: int) -> None:
    """At least 7 of 100 apart: two steps of grey that a print keeps apart (common practice, no source)."""
    names = ("plum", "pine", "rust", "slate", "straw")
    for one, other in combinations(names, 2):
        assert abs(_lightness(COLOURS[one][theme]) - _lightness(COLOURS[other][theme])) > 7.0, (one, other)
    before, after = (_lightness(COLOURS[name][theme]) for name in ("recorded", "aligned"))
    assert abs(before - after) > 20.0


def test_colours_can_be_told_apart_by_their_value() -> None:
    """The page puts names in the place of values, so no value stands for two names."""
    assert len({pair[0] for pair in COLOURS.values()}) == len(COLOURS)


def test_lines_differ_in_colour_or_dashes() -> None:
    """25 lines, no two alike."""
    assert len({(ink, str(dash)) for ink, dash in series(25)}) == 25


def test_a_picture_becomes_a_part_of_the_page() -> None:
    """No style, no clashing id, colours by name, its text as its label."""
    with style():
        figure, (axes,) = panels([1.0])
        axes.plot([0, 1], [0, 1], color=colour("rust"), label="a <b>")
        axes.set_title("title")
        text = inline_svg(svg(figure), "name", 'what "it" <shows>')
    assert "style" not in text and "<!--" not in text and "rdf" not in text
    assert 'aria-label="what &quot;it&quot; &lt;shows&gt;"' in text
    assert all(id.startswith("name-") for id in re.findall(r' id="([^"]+)"', text))
    assert all(id.startswith("name-") for id in re.findall(r"url\(#([^)]+)\)", text))
    assert "var(--ink)" in text and "var(--rust)" in text and not re.search(r'(?:fill|stroke)="#', text)


@pytest.mark.parametrize(
    ("centre_hz", "label", "said"),
    [
        (39.8, "40", "40 Hz"),
        (63.1, "63", "63 Hz"),
        (316.2, "315", "315 Hz"),
        (1000.0, "1k", "1 kHz"),
        (1258.9, "1.25k", "1.25 kHz"),
        (12589.3, "12.5k", "12.5 kHz"),
        (31.6, "31.5", "31.5 Hz"),
        (25.1, "25", "25 Hz"),
    ],
)
def test_bands_go_by_their_nominal_names(centre_hz: float, label: str, said: str) -> None:
    """IEC 61260-1, annex E."""
    assert (band_label(centre_hz), spoken(band_label(centre_hz))) == (label, said)


def test_pictures_beyond_the_limit_are_left_out_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first ones stay."""
    for subject in SUBJECTS:
        monkeypatch.setitem(SUBJECTS, subject, lambda rendered: iter(()))
    many = [Picture(str(n), "", "", lambda: None, (), ()) for n in range(MOST_PICTURES + 3)]
    monkeypatch.setitem(SUBJECTS, "phase", lambda rendered: iter(many))
    made, left_out = pictures_of(None)  # type: ignore[arg-type]
    assert made["phase"] == many[:MOST_PICTURES]
    assert left_out == [f"pictures: phase, all but the first {MOST_PICTURES}"]
