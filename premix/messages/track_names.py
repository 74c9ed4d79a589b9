"""Messages about finding the tracks' files by their names: slug -> remedy."""

SLUGS: dict[str, str] = {
    "no_folder": "Check the path of the tracks folder, and that you may read it.",
    "no_audio_files": "Name the folder that holds the tracks; for folders in it, put / into the pattern.",
    "too_many_files": "Name the song's own folder, or use fewer * and / in `tracks.name`.",
    "no_file_fits": "Write `tracks.name` as the files are called, or give the names in `aliases`.",
    "track_not_found": "Rename the file, add an alias, give its `file`, or mark it `optional: true`.",
    "track_ambiguous": "Make `tracks.name` say more, or name the right one with `file`.",
    "odd_file_name": "Rename the file with ordinary characters.",
    "reference_missing": "Find the reference mic's track, or choose another `alignment.reference`.",
    "more_track_problems": "Mend the problems that are shown, then run again.",
    "unused_files": "Nothing to do if these are other tracks; else check the names in the recipe.",
}
