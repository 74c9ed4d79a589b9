"""Evidence against what is known: by formula, by simulated truth, over seeds; and what follows from it."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import group_delay, hilbert, lfilter

from premix.alignment.case import build_case
from premix.alignment.decide import align
from premix.alignment.kernel import build_kernel
from premix.arrays import FloatArray
from premix.model.song import Song
from tests.rigs.sessions import riff
from tests.rigs.songs import Settings, recipe_of, song_from, told, with_signals

RATE = 16000
TWO: Settings = {"dynamic": {}, "ribbon": {}}


def noise(seed: int, seconds: float, level: float = 0.1) -> FloatArray:
    """White noise; no stops."""
    return level * np.random.default_rng([seed, 77]).standard_normal(round(seconds * RATE))


def heard(takes: Mapping[str, list[FloatArray]], mics: Settings = TWO, **alignment: object) -> Song:
    """A song of signals by performance, rows as the mics, up to the analysis; refused mics are muted."""
    recipe = recipe_of(mics, tuple(takes), alignment={"refused": "mute", **alignment})
    return with_signals(song_from(recipe), {name: np.stack(rows) for name, rows in takes.items()}, RATE)


def turned_between_halves(song: Song, mic: str, phase: complex) -> Song:
    """The song with the phase of one mic against all others turned in every other stretch of the take."""
    (performance,) = song.performances
    m, active = [own.name for own in performance.judged].index(mic), performance.spectra.active.copy()
    active[1, m] *= phase
    active[1, :, m] *= np.conj(phase)
    spectra = replace(performance.spectra, kept_active=active)
    return replace(song, performances=(replace(performance, spectra=spectra),))


def refusals(song: Song) -> dict[str, str | None]:
    return {mic.name: mic.decision.refusal for mic in song.judged}


THREE: Settings = {"dynamic": {}, "ribbon": {}, "guest": {}}


def three(seed: int, share: float) -> list[FloatArray]:
    """Two mics of one guitar, and a guest of whose power `share` is that guitar."""
    guitar, other = noise(seed, 30.0), noise(seed + 100, 30.0)
    guest = np.sqrt(share) * guitar + np.sqrt(1.0 - share) * other
    return [guitar + noise(seed + 200, 30.0, 0.01), guitar + noise(seed + 300, 30.0, 0.01), guest]


def test_a_guest_that_is_steady_but_hardly_coherent_is_refused() -> None:
    """0.15 of its power is the guitar: one phase relation all through the take (the halves agree), too little of it."""
    assert refusals(align(heard({"left": three(1, 0.15)}, THREE)))["guest"] == "alignment-incoherent"
    assert refusals(align(heard({"left": three(1, 0.6)}, THREE)))["guest"] is None


@pytest.mark.parametrize("degrees", [90.0, -90.0])
def test_a_guest_that_is_coherent_but_not_steady_is_refused(degrees: float) -> None:
    """Its phase turns by a quarter between the halves of the take: what is left of the mean is coherent enough (half),
    the halves are as strong as ever, but they do not agree."""
    song = heard({"left": three(2, 1.0)}, THREE)
    phase = np.exp(1j * np.deg2rad(degrees))
    assert refusals(align(turned_between_halves(song, "guest", phase))) == {
        "dynamic": None,
        "ribbon": None,
        "guest": "alignment-incoherent",
    }
    assert refusals(align(turned_between_halves(song, "guest", np.exp(0.2j))))["guest"] is None


def test_spread_is_the_scatter_of_the_answers() -> None:
    """Forty takes of one set-up with a quarter as much noise as guitar: the deviation of the delays from the truth is
    what each answer says of itself, within a fifth (the rms of 40 errors is known to 11 %)."""
    errors, spreads = [], []
    for seed in range(40):
        guitar = noise(seed, 6.0)
        rows = [guitar + noise(seed + 1000, 6.0, 0.05), guitar + noise(seed + 2000, 6.0, 0.05)]
        decision = align(heard({"left": rows})).performances[0].judged[1].decision
        errors.append(decision.delay_samples)
        spreads.append(decision.spread_samples)
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.mean(spreads), rel=0.2)  # type: ignore[arg-type]


def test_margin_is_what_the_other_polarity_costs_the_sum() -> None:
    """The sum efficiency of both polarities of one mic, each at the best delay of a fine grid, by the whole matrix."""
    guitar = riff(1, 6 * RATE, RATE)
    ribbon = -0.7 * np.roll(lfilter([1.0, 0.4, -0.3], [1.0], guitar), 5)
    tube = 0.5 * np.roll(lfilter([1.0, -0.5], [1.0], guitar), 9)
    song = align(heard({"left": [guitar, ribbon, tube]}, {"dynamic": {}, "ribbon": {}, "tube": {}}))
    case = build_case(song, song.performances[0])
    kernel, decisions = build_kernel(case.signal, case.chosen), [mic.decision for mic in song.judged]
    omega = 2.0 * np.pi * kernel.freqs_hz / RATE

    def efficiency(delay: float, sign: int) -> float:
        terms = np.array(
            [d.polarity * np.exp(1j * omega * d.delay_samples) for d in decisions[:1]]
            + [sign * np.exp(1j * omega * delay)]
            + [decisions[2].polarity * np.exp(1j * omega * decisions[2].delay_samples)]
        )
        return float(np.real(np.einsum("mf,mnf,nf->", terms, kernel.matrix, terms.conj())))

    delays = np.arange(-64.0, 64.0, 0.05)
    best, other = (max(efficiency(float(d), sign) for d in delays) for sign in (-1, 1))
    assert decisions[1].polarity == -1
    assert decisions[1].margin_db == pytest.approx(10.0 * np.log10(best / other), abs=0.01)


def test_coherence_of_a_short_take_is_not_flattered() -> None:
    """0.8 of either mic's power is the guitar: coherence 0.64. Of K frames the plain estimate is (1 - C)^2 / K higher
    (Carter, Knapp & Nuttall, IEEE Trans. AU 21(4), 1973), 1 / K for unrelated audio; that much is taken from all, so
    that chance reads 0 and 1 stays 1. 0.012: what the mean of 16 takes leaves."""
    found, chances = [], []
    for seed in range(16):
        guitar = noise(seed, 2.0)
        rows = [guitar + noise(seed + 1000, 2.0, 0.05), guitar + noise(seed + 2000, 2.0, 0.05)]
        decision = align(heard({"left": rows})).performances[0].judged[1].decision
        found.append(decision.coherence)
        chances.append(decision.chance)
    truth, chance = 1.0 / 1.25**2, float(np.mean(chances))  # type: ignore[arg-type]
    assert 0.04 < chance < 0.12
    plain = truth + (1.0 - truth) ** 2 * chance
    assert np.mean(found) == pytest.approx((plain - chance) / (1.0 - chance), abs=0.012)  # type: ignore[arg-type]


def test_hiss_is_taken_out_by_its_own_measure() -> None:
    """A dull guitar that plays three quarters of the time, under hiss 31 dB below it, but only 9 dB in the highs:
    what is left there without the stops' noise is the guitar's power within 4 % (a thousand bins, 100 frames)."""
    frames = 40 * RATE
    on = (np.arange(frames) / RATE) % 8.0 < 6.0
    guitar = lfilter([1.0], [1.0, -0.995], noise(5, 40.0, 0.02)) * on
    hiss = 0.02 * np.sqrt(0.25 * 0.3)
    hissing = heard({"left": [guitar + noise(6, 40.0, hiss), guitar + noise(7, 40.0, hiss)]})
    clean = heard({"left": [guitar + noise(8, 40.0, 1e-6), guitar + noise(9, 40.0, 1e-6)]})
    found, truth = (build_case(song, song.performances[0]).signal for song in (hissing, clean))
    highs = (found.freqs_hz > 2000.0) & (found.freqs_hz < 6000.0)
    left, played = found.power[:, highs].sum(axis=1), truth.power[:, highs].sum(axis=1)
    assert left == pytest.approx(played, rel=0.04)
    assert (found.total[:, highs].sum(axis=1) > 1.1 * played).all()


def test_unrelated_mics_share_no_band() -> None:
    """Chance passes the threshold in less than one band of twenty."""
    shared = []
    for seed in range(10):
        song = heard({"left": [noise(seed, 4.0), noise(seed + 500, 4.0)]})
        shared.append(build_case(song, song.performances[0]).signal.mask.mean())
    assert np.mean(shared) < 0.05


def test_a_delay_in_centimetres_is_that_of_sound_at_the_recipe_s_temperature() -> None:
    """c = 343.2 sqrt(T / 293.15) m/s (ISO 9613-1): half a metre at -10 degrees takes 24.6 samples of 16 kHz."""
    guitar = riff(1, 4 * RATE, RATE)
    mics = {"dynamic": {}, "ribbon": {"delay": {"cm": 50}}}
    for temperature_c in (-10.0, 35.0):
        song = align(heard({"left": [guitar, guitar]}, mics, temperature_c=temperature_c))
        wanted = 0.5 / (343.2 * np.sqrt((temperature_c + 273.15) / 293.15)) * RATE
        assert song.performances[0].judged[1].decision.delay_samples == pytest.approx(wanted, rel=1e-6)


def test_a_mic_that_moved_by_three_centimetres_is_told() -> None:
    """Three performances; in one the mic stood 3 cm further away (1.4 samples of 16 kHz). The others share a delay."""
    takes = {}
    for number, name in enumerate(("left", "right", "centre")):
        guitar = noise(number, 8.0)
        moved = 1.4 if name == "centre" else 0.0
        turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(guitar)) * (6.0 + moved))
        takes[name] = [guitar, np.fft.irfft(np.fft.rfft(guitar) * turn, len(guitar))]
    song = align(heard(takes))
    assert [finding.subject for finding in told(song, "alignment-moved")] == ["centre/ribbon"]
    assert song.performance("centre").judged[1].decision.moved_samples == pytest.approx(1.4, abs=0.02)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_room_whose_polarity_is_unclear_stays_as_recorded(sign: int) -> None:
    """Every frequency turned by a quarter: both polarities fit equally well, whichever comes out ahead."""
    guitar = riff(1, 8 * RATE, RATE)
    room = sign * np.roll(np.imag(hilbert(guitar)), 60)
    song = align(heard({"left": [guitar, 0.8 * guitar, room]}, {**TWO, "room": {"role": "room"}}))
    decision = song.judged[2].decision
    assert (decision.polarity_clear, decision.polarity) == (False, 1)


@pytest.mark.parametrize("muted", [False, True])
def test_a_muted_mic_that_is_refused_stays_out_of_the_sum(muted: bool) -> None:
    """`refused: keep` keeps what the recipe would have summed."""
    mics = {**THREE, "guest": {"mute": muted}}
    song = align(heard({"left": [*three(3, 1.0)[:2], noise(9, 30.0)]}, mics, refused="keep"))
    decision = song.judged[2].decision
    assert decision.refusal == "alignment-incoherent"
    assert decision.summed is not muted


def test_a_rotation_never_smears_what_is_above_500_hz() -> None:
    """A mic behind an all-pass of second order at 700 Hz with q 1, whose group delay varies by 0.9 ms: its own inverse
    is never chosen, and what is chosen varies by less than 0.5 ms, by scipy's group delay (half of the threshold of
    Blauert & Laws, JASA 63(5), 1978)."""
    tangent = np.tan(np.pi * 700.0 / RATE)
    low, high = 1.0 - tangent + tangent**2, 1.0 + tangent + tangent**2
    all_pass = np.array([low / high, 2.0 * (tangent**2 - 1.0) / high, 1.0])
    guitar = noise(4, 12.0)
    song = align(heard({"left": [lfilter(all_pass, all_pass[::-1], guitar), guitar]}, rotate="auto"))
    rotation = song.judged[1].decision.rotation
    assert rotation is not None
    tangent = np.tan(np.pi * rotation.corner_hz / RATE)
    if rotation.order == 1:
        b = np.array([(tangent - 1.0) / (tangent + 1.0), 1.0])
    else:
        low, high = (1.0 + sign * tangent / rotation.q + tangent**2 for sign in (-1.0, 1.0))
        b = np.array([low / high, 2.0 * (tangent**2 - 1.0) / high, 1.0])
    _, samples = group_delay((b, b[::-1]), np.linspace(500.0, 0.45 * RATE, 400), fs=RATE)
    assert np.ptp(samples) / RATE < 0.5e-3
