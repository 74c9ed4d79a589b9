"""Messages of the delivery stage: slug -> remedy."""

SLUGS: dict[str, str] = {}
