"""Messages of the draft stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "draft-no-audio": "Name the folder that holds one song's tracks.",
    "draft-too-many-files": "Name the folder of one song, or take away what is no track of it.",
    "draft-nothing-usable": "Export the tracks again as mono WAV, FLAC or AIFF files with ordinary names.",
    "draft-no-order": "Name the files after performance and mic, for example left_dynamic.wav.",
}
