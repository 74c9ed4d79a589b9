"""Messages of the tracks stage: slug -> remedy."""

SLUGS: dict[str, str] = {}
