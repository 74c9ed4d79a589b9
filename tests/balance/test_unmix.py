"""The least squares of a mix against scipy's own, and the equaliser against a dense solver."""

import numpy as np
import pytest
from scipy.optimize import nnls

from premix.arrays import ComplexArray, FloatArray
from premix.balance.unmix import HEIGHT_SD, STEP_SD, Gains, Layout, Shared, equaliser, solve

BANDS, BINS = 12, 40


def shared_of(tracks: ComplexArray, mix: ComplexArray) -> Shared:
    """Tracks (B, K, n) and mix (2, B, n) as sums."""
    among = np.einsum("bkn,bln->bkl", tracks, tracks.conj()).real
    with_mix = np.einsum("cbn,bkn->ckb", mix, tracks.conj())
    return Shared(among, with_mix, (np.abs(mix) ** 2).sum(axis=2), np.full(BANDS, float(BINS)))


def noise(rng: np.random.Generator, *shape: int) -> ComplexArray:
    made: ComplexArray = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    return made


@pytest.mark.parametrize("seed", range(6))
def test_without_an_equaliser_it_is_what_nnls_finds(seed: int) -> None:
    """Mics of their own in one performance a side: scipy.optimize.nnls of the stacked equations, bands weighed alike;
    some of the true gains are none. 1 %: the equaliser takes up what little noise it can."""
    rng = np.random.default_rng(seed)
    tracks = noise(rng, BANDS, 4, BINS) + 0.5 * noise(rng, BANDS, 1, BINS)
    true = np.array([1.0, rng.uniform(0.2, 1.0), 0.0, rng.uniform(0.2, 1.0)])
    mix = np.einsum("k,bkn->bn", true, tracks) + 0.05 * noise(rng, BANDS, BINS)
    sides = np.stack((mix, mix))
    layout = Layout(np.arange(4), np.zeros(4, np.int64))
    start = Gains(np.ones(4), np.ones((2, 1)), np.ones(BANDS, np.complex128))
    found = solve(shared_of(tracks, sides), layout, start).tracks(layout)
    equations = np.concatenate((tracks.real, tracks.imag), axis=2).transpose(0, 2, 1).reshape(-1, 4)
    wanted, _ = nnls(equations, np.concatenate((mix.real, mix.imag), axis=1).ravel())
    assert found[0] == pytest.approx(wanted, rel=0.01, abs=0.01)
    assert found[1] == pytest.approx(wanted, rel=0.01, abs=0.01)


def test_places_and_mics_are_told_apart() -> None:
    """Two performances of three mics: gains of mics and, by side, of performances come back, but for one scale."""
    rng = np.random.default_rng(7)
    tracks = noise(rng, BANDS, 6, BINS) + np.repeat(noise(rng, BANDS, 2, BINS), 3, axis=1)
    layout = Layout(np.array([0, 1, 2, 0, 1, 2]), np.array([0, 0, 0, 1, 1, 1]))
    mics, places = np.array([1.0, 0.4, 0.7]), np.array([[0.9, 0.1], [0.2, 0.8]])
    factors = np.exp(0.3 * np.sin(np.arange(BANDS) / 3.0) + 0.2j)
    sides = np.einsum("ck,bkn->cbn", mics[layout.mic] * places[:, layout.place], tracks) * factors[None, :, None]
    start = Gains(np.ones(3), np.ones((2, 2)), np.ones(BANDS, np.complex128))
    found = solve(shared_of(tracks, sides), layout, start)
    assert found.mics / found.mics[0] == pytest.approx(mics, rel=5e-3)
    assert found.places / found.places[0, 0] == pytest.approx(places / 0.9, abs=5e-3)
    relative = found.equaliser / factors
    assert relative / relative.mean() == pytest.approx(np.ones(BANDS), abs=0.01)


def test_the_equaliser_is_the_solution_of_its_normal_equations() -> None:
    """numpy.linalg.solve of the whole matrix."""
    rng = np.random.default_rng(1)
    energy: FloatArray = rng.uniform(1.0, 50.0, BANDS)
    cross = noise(rng, BANDS) * energy
    step = np.diff(np.eye(BANDS), axis=0)
    whole = np.diag(energy) + step.T @ step / STEP_SD**2 + np.eye(BANDS) / HEIGHT_SD**2
    assert equaliser(energy, cross) == pytest.approx(np.linalg.solve(whole, cross + 1.0 / HEIGHT_SD**2))
