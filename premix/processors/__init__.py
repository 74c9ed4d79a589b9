"""Processors of `chain:`, by family; the only user of pedalboard."""
