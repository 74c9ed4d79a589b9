"""Tracks stage: names to files to a TrackSet on one time line, with intake findings."""
