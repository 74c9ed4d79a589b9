"""Measures of finished audio.

meters: all measures of an output and of a render, from peaks, loudness, stereo and doubling. frames: the stream in
steps and frames. residual: the null test. limits: what a recipe asks of the figures.
"""
