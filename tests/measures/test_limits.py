"""The recipe's limits: inside and just past each one, and what was not measured."""

import pytest

from premix.measures.limits import CHECKS, check_limits
from premix.messages import SLUGS
from premix.model.alignment import Alignment, Efficiency, MicDecision
from premix.model.recipe import Limits
from premix.model.render import Part, PartMeasures, Rendering, StereoMeasures, WrittenFile


def decision(mic: str, refusal: str | None = None, moved: float | None = None) -> MicDecision:
    origin = "refused" if refusal else "auto"
    return MicDecision("left_a", mic, "close", "dynamic", 0.0, 1, origin, refusal=refusal, moved_samples=moved)  # type: ignore[arg-type]


ALIGNMENT = Alignment(
    48_000,
    "dynamic",
    (decision("dynamic"), decision("ribbon", refusal="silent"), decision("sub", moved=12.0)),
    (Efficiency("left_a", -3.0, -1.0, -3.5, -1.4), Efficiency("right_a", -5.0, -1.5, -5.5, -2.0)),
)


def file(part: str, bus: str | None, loudness: float | None, true_peak: float | None) -> WrittenFile:
    kind = "stem" if part.startswith("stem") else "bus"
    measures = PartMeasures(part, true_peak, true_peak, loudness, loudness, 10.0, 0.0)
    return WrittenFile(Part(part, kind, 1, bus=bus), f"{part}.wav", 1, 24, "", 0, measures)  # type: ignore[arg-type]


RENDERING = Rendering(
    files=(
        file("stem_left_a", "left", -20.0, -6.0),
        file("stem_left_b", "left", -23.0, -9.0),
        file("stem_right_a", "right", -10.0, -6.0),
        file("bus_left", "left", -17.0, -1.0),
    ),
    stereo=StereoMeasures(0.1, -0.3, -2.6, -0.9),
    stereo_without_centre=None,
    room_quiet=(),
    trim_db=0.0,
)
NOTHING = Rendering((), None, None, (), 0.0)

ON_THE_LIMIT = {
    "sum_efficiency_db": (-1.5, -1.49, "right_a"),
    "mono_fold_db": (-2.6, -2.5, "guitar bus"),
    "correlation": (0.1, 0.11, "guitar bus"),
    "true_peak_dbtp": (-1.0, -1.01, "bus_left"),
    "stem_spread_lu": (3.0, 2.9, "bus left"),
    "refused_mics": (1, 0, "left_a/ribbon"),
    "moved_mics": (1, 0, "left_a/sub"),
}


@pytest.mark.parametrize("field", ON_THE_LIMIT)
def test_on_the_limit_holds_and_past_it_breaks(field: str) -> None:
    """Each limit alone: the figure itself is inside; a little past it is one error that names the worst."""
    holds, breaks, subject = ON_THE_LIMIT[field]
    assert check_limits(Limits(**{field: holds}), ALIGNMENT, RENDERING) == ()
    (finding,) = check_limits(Limits(**{field: breaks}), ALIGNMENT, RENDERING)
    assert (finding.severity, finding.subject) == ("error", subject)
    assert f"{breaks:g}" in finding.message and finding.slug in SLUGS


def test_every_limit_of_the_recipe_is_checked() -> None:
    """A limit that is added to the recipe must come with its check, and its slug with its remedy."""
    assert {check.field for check in CHECKS} == set(Limits.model_fields) == set(ON_THE_LIMIT)
    assert {check.slug for check in CHECKS} | {"limit-not-measured"} <= set(SLUGS)


def test_several_broken_limits_give_one_line_each() -> None:
    """All are reported, in the order of the table."""
    limits = Limits(**{field: breaks for field, (_, breaks, _) in ON_THE_LIMIT.items()})
    found = check_limits(limits, ALIGNMENT, RENDERING)
    assert [finding.slug for finding in found] == [check.slug for check in CHECKS]


def test_the_message_shows_enough_decimals_to_see_the_difference() -> None:
    """-2.60041 against -2.6 must not read '-2.60, allowed at least -2.6'."""
    stereo = StereoMeasures(0.1, None, -2.60041234, None)
    rendering = Rendering((), stereo, None, (), 0.0)
    (finding,) = check_limits(Limits(mono_fold_db=-2.6), ALIGNMENT, rendering)
    assert finding.message == "mono fold is -2.6004 dB, allowed is at least -2.6 dB"


def test_no_limits_no_findings() -> None:
    """An empty section checks nothing."""
    assert check_limits(Limits(), ALIGNMENT, RENDERING) == ()


def test_what_was_not_measured_is_a_warning() -> None:
    """No guitar bus delivered: the limit neither holds nor breaks, and that is said."""
    (finding,) = check_limits(Limits(mono_fold_db=-4.5), ALIGNMENT, NOTHING)
    assert (finding.slug, finding.severity) == ("limit-not-measured", "warning")
    assert finding.subject == "limits.mono_fold_db"
