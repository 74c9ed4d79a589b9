"""Messages of the recipe stage: slug -> remedy."""

SLUGS: dict[str, str] = {}
