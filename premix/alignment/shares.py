"""What each close mic does in the sum: its share of every third octave, and what is lost without it.

In one band the power of a sum with gains x is x' A x, where A holds the real parts of the mics' cross-spectra, each
turned as decided. A mic's share is x_m (A x)_m of it: what it brings alone and together with the others (the covariance
share; all of them add up to 1). Left out, a mic can be made up for by the others: their gains are found that keep all
bands nearest to what they were, in dB (Gauss and Newton's steps, no gain below 0).
"""

from collections.abc import Iterator, Sequence

import numpy as np

from premix.alignment.kernel import MIN_LEVEL_DB, SignalSpectra, build_kernel
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.model.alignment import BandShare, MicShare
from premix.units import SILENCE_DB, db_to_power

SPARE_DB = 0.5
"""A mic whose absence changes no band by more than this could be left out."""
MOST_GAIN = 4.0
"""No other mic is turned up by more than 12 dB for one that is left out: it would lift its own noise and bleed."""
NOTHING_LEFT_DB = -60.0
"""A band that falls further is told as this: nothing is left of it."""
_STEPS, _HALVINGS = 24, 6
_DB = 10.0 / np.log(10.0)
_LEAST_DB = -120.0


def mic_shares(signal: SignalSpectra, chosen: BoolArray, after: ComplexArray) -> tuple[MicShare, ...]:
    """What each of the `chosen` (M) mics does; after: (M, F) phase terms as decided. Nothing for silence."""
    mics = np.flatnonzero(chosen)
    matrices = band_matrices(signal, mics.tolist(), after)
    powers = matrices.sum(axis=(1, 2))
    heard = np.flatnonzero(powers > powers.max(initial=0.0) * db_to_power(MIN_LEVEL_DB))
    if not len(heard):
        return ()
    matrices, powers = matrices[heard], powers[heard]
    shares = matrices.sum(axis=2) / powers[:, None]
    centres_hz = [signal.bands[b].centre_hz for b in heard]
    return tuple(_share(place, signal, mics.tolist(), shares, matrices, centres_hz) for place in range(len(mics)))


def _share(
    place: int,
    signal: SignalSpectra,
    mics: Sequence[int],
    shares: FloatArray,
    matrices: FloatArray,
    centres_hz: Sequence[float],
) -> MicShare:
    others = [other for other in range(len(mics)) if other != place]
    gains, changes_db = levelled_again(matrices, others)
    change_db = np.maximum(changes_db, NOTHING_LEFT_DB)
    own = zip(centres_hz, shares[:, place].tolist(), change_db.tolist(), strict=True)
    worst_db = float(change_db[np.argmax(np.abs(change_db))])
    return MicShare(
        mic=signal.mics[mics[place]],
        share=float(shares[:, place].mean()),
        without_db=worst_db,
        spare=abs(worst_db) <= SPARE_DB,
        levelled=tuple(
            (signal.mics[mics[other]], float(2.0 * _DB * np.log(gain)) if gain > 0.0 else _LEAST_DB)
            for other, gain in zip(others, gains.tolist(), strict=True)
        ),
        bands=tuple(BandShare(*band) for band in own),
    )


def levelled_again(matrices: FloatArray, others: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Gains (M') of the `others` that keep the bands of the whole sum nearest in dB, and the changes (B) left then.

    matrices: (B, M, M), real and symmetric, at the gains as they are. With no others left nothing is heard.
    """
    aim = matrices.sum(axis=(1, 2))
    if not others:
        return np.zeros(0), np.full(len(aim), -SILENCE_DB)
    own = matrices[:, others][:, :, others]
    floor = 1e-12 * aim

    def change_db(gains: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Changes (B), and what they change by (B, M')."""
        pulled: FloatArray = own @ gains
        power = np.maximum(pulled @ gains, floor)
        changes: FloatArray = _DB * np.log(power / aim)
        return changes, 2.0 * _DB * pulled / power[:, None]

    gains = np.ones(len(others))
    changes, slopes = change_db(gains)
    for _ in range(_STEPS):
        step = np.linalg.lstsq(slopes, -changes, rcond=1e-6)[0]
        for halving in range(_HALVINGS):
            tried = np.clip(gains + step / 2.0**halving, 0.0, MOST_GAIN)
            found, slopes_there = change_db(tried)
            if found @ found < changes @ changes - 1e-9:
                gains, changes, slopes = tried, found, slopes_there
                break
        else:
            break
    return gains, changes


def band_matrices(signal: SignalSpectra, mics: Sequence[int], turned: ComplexArray) -> FloatArray:
    """(B, m, m) real parts of what `mics` share in each third octave, turned by phase terms (M, F).

    Mics that were not compared with each other share what their partners tell (as in `kernel`).
    """
    place = {mic: row for row, mic in enumerate(mics)}
    found = np.zeros((len(signal.slices), len(mics), len(mics)))
    if not mics:
        return found
    known = [(column, mic) for column, mic in enumerate(signal.partners.tolist()) if mic in place]
    for column, mic in known:
        shared = turned[mics].conj() * signal.matrix[mics, column] * turned[mic]
        for b, part in enumerate(signal.slices):
            found[b, :, place[mic]] = found[b, place[mic], :] = shared[:, part].real.sum(axis=1)
    rest = [mic for mic in mics if mic not in signal.partners]
    for b, among in _completed(signal, rest, turned):
        found[b][np.ix_([place[m] for m in rest], [place[m] for m in rest])] = among
    for mic in mics:
        own = signal.power[mic] * np.abs(turned[mic]) ** 2
        for b, part in enumerate(signal.slices):
            found[b, place[mic], place[mic]] = own[part].sum()
    return found


def _completed(signal: SignalSpectra, rest: list[int], turned: ComplexArray) -> Iterator[tuple[int, FloatArray]]:
    """Of each band the matrix of the mics that are nobody's partners."""
    others = build_kernel(signal, np.ones(len(signal.mics), np.bool_)).others if rest else None
    if others is None:
        return
    for b, part in enumerate(signal.slices):
        shared = turned[rest].conj()[:, None, part] * signal.matrix[rest][:, :, part]
        through = np.einsum("maf,fab->mbf", shared, others.inverse[part])
        yield b, np.einsum("mbf,nbf->mn", through, shared.conj()).real
