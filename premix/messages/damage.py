"""Messages about what the samples of a track show: slug -> remedy."""

SLUGS: dict[str, str] = {
    "track-not-finite": "Export the file again, or render it to 24-bit PCM.",
    "track-silent": "Check the cable and the export, or mute the mic in this performance.",
    "track-clipped": "Nothing brings the tops back: use another take, or lower the mic in the sum.",
    "track-over-full-scale": "Fine inside premix; the ceiling keeps the outputs in range.",
    "track-dropouts": "Listen there; export the file again if the recording itself is whole.",
    "track-hum": "Look for the ground loop or the pickup; a `notch` in the mic's chain takes it out of this take.",
    "track-dc": "Harmless in the sum up to a point; a high_pass_hz on the mic takes it out.",
}
