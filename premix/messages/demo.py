"""Messages of the demo stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "demo_settings": "Choose a length, rate, format and depth that the demo session can be made in.",
    "demo_folder": "Name a new or empty folder, or one that holds an earlier demo session and nothing else.",
}
