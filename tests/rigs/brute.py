"""The best sum efficiency by exhaustion: every delay on a grid, every polarity, then a local refinement by scipy.

Independent of the solver: it only shares the kernel, whose definition it checks against.
"""

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from premix.arrays import ComplexArray, FloatArray, IndexArray

Point = tuple[int, ...]
Best = tuple[float, Point, tuple[int, ...]]
"""Efficiency, delays in steps of the grid, polarities."""


def efficiency_of(
    matrix: ComplexArray, freqs_hz: FloatArray, rate: int, delays: npt.ArrayLike, signs: npt.ArrayLike
) -> float:
    """Efficiency of given delays (M) and signs (M) on a kernel matrix (M, M, F)."""
    turned = np.asarray(signs)[:, None] * np.exp(-2j * np.pi * freqs_hz / rate * np.asarray(delays)[:, None])
    return float(np.einsum("mf,mnf,nf->", turned.conj(), matrix, turned).real)


def brute_force(
    matrix: ComplexArray, freqs_hz: FloatArray, rate: int, anchor: int, free: Sequence[int], search: float, step: float
) -> float:
    """Largest efficiency over delays of the `free` mics within +-search samples and all their polarities.

    At most three free mics; `step` samples between the points of the grid.
    """
    count = len(matrix)
    lags = np.arange(-2 * int(search / step), 2 * int(search / step) + 1)
    reach = int(search / step)
    live = np.abs(matrix).sum(axis=(0, 1)) > 0.0
    matrix, freqs_hz = matrix[:, :, live], freqs_hz[live]
    couples = list(itertools.combinations([anchor, *free], 2))
    crosses = np.stack([matrix[m, n] for m, n in couples], axis=1)
    scores = np.concatenate(
        [
            2.0 * np.real(np.exp(2j * np.pi * np.outer(part * step, freqs_hz) / rate) @ crosses)
            for part in np.array_split(lags, 20)
        ]
    )
    tables = dict(zip(couples, scores.T, strict=True))  # by lag of m against n
    constant = sum(float(matrix[m, m].sum().real) for m in [anchor, *free])
    grid = np.arange(-reach, reach + 1)
    best: list[Best] = []
    for signs in itertools.product((1, -1), repeat=len(free)):
        single = [s * tables[anchor, m][2 * reach - grid] for s, m in zip(signs, free, strict=True)]
        pairs = {
            (i, j): signs[i] * signs[j] * tables[free[i], free[j]]
            for i, j in itertools.combinations(range(len(free)), 2)
        }
        best += _grid_best(constant, single, pairs, grid, reach, signs)
    best.sort(key=lambda b: -b[0])
    answers = []
    for _, where, signs in best[:6]:
        full = np.zeros(count)
        full[anchor] = 1.0
        full[list(free)] = signs

        def loss(delays: FloatArray, full: FloatArray = full) -> float:
            all_delays = np.zeros(count)
            all_delays[list(free)] = delays
            return -efficiency_of(matrix, freqs_hz, rate, all_delays, full)

        found = minimize(loss, np.array(where) * step, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-10})
        if np.all(np.abs(found.x) <= search):
            answers.append(-found.fun)
    return max(answers)


def _grid_best(
    constant: float,
    single: Sequence[FloatArray],
    pairs: dict[tuple[int, int], FloatArray],
    grid: IndexArray,
    reach: int,
    signs: tuple[int, ...],
) -> list[Best]:
    """The best grid points of one choice of polarities."""
    found: list[Best] = []
    if len(single) == 1:
        order = np.argsort(-single[0])[:3]
        return [(constant + single[0][o], (int(grid[o]),), signs) for o in order]
    tail = single[-2][:, None] + single[-1][None, :]
    index = grid[:, None] - grid[None, :] + 2 * reach
    tail = tail + pairs[len(single) - 2, len(single) - 1][index]
    if len(single) == 2:
        flat = np.argpartition(-tail, 3, axis=None)[:3]
        return [
            (constant + tail.flat[o], tuple(int(grid[i]) for i in np.unravel_index(o, tail.shape)), signs) for o in flat
        ]
    for a, first in enumerate(single[0]):
        table = tail + pairs[0, 1][grid[a] - grid + 2 * reach][:, None] + pairs[0, 2][grid[a] - grid + 2 * reach]
        o = int(np.argmax(table))
        where = np.unravel_index(o, table.shape)
        found.append((constant + first + table.flat[o], (int(grid[a]), *(int(grid[i]) for i in where)), signs))
    return sorted(found, key=lambda f: -f[0])[:3]
