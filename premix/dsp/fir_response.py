"""The frequency response of a long impulse response at any frequencies, in a few products of matrices."""

import numpy as np

from premix.model.analysis import ComplexArray, FloatArray

_PIECE, _ROWS = 256, 64


def fir_response(taps: FloatArray, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) sum of taps[n] e^(-j 2 pi f n / rate), of taps (n,): pieces by themselves, then Horner's rule over them."""
    pieces = np.pad(taps, (0, -len(taps) % _PIECE)).reshape(-1, _PIECE)
    turn = -2j * np.pi / rate * freqs_hz
    within, onward = np.exp(np.outer(np.arange(_PIECE), turn)), np.exp(_PIECE * turn)
    parts = np.ascontiguousarray(within.real), np.ascontiguousarray(within.imag)
    total = np.zeros(len(freqs_hz), np.complex128)
    for start in reversed(range(0, len(pieces), _ROWS)):
        some = pieces[start : start + _ROWS]
        for piece in (some @ parts[0] + 1j * (some @ parts[1]))[::-1]:
            total = total * onward + piece
    return total
