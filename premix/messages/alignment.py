"""Messages of the alignment stage: slug -> remedy."""

SLUGS: dict[str, str] = {}
