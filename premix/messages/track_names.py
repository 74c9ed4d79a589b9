"""Messages about finding the tracks' files by their names: slug -> remedy."""

SLUGS: dict[str, str] = {
    "track-no-folder": "Check the path of the tracks folder, and that you may read it.",
    "track-no-audio": "Name the folder that holds the tracks; for folders in it, put / into the pattern.",
    "track-too-many-files": "Name the song's own folder, or use fewer * and / in `tracks.name`.",
    "track-no-name-fits": "Write `tracks.name` as the files are called, or give the names in `aliases`.",
    "track-not-found": "Rename the file, add an alias, give its `file`, or mark it `optional: true`.",
    "track-ambiguous": "Make `tracks.name` say more, or name the right one with `file`.",
    "track-odd-name": "Rename the file with ordinary characters.",
    "track-reference-missing": "Find the reference mic's track, or choose another `alignment.reference`.",
    "track-more-problems": "Mend the problems that are shown, then run again.",
    "track-unused-files": "Nothing to do if these are other tracks; else check the names in the recipe.",
}
