"""Frozen records that travel between the stages, one file a stage."""
