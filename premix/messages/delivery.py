"""Messages of the delivery stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "disk_full": "Make room on the disk, or choose another place with --out; nothing was written.",
    "cannot_write": "Choose a place you may write to with --out.",
    "not_finite": "Look for the track or the processor that gives such samples; nothing was written.",
}
