"""Adapter for audio files; the only user of soundfile."""
