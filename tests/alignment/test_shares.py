"""What each mic does in the sum: shares, and what is lost without it, against the mix itself and scipy."""

from collections.abc import Mapping

import numpy as np
import pytest
from scipy.optimize import least_squares

from premix.alignment.kernel import SignalSpectra, signal_spectra
from premix.alignment.shares import SPARE_DB, band_matrices, levelled_again, mic_shares
from premix.arrays import ComplexArray, FloatArray
from premix.gate.rooms import decide_gates
from premix.mixdown.plan import Switches, plan_mix, switched
from premix.model.mix import MixPlan
from premix.model.tracks import Spectra
from premix.pipeline import prepare
from premix.units import db_to_gain
from tests.conftest import Demo
from tests.rigs.mixes import mixed_whole

RATE = 48_000


def spectra_of(responses: ComplexArray, freqs_hz: FloatArray, partners: tuple[int, ...]) -> Spectra:
    """Of mics that hear several sources, responses (S, M, F): noise-free, 100 active frames."""
    matrix = np.einsum("smf,snf->mnf", responses, responses.conj()) * 100.0
    powers = np.einsum("mmf->mf", matrix).real
    none = np.zeros((len(powers), len(partners), len(freqs_hz)), np.complex128)
    columns = matrix[:, partners]
    return Spectra(
        "left",
        tuple(f"mic{m}" for m in range(len(powers))),
        freqs_hz,
        np.stack([0.5 * columns, 0.5 * columns]),
        (50, 50),
        none,
        0,
        16_384,
        16_384,
        (0,) * len(powers),
        partners,
        np.stack([0.5 * powers, 0.5 * powers]),
        np.zeros_like(powers),
    )


def signal_of(responses: ComplexArray, partners: tuple[int, ...] | None = None) -> SignalSpectra:
    """Mics with these responses (S, M, F) over 40 Hz to 11 kHz."""
    mics, bins = responses.shape[1:]
    freqs_hz: FloatArray = np.linspace(30.0, 11_000.0, bins)
    spectra = spectra_of(responses, freqs_hz, partners or tuple(range(mics)))
    ones = np.ones((mics, bins), np.complex128)
    return signal_spectra(spectra, RATE, ones, np.zeros(mics, np.bool_))


def test_two_mics_alike_have_half_each_and_either_could_be_left_out() -> None:
    """The other one turned up by 20 log10(2) makes the same sum."""
    signal = signal_of(np.ones((1, 2, 4000), np.complex128))
    shares = mic_shares(signal, np.ones(2, np.bool_), np.ones((2, 4000), np.complex128))
    for share in shares:
        assert share.share == pytest.approx(0.5)
        assert share.spare
        assert share.without_db == pytest.approx(0.0, abs=1e-6)
        assert [level for _, level in share.levelled] == pytest.approx([6.0206], abs=1e-3)


def test_a_mic_that_takes_away_has_less_than_nothing() -> None:
    """Gains 1 and -0.25 of one sound: power 0.75^2, shares 1 x 0.75 and -0.25 x 0.75 of it."""
    signal = signal_of(np.ones((1, 2, 4000), np.complex128) * np.array([1.0, 0.25])[:, None])
    turned = np.ones((2, 4000), np.complex128) * np.array([1.0, -1.0])[:, None]
    shares = mic_shares(signal, np.ones(2, np.bool_), turned)
    assert [share.share for share in shares] == pytest.approx([4.0 / 3.0, -1.0 / 3.0])
    assert sum(share.share for share in shares) == pytest.approx(1.0)


def test_alone_in_a_band_a_mic_cannot_be_spared() -> None:
    """One mic hears nothing below 1 kHz: without the other there is silence."""
    freqs_hz = np.linspace(30.0, 11_000.0, 4000)
    responses = np.stack([np.ones(4000), np.where(freqs_hz > 1000.0, 1.0, 1e-4)])[None].astype(np.complex128)
    shares = mic_shares(signal_of(responses), np.ones(2, np.bool_), np.ones((2, 4000), np.complex128))
    assert not shares[0].spare
    assert shares[0].without_db < -20.0
    assert shares[1].without_db == pytest.approx(-3.0, abs=0.5)
    assert shares[0].bands[0].share == pytest.approx(1.0, abs=1e-3)


def test_nothing_is_told_of_silence_and_of_no_mic() -> None:
    turned = np.ones((2, 400), np.complex128)
    assert mic_shares(signal_of(np.zeros((1, 2, 400), np.complex128)), np.ones(2, np.bool_), turned) == ()
    assert mic_shares(signal_of(np.ones((1, 2, 400), np.complex128)), np.zeros(2, np.bool_), turned) == ()


@pytest.mark.parametrize("seed", range(6))
def test_the_others_are_levelled_as_a_general_solver_levels_them(seed: int) -> None:
    """scipy.optimize.least_squares (trust region, bounded), from the same start: never more than a hundredth better."""
    rng = np.random.default_rng(seed)
    parts = rng.standard_normal((25, 5, 40)) * rng.uniform(0.2, 1.0, (25, 5, 1)) + 1.5 * rng.standard_normal(
        (25, 1, 40)
    )
    matrices = np.einsum("bmk,bnk->bmn", parts, parts)
    gains, changes = levelled_again(matrices, [0, 2, 3, 4])
    own, aim = matrices[:, [0, 2, 3, 4]][:, :, [0, 2, 3, 4]], matrices.sum(axis=(1, 2))

    def cost(x: FloatArray) -> FloatArray:
        found: FloatArray = 10.0 * np.log10(np.einsum("m,bmn,n->b", x, own, x) / aim)
        return found

    assert cost(gains) == pytest.approx(changes, abs=1e-9)
    best = least_squares(cost, np.ones(4), bounds=(0.0, 4.0))
    assert changes @ changes <= 2.0 * best.cost * 1.01 + 1e-9


def test_mics_that_were_not_compared_share_what_their_partners_tell() -> None:
    """Three sources and four partners: the completion is exact (Williams & Seeger, NIPS 13, 2000)."""
    rng = np.random.default_rng(4)
    responses = rng.standard_normal((3, 10, 2000)) + 1j * rng.standard_normal((3, 10, 2000))
    apart = np.exp(0.5j * np.pi * np.outer(np.arange(3), np.arange(4)))  # rows of a DFT: no source hides in another
    responses[:, [0, 2, 5, 6]] = apart[:, :, None] * np.exp(2j * np.pi * rng.uniform(size=2000))
    turned = np.exp(2j * np.pi * rng.uniform(size=(10, 2000)))
    whole = band_matrices(signal_of(responses), list(range(10)), turned)
    few = band_matrices(signal_of(responses, (0, 2, 5, 6)), list(range(10)), turned)
    assert few == pytest.approx(whole, rel=1e-6, abs=1e-6 * float(np.abs(whole).max()))


def band_powers(signal: FloatArray) -> FloatArray:
    """Energies of a whole signal between the edges of the base-10 third octaves (IEC 61260-1), 40 Hz to 10 kHz."""
    power = np.abs(np.fft.rfft(signal)) ** 2
    freqs_hz = np.fft.rfftfreq(len(signal), 1.0 / RATE)
    edges = 1000.0 * 10.0 ** (0.1 * (np.arange(-14, 12) - 0.5))
    return np.add.reduceat(power, np.searchsorted(freqs_hz, edges))[:-1]


def stem_powers(plan: MixPlan, gains: Mapping[str, float]) -> FloatArray:
    return band_powers(mixed_whole(switched(plan, Switches(gains=gains)), ["stem_left_a"])["stem_left_a"][0])


def test_what_is_told_is_what_the_mix_does(demo: Demo) -> None:
    """The demo mixed without each mic, the others at the gains that are told: every band changes as told.

    0.15 dB: the figures are of the riff without the noise of its stops, the mix is the whole song with it.
    """
    with prepare(demo.song.recipe, demo.song.tracks) as ready:
        song = decide_gates(ready.song)
        plan = plan_mix(song)
    performance = song.performance("left_a")
    whole = stem_powers(plan, {})
    own = {path.track.mic: path.gain for path in plan.performances[0].close}
    assert [share.mic for share in performance.efficiency.shares] == list(own)
    for share in performance.efficiency.shares:
        gains = {mic: own[mic] * db_to_gain(level_db) for mic, level_db in share.levelled} | {share.mic: 0.0}
        changes_db = 10.0 * np.log10(stem_powers(plan, gains) / whole)
        told = {round(band.centre_hz): band.without_db for band in share.bands}
        assert changes_db == pytest.approx([told[hz] for hz in told], abs=0.15)
        assert share.spare == bool(np.abs(list(told.values())).max() <= SPARE_DB)
    for bands in zip(*(share.bands for share in performance.efficiency.shares), strict=True):
        assert sum(band.share for band in bands) == pytest.approx(1.0)
