"""Messages of the demo stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "demo-settings": "Choose a length, rate, format and depth that the demo session can be made in.",
    "demo-folder": "Name a new or empty folder, or one that holds an earlier demo session and nothing else.",
}
