"""Files and signals.

Files (the only user of soundfile). headers: what a file says of itself, checked. chunks: its parts, byte for byte, and
the bext chunk. reader: tracks as blocks of samples. samples: bytes from and to floats, dither, rounding. writer: parts.

Signals, pure functions and streams over float64 arrays. bands: third octaves, and the power of a gate's key. filters:
second-order sections, FIRs, delays. gains: gate curves, pan, width.
"""
