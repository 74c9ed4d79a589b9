"""The room's first sound: when the guitar first reaches a room mic, however weak against the reflections after it.

The alignment places a room mic by the strongest agreement with the close mics, and that may be a reflection, where a
cabinet faces away or the mic stands behind a gobo. The gate must be open for what comes first, so it is looked for in
the room's response to the reference mic, R(f) = S_rc(f) / S_cc(f) from the cross-spectra of the loud frames (the H1
estimate; Bendat & Piersol, Random Data, 4th ed., section 6.1).
"""

import numpy as np

from premix.model.song import NOT_YET, Mic, Performance

SHARE = 0.25
"""A sound of the room is a peak of its response at least this high against the highest: 12 dB."""
CLEAR = 3.0
"""And this far above what the response holds before any sound can have come, root mean square."""
EARLIEST_MS, BEFORE_MS = -1.0, 30.0
REGULAR = 1e-3
"""Bands that the reference does not hear are left out, 30 dB under the mean."""


def first_sound_samples(performance: Performance, room: Mic, rate: int) -> float | None:
    """How much later than the key the room mic first hears the guitar, as recorded, in samples; None: not known.

    Never later than the arrival that the alignment has found.
    """
    spectra, found = performance.spectra, room.decision.arrival_samples
    reference = room.decision.reference
    if found is None or spectra is NOT_YET or reference not in spectra.mics or room.name not in spectra.mics:
        return found
    r, c = spectra.mics.index(room.name), spectra.mics.index(reference)
    if c not in spectra.partners:
        return found
    cross = spectra.active[:, r, spectra.partners.index(c)].sum(axis=0)
    power = spectra.active_powers[:, c].sum(axis=0)
    response = cross / (power + REGULAR * power.mean() + 1e-30)
    size = 2 * round(rate / float(spectra.freqs_hz[1] - spectra.freqs_hz[0]) / 2)
    whole = np.zeros(size // 2 + 1, np.complex128)
    first_bin = round(float(spectra.freqs_hz[0]) * size / rate)
    taper = np.hanning(2 * 64 + 1)
    shaped = response.copy()
    edge = min(64, len(shaped) // 2)
    shaped[:edge] *= taper[:64][:edge]
    shaped[len(shaped) - edge :] *= taper[65:][64 - edge :]
    whole[first_bin : first_bin + len(shaped)] = shaped
    late = spectra.offsets[r] - spectra.offsets[c]
    sound = np.abs(np.fft.irfft(whole, size))
    earliest, strongest = round(EARLIEST_MS * rate / 1000.0), round(found - late)
    if strongest <= earliest:
        return found
    at = np.arange(earliest, strongest + 1)
    before = sound[np.arange(earliest - round(BEFORE_MS * rate / 1000.0), earliest) % size]
    least = max(SHARE * float(sound[at % size].max()), CLEAR * float(np.sqrt(np.mean(before**2))))
    heard = np.flatnonzero(sound[at % size] >= least)
    return min(found, float(at[heard[0]] + late)) if heard.size else found
