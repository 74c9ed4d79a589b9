"""Messages of the gate stage: slug -> remedy."""

SLUGS: dict[str, str] = {}
