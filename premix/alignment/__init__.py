"""Alignment stage: cross-spectra to polarity and delay of each mic, with evidence or a refusal."""
