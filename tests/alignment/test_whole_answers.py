"""Answers that only a look at the whole gives: several mics that must move together, estimates that lie close."""

import numpy as np

from premix.alignment.agreement import Estimate, agreeing
from premix.alignment.kernel import SignalSpectra, build_kernel
from premix.alignment.solver import State, Variable, solve
from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from tests.rigs.songs import spectra_of

RATE = 16000
PERIOD = 32.0
"""Samples of a period of 500 Hz, around which alone the reference shares something with the others."""


def ridges(others: int) -> SignalSpectra:
    """A reference that hears only 400 to 600 Hz of what `others` mics share from 100 Hz to 4 kHz.

    All stand at one place; but towards the reference the first of them fits a period later. The others' phase towards
    it is a little uneven, so that the first is surest of itself.
    """
    names = ["reference", *(f"mic_{m}" for m in range(others))]
    spectra = spectra_of(np.random.default_rng(1).standard_normal((len(names), 8192)), RATE, names, len(names))
    freqs = spectra.freqs_hz
    wide: FloatArray = np.asarray((freqs > 100.0) & (freqs < 4000.0), np.float64)
    narrow: FloatArray = np.asarray((freqs > 400.0) & (freqs < 600.0), np.float64)
    matrix: ComplexArray = np.multiply.outer(np.ones((len(names), len(names))), wide.astype(np.complex128))
    late = narrow * np.exp(-2j * np.pi * freqs / RATE * PERIOD)
    uneven = narrow * np.exp(0.4j * np.cos(freqs / 5.0))
    matrix[1:, 0], matrix[0, 1:] = 0.1 * uneven, 0.1 * uneven.conj()
    matrix[0, 0] = wide
    matrix[1, 0], matrix[0, 1] = 0.1 * late, 0.1 * late.conj()
    bands = third_octave_bands(100.0, 4000.0)
    slices = band_slices(freqs, bands)
    present = np.ones((len(names), len(bands)), np.bool_)
    power = np.broadcast_to(wide, (len(names), len(freqs))).copy()
    return SignalSpectra(
        mics=tuple(names),
        rate=RATE,
        freqs_hz=freqs,
        bands=bands,
        slices=slices,
        partners=np.arange(len(names)),
        matrix=matrix,
        spectra=spectra,
        responses=np.ones(power.shape, np.complex128),
        power=power,
        total=power,
        frames=100.0,
        present=present,
        mask=present,
    )


def test_mics_that_sit_on_a_wrong_ridge_together_leave_it_together() -> None:
    """The surest mic goes first and a period wrong; five follow it, as they fit it better than the reference. None
    of them can leave alone, nor two; all at once can, and five fits with the reference are worth more than one."""
    signal = ridges(6)
    state = State([build_kernel(signal, np.ones(7, np.bool_))], RATE)
    state.put(Variable(((0, 0),), 0.0), 0.0, 1)
    solved = solve([Variable(((0, m),), 64.0) for m in range(1, 7)], state)
    assert solved.signs[0].tolist() == [1] * 7
    assert np.abs(solved.delays[0]).max() < 4.0


def test_of_two_groups_as_large_the_closer_one_is_believed() -> None:
    """Two pairs of performances, each in agreement within itself; whichever comes first."""

    def estimates(*delays: float) -> list[Estimate]:
        return [Estimate(k, 1, delay, 1, np.inf) for k, delay in enumerate(delays)]

    for delays in ((5.0, 5.9, 9.0, 9.1), (9.0, 9.1, 5.0, 5.9)):
        assert sorted(e.delay_samples for e in agreeing(estimates(*delays), 1.0)) == [9.0, 9.1]
