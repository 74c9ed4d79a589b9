"""Measures of finished audio: peaks, loudness, correlation, mono fold."""
