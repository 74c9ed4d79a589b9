"""What changed between two set-ups: named right, with its size, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from premix.measures.drift import drift_of
from premix.measures.moves import Statement, compared
from premix.measures.pooled import pooled_print
from premix.measures.shifts import least_phase
from premix.model.set_up import SetUp
from premix.units import speed_of_sound_m_s
from tests.rigs.prints import CENTRES, RATE, RIG, Placed, Told, setup_of

BASE = setup_of(seed=1)


def told(other: SetUp, base: SetUp = BASE) -> list[Statement]:
    assert base.pooled is not None
    return list(compared(base.pooled, base, other).statements)


def with_mic(name: str, **changes: object) -> dict[str, Placed]:
    return {**RIG, name: replace(RIG[name], **changes)}  # type: ignore[arg-type]


def with_all(**changes: float) -> dict[str, Placed]:
    """Every mic changed by the same."""
    return {n: replace(m, **{k: getattr(m, k) + v for k, v in changes.items()}) for n, m in RIG.items()}


def test_steady_songs_say_nothing() -> None:
    """300 songs, 4 standard errors: by chance one figure in 16,000 lies outside of a Gaussian's."""
    assert [s.words() for seed in range(2, 302) for s in told(setup_of(seed=seed))] == []


@pytest.mark.parametrize("mm", [-20.0, -2.0, 0.8, 5.0, 12.0])
@pytest.mark.parametrize("mic", ["condenser", "ribbon"])
def test_a_move_is_named_with_its_size(mic: str, mm: float) -> None:
    (move,) = told(setup_of(with_mic(mic, path_mm=RIG[mic].path_mm + mm), 9))
    assert (move.kind, move.mics, move.unit, move.reference) == ("moved", (mic,), "mm", False)
    assert abs(move.size - mm) < move.within
    assert move.within < 0.15 * abs(mm) + 0.5


def test_what_its_error_explains_is_no_move() -> None:
    """The same 0.8 mm, with prints ten times less exact."""
    rough = Told(error_db=0.3, error_rad=0.05)
    base, other = (setup_of(m, n, told=rough) for n, m in enumerate([RIG, with_mic("ribbon", path_mm=290.8)]))
    assert told(other, base) == []


def test_a_preamp_is_named() -> None:
    for db in (-3.0, -0.2, 0.2, 1.5):
        (level,) = told(setup_of(with_mic("ribbon", level_db=RIG["ribbon"].level_db + db), 9))
        assert (level.kind, level.mics, level.unit) == ("level", ("ribbon",), "dB")
        assert abs(level.size - db) < level.within < 0.2 + 0.1 * abs(db)


def test_a_lost_top_is_no_preamp_and_no_move() -> None:
    (top,) = told(setup_of(with_mic("condenser", top_db=-3.0), 9))
    assert (top.kind, top.mics) == ("top", ("condenser",))
    assert -3.0 < top.size < -1.5  # the shelf has not fallen by all of it at 4 kHz
    assert "has lost" in top.words()


def test_all_others_together_are_the_reference() -> None:
    """It moved away by 4 mm: every other mic hears the guitar so much sooner after it."""
    (move,) = told(setup_of(with_all(path_mm=-4.0), 9))
    assert (move.kind, move.mics, move.reference) == ("moved", ("dynamic",), True)
    assert abs(move.size - 4.0) < move.within
    (level,) = told(setup_of(with_all(level_db=1.0), 9))
    assert (level.kind, level.mics, level.reference) == ("level", ("dynamic",), True)
    assert abs(level.size + 1.0) < level.within


def test_the_reference_and_another_mic() -> None:
    mics = with_all(path_mm=-4.0)
    mics["ribbon"] = replace(mics["ribbon"], path_mm=mics["ribbon"].path_mm + 10.0)
    found = {s.mics[0]: s for s in told(setup_of(mics, 9))}
    assert set(found) == {"dynamic", "ribbon"}
    assert abs(found["ribbon"].size - 10.0) < found["ribbon"].within + 0.5


@pytest.mark.parametrize("degrees", [-9.0, 10.0])
def test_warmer_air_is_called_that(degrees: float) -> None:
    """c = 343.2 sqrt(T / 293.15) m/s (ISO 9613-1:1993, as worked out here): a far mic of 2.9 m hears the guitar 49 mm
    of path sooner in air ten degrees warmer, a near one of 29 cm 5 mm; a converter's delay stays."""
    assert speed_of_sound_m_s(30.0) == pytest.approx(343.2 * np.sqrt(303.15 / 293.15))
    (air,) = told(setup_of(seed=9, temperature_c=20.0 + degrees))
    assert (air.kind, air.mics, air.known) == ("temperature", (), False)
    assert air.size == pytest.approx(degrees, abs=1.0)


def test_a_known_temperature_is_taken_out() -> None:
    assert BASE.pooled is not None
    warm = setup_of(with_mic("ribbon", path_mm=310.0), 9, temperature_c=28.0)
    found = {s.kind: s for s in compared(BASE.pooled, BASE, warm, (20.0, 28.0)).statements}
    assert found["temperature"].size == pytest.approx(8.0)
    assert found["temperature"].known
    assert abs(found["moved"].size - 20.0) < found["moved"].within


def test_swapped_names_are_named_and_nothing_else() -> None:
    for a, b in (("condenser", "ribbon"), ("ribbon", "room")):
        swapped = {**RIG, a: replace(RIG[b], role=RIG[a].role), b: replace(RIG[a], role=RIG[b].role)}
        (names,) = told(setup_of(swapped, 9))
        assert (names.kind, set(names.mics)) == ("swapped", {a, b})


def test_a_turned_polarity() -> None:
    (turned,) = told(setup_of(with_mic("ribbon", polarity=1), 9))
    assert (turned.kind, turned.mics) == ("turned", ("ribbon",))


def test_a_mic_that_moved_in_one_performance() -> None:
    """Of three: it is named with the performance, and the others are believed."""
    moved, still = setup_of(with_mic("ribbon", path_mm=296.0), 9, takes=1), setup_of(seed=8, takes=2)
    prints = (*still.performances, replace(moved.performances[0], performance="p2"))
    pooled = pooled_print(prints, CENTRES, RATE, 20.0)
    (move,) = told(replace(still, pooled=pooled, performances=prints))
    assert (move.kind, move.mics, move.performances) == ("moved", ("ribbon",), ("p2",))
    assert move.size == pytest.approx(6.0, abs=move.within)


def test_another_rate_is_the_same_set_up() -> None:
    """Prints hold samples of their own rate."""
    assert BASE.pooled is not None
    doubled = tuple(
        replace(p, mics=tuple(replace(m, delay_samples=2 * (m.delay_samples or 0.0)) for m in p.mics))
        for p in setup_of(seed=4).performances
    )
    pooled = pooled_print(doubled, CENTRES, 2 * RATE, 20.0)
    other = SetUp(rate=2 * RATE, temperature_c=20.0, centres_hz=CENTRES, pooled=pooled, performances=doubled)
    assert told(other) == []


def test_least_phase_is_that_of_analogue_filters() -> None:
    """A first-order shelf is of least phase: its levels give its phase (Bode 1945), to 1.5 degrees inside the band."""
    omega = 2 * np.pi * np.geomspace(40.0, 6000.0, 60)
    shelf = (1 + 1j * omega / (2 * np.pi * 500.0) * 2.0) / (1 + 1j * omega / (2 * np.pi * 500.0))
    found = least_phase(20 * np.log10(np.abs(shelf)), omega)
    inside = (omega > 2 * np.pi * 150.0) & (omega < 2 * np.pi * 2000.0)
    assert np.degrees(np.abs(found - np.angle(shelf))[inside]).max() < 1.5


def test_a_drift_names_each_change_in_its_song() -> None:
    """Song 3 has the ribbon 5 mm away, song 5 has it back; all are held against the first."""
    away = with_mic("ribbon", path_mm=295.0)
    songs = [(f"song {n}", setup_of(away if n in (3, 4) else RIG, n)) for n in range(1, 7)]
    drift = drift_of(songs)
    assert drift is not None
    assert [(c.song, c.subject, c.kind) for c in drift.changes] == [
        ("song 3", "ribbon", "moved"),
        ("song 5", "ribbon", "moved"),
    ]
    ribbon = next(mic for mic in drift.mics if mic.mic == "ribbon")
    assert [round(point.moved_mm or 0.0) for point in ribbon.points] == [0, 0, 5, 5, 0, 0]


def test_songs_without_a_print_are_left_out() -> None:
    other = replace(BASE, pooled=None, performances=())
    drift = drift_of([("a", BASE), ("short", None), ("b", other), ("c", setup_of(seed=5))])
    assert drift is not None
    assert (drift.songs, drift.left_out, drift.changes) == (("a", "c"), ("short", "b"), ())
    assert drift_of([("a", BASE), ("short", None)]) is None
