"""Draft stage: a folder of tracks -> a proposed recipe with comments, from the names and from the audio."""
