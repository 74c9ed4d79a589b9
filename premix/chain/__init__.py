"""Processors that a recipe may put in a chain; the only user of pedalboard."""
