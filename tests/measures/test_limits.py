"""The recipe's limits: inside and just past each one, and what was not measured."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from premix.measures.limits import CHECKS, check_limits
from premix.messages import REMEDIES
from premix.model.alignment import BandEfficiency, Efficiency
from premix.model.gate import OPEN, RoomGate
from premix.model.mix import Part, PartKind, PartMeasures, Rendering, RoomQuiet, StereoMeasures, WrittenFile
from premix.model.set_up import Shift
from premix.model.settings import Limits
from premix.model.song import Mic, Song
from premix.model.tracks import LeftOut, RollCall
from tests.rigs.songs import Settings, recipe_of, song_from, with_decisions

BANDS = (BandEfficiency(1000.0, -3.0, -1.0, 1.0),)


EFFICIENCIES = {
    "left_a": Efficiency("left_a", -3.0, -1.0, -3.5, -1.4, BANDS, (), -1.25, (4.0, 6.0)),
    "right_a": Efficiency("right_a", -5.0, -1.5, -5.5, -2.0, BANDS, (), -1.75, (62.0, 64.5)),
}
FOUND: Settings = {"left_a/ribbon": {"origin": "refused", "refusal": "silent"}, "left_a/sub": {"moved_samples": 12.0}}


def song(limits: Settings, found: Settings = FOUND) -> Song:
    """Two performances of three mics, their decisions changed by `found`, their efficiencies, and the limits."""
    mics: Settings = {"dynamic": {}, "ribbon": {}, "sub": {}, "room": {"role": "room"}}
    made = with_decisions(song_from(recipe_of(mics, tuple(EFFICIENCIES), limits=limits)), found)
    made = made.with_mics(lambda mic: replace(mic, room=gated(mic)) if mic.is_room else mic)
    made = replace(made, roll_call=RollCall(5, 6, (LeftOut("right_a", "sub", "right_a_sub.*"),)))
    return with_efficiencies(replace(made, against_approved=AGAINST_APPROVED), EFFICIENCIES)


AGAINST_APPROVED = (
    Shift(
        mic="ribbon", role="close", path_mm=290.0, moved_mm=-3.0, moved_error_mm=0.1, level_db=0.5, level_error_db=0.02
    ),
    # More, but its error explains it.
    Shift(mic="room", role="room", path_mm=2900.0, moved_mm=9.0, moved_error_mm=3.0, level_db=2.0, level_error_db=0.6),
)


def gated(mic: Mic) -> RoomGate:
    """Half a second of one room, and three quarters of the other, are shut while the guitar sounds."""
    lost = ((1.0, 1.5),) if mic.performance == "left_a" else ((1.0, 1.5), (4.0, 4.25))
    return RoomGate(mic.performance, mic.name, "gate", -30.0, (), OPEN, lost)


def with_efficiencies(made: Song, efficiencies: Mapping[str, Efficiency]) -> Song:
    """The song with what its sums were found to be."""
    return replace(made, performances=tuple(replace(p, efficiency=efficiencies[p.name]) for p in made.performances))


def file(part: str, bus: str | None, loudness: float | None, true_peak: float | None) -> WrittenFile:
    """A stem or a bus with these measures."""
    kind: PartKind = "stem" if part.startswith("stem") else "bus"
    measures = PartMeasures(part, true_peak, true_peak, loudness, loudness, 10.0, 0.0)
    return WrittenFile(Part(part, kind, 1, bus=bus), f"{part}.wav", 1, 24, "", 0, measures)


RENDERING = Rendering(
    files=(
        file("stem_left_a", "left", -20.0, -6.0),
        file("stem_left_b", "left", -23.0, -9.0),
        file("stem_right_a", "right", -10.0, -6.0),
        file("bus_left", "left", -17.0, -1.0),
    ),
    stereo=StereoMeasures(0.1, -0.3, -2.6, -0.9),
    stereo_without_centre=None,
    room_quiet=(RoomQuiet("left_a", "room", 4, 34.5), RoomQuiet("right_a", "room", 4, 20.0)),
    trim_db=0.0,
)
NOTHING = Rendering((), None, None, (), 0.0)

ON_THE_LIMIT = {
    "sum_efficiency_db": (-1.5, -1.49, "right_a"),
    "worst_passage_db": (-1.75, -1.7, "right_a 1:02.00 to 1:04.50"),
    "mono_fold_db": (-2.6, -2.5, "guitar bus"),
    "correlation": (0.1, 0.11, "guitar bus"),
    "true_peak_dbtp": (-1.0, -1.01, "bus_left"),
    "stem_spread_lu": (3.0, 2.9, "bus left"),
    "room_lost_s": (0.75, 0.7, "right_a/room"),
    "room_quiet_db": (20.0, 20.1, "right_a/room"),
    "refused_mics": (1, 0, "left_a/ribbon"),
    "moved_mics": (1, 0, "left_a/sub"),
    "setup_moved_mm": (3.0, 2.9, "ribbon"),
    "setup_level_db": (0.5, 0.4, "ribbon"),
    "left_out": (1, 0, "right_a/sub"),
}


@pytest.mark.parametrize("field", ON_THE_LIMIT)
def test_on_the_limit_holds_and_past_it_breaks(field: str) -> None:
    """Each limit alone: the figure itself is inside; a little past it is one error that names the worst."""
    holds, breaks, subject = ON_THE_LIMIT[field]
    assert check_limits(song({field: holds}), RENDERING) == ()
    (finding,) = check_limits(song({field: breaks}), RENDERING)
    assert (finding.severity, finding.subject) == ("error", subject)
    assert f"{breaks:g}" in finding.message and finding.slug in REMEDIES


def test_every_limit_of_the_recipe_is_checked() -> None:
    """A limit that is added to the recipe must come with its check, and its slug with its remedy."""
    assert {check.field for check in CHECKS} == set(Limits.model_fields) == set(ON_THE_LIMIT)
    assert {check.slug for check in CHECKS} | {"limit-not-measured"} <= set(REMEDIES)


def test_several_broken_limits_give_one_line_each() -> None:
    """All are reported, in the order of the table."""
    limits = {field: breaks for field, (_, breaks, _) in ON_THE_LIMIT.items()}
    found = check_limits(song(limits), RENDERING)
    assert [finding.slug for finding in found] == [check.slug for check in CHECKS]


def test_the_message_shows_enough_decimals_to_see_the_difference() -> None:
    """-2.60041 against -2.6 must not read '-2.60, allowed at least -2.6'."""
    stereo = StereoMeasures(0.1, None, -2.60041234, None)
    (finding,) = check_limits(song({"mono_fold_db": -2.6}), Rendering((), stereo, None, ()))
    assert finding.message == "mono fold is -2.6004 dB, allowed is at least -2.6 dB"


def test_no_limits_no_findings() -> None:
    """An empty section checks nothing."""
    assert check_limits(song({}), RENDERING) == ()


@pytest.mark.parametrize("field", ON_THE_LIMIT)
def test_a_limit_that_cannot_be_measured_is_broken(field: str) -> None:
    """Nothing delivered, nothing aligned: one error each. Counts are the exception: no mic is no refused mic,
    and no room loses nothing."""
    nobody = replace(song({field: ON_THE_LIMIT[field][0]}), performances=(), against_approved=())
    found = check_limits(nobody, NOTHING)
    if field in ("refused_mics", "moved_mics", "left_out", "room_lost_s"):
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
    limited = song({"mono_fold_db": -60, "correlation": -1, "stem_spread_lu": 60, "true_peak_dbtp": -1})
    assert [(f.subject, f.message) for f in check_limits(limited, silent)] == [
        ("limits.mono_fold_db", "mono fold cannot be measured: guitar bus"),
        ("limits.correlation", "correlation cannot be measured: guitar bus"),
        ("limits.stem_spread_lu", "loudness spread of the stems cannot be measured: bus left"),
    ]  # a silent file is below any true peak


def test_a_silent_performance_has_no_sum_efficiency_and_a_muted_one_needs_none() -> None:
    """Bands are there where there was sound; without a mic in the sum there is nothing to measure."""
    silent = EFFICIENCIES | {"right_a": Efficiency("right_a", 0.0, 0.0, 0.0, 0.0)}
    (finding,) = check_limits(with_efficiencies(song({"sum_efficiency_db": -1.5}), silent), RENDERING)
    assert finding.message == "sum efficiency cannot be measured: right_a"
    muted = song(
        {"sum_efficiency_db": -1.5},
        {f"right_a/{mic}": {"summed": False} for mic in ("dynamic", "ribbon", "sub", "room")},
    )
    assert check_limits(with_efficiencies(muted, silent), RENDERING) == ()


def test_a_figure_beyond_the_limit_is_told_rather_than_one_that_is_missing() -> None:
    """One line a limit, and the worse news first."""
    files = (*RENDERING.files, file("stem_right_b", "right", None, None))
    (finding,) = check_limits(song({"stem_spread_lu": 2.9}), rendering(*files))
    assert (finding.slug, finding.subject) == ("limit-stem-spread", "bus left")
    (finding,) = check_limits(song({"stem_spread_lu": 3.0}), rendering(*files))
    assert finding.message.endswith("cannot be measured: bus right")
