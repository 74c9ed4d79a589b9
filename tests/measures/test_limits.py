"""The recipe's limits: inside and just past each one, and what was not measured."""

from dataclasses import replace

import pytest

from premix.measures.limits import CHECKS, check_limits
from premix.messages import REMEDIES
from premix.model.alignment import Alignment, BandEfficiency, Efficiency, MicDecision
from premix.model.mix import Part, PartMeasures, Rendering, StereoMeasures, WrittenFile
from premix.model.recipe import Limits

BANDS = (BandEfficiency(1000.0, -3.0, -1.0, 1.0),)


def decision(
    mic: str, refusal: str | None = None, moved: float | None = None, performance: str = "left_a"
) -> MicDecision:
    origin = "refused" if refusal else "auto"
    return MicDecision(performance, mic, "close", "dynamic", 0.0, 1, origin, refusal=refusal, moved_samples=moved)  # type: ignore[arg-type]


ALIGNMENT = Alignment(
    48_000,
    "dynamic",
    (
        decision("dynamic"),
        decision("ribbon", refusal="silent"),
        decision("sub", moved=12.0),
        decision("dynamic", performance="right_a"),
    ),
    (Efficiency("left_a", -3.0, -1.0, -3.5, -1.4, BANDS), Efficiency("right_a", -5.0, -1.5, -5.5, -2.0, BANDS)),
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
    assert f"{breaks:g}" in finding.message and finding.slug in REMEDIES


def test_every_limit_of_the_recipe_is_checked() -> None:
    """A limit that is added to the recipe must come with its check, and its slug with its remedy."""
    assert {check.field for check in CHECKS} == set(Limits.model_fields) == set(ON_THE_LIMIT)
    assert {check.slug for check in CHECKS} | {"limit-not-measured"} <= set(REMEDIES)


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


@pytest.mark.parametrize("field", ON_THE_LIMIT)
def test_a_limit_that_cannot_be_measured_is_broken(field: str) -> None:
    """Nothing delivered, nothing aligned: one error each. Counts are the exception: no mic is no refused mic."""
    nobody = Alignment(48_000, "dynamic", (), ())
    found = check_limits(Limits(**{field: ON_THE_LIMIT[field][0]}), nobody, NOTHING)
    if field in ("refused_mics", "moved_mics"):
        assert found == ()
    else:
        (finding,) = found
        assert (finding.slug, finding.severity, finding.subject) == ("limit-not-measured", "error", f"limits.{field}")


def rendering(*files: WrittenFile, stereo: StereoMeasures | None = None) -> Rendering:
    return Rendering(files, stereo, None, (), 0.0)


def test_silence_has_no_correlation_fold_or_spread() -> None:
    """A guitar bus without sound, and a silent stem beside another one: each named."""
    silent = rendering(
        file("stem_left_a", "left", -20.0, -6.0),
        file("stem_left_b", "left", None, None),
        stereo=StereoMeasures(None, None, None, None),
    )
    limits = Limits(mono_fold_db=-60, correlation=-1, stem_spread_lu=60, true_peak_dbtp=-1)
    assert [(f.subject, f.message) for f in check_limits(limits, ALIGNMENT, silent)] == [
        ("limits.mono_fold_db", "mono fold cannot be measured: guitar bus"),
        ("limits.correlation", "correlation cannot be measured: guitar bus"),
        ("limits.stem_spread_lu", "loudness spread of the stems cannot be measured: bus left"),
    ]  # a silent file is below any true peak


def test_a_silent_performance_has_no_sum_efficiency_and_a_muted_one_needs_none() -> None:
    """Bands are there where there was sound; without a mic in the sum there is nothing to measure."""
    silent = Efficiency("right_a", 0.0, 0.0, 0.0, 0.0)
    alignment = replace(ALIGNMENT, efficiencies=(ALIGNMENT.efficiencies[0], silent))
    (finding,) = check_limits(Limits(sum_efficiency_db=-1.5), alignment, RENDERING)
    assert finding.message == "sum efficiency cannot be measured: right_a"
    decisions = tuple(replace(d, summed=d.performance == "left_a") for d in ALIGNMENT.decisions)
    assert check_limits(Limits(sum_efficiency_db=-1.5), replace(alignment, decisions=decisions), RENDERING) == ()


def test_a_figure_beyond_the_limit_is_told_rather_than_one_that_is_missing() -> None:
    """One line a limit, and the worse news first."""
    files = (*RENDERING.files, file("stem_right_b", "right", None, None))
    (finding,) = check_limits(Limits(stem_spread_lu=2.9), ALIGNMENT, rendering(*files))
    assert (finding.slug, finding.subject) == ("limit-stem-spread", "bus left")
    (finding,) = check_limits(Limits(stem_spread_lu=3.0), ALIGNMENT, rendering(*files))
    assert finding.message.endswith("cannot be measured: bus right")
