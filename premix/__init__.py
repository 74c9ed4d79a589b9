"""premix: raw multi-mic heavy-guitar tracks to phase-coherent, mix-ready stems."""

__version__ = "0.1.0"
