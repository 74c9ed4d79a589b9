"""Messages of the delivery stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "disk-full": "Make room on the disk, or choose another place with --out; nothing was written.",
    "scratch-full": "Make room there, or choose another place with the environment variable TMPDIR.",
    "over-ceiling": "Lower the gains, raise `deliver.ceiling_dbtp`, or write `deliver: {trim: auto}`.",
    "cannot-write": "Choose a place you may write to with --out.",
    "not-finite": "Look for the track or the processor that gives such samples; nothing was written.",
    "out-in-tracks": "Choose an output folder outside the tracks folder with --out.",
    "out-is-here": "Choose a folder of its own with --out.",
    "out-exists": "Choose another folder with --out, or replace all of it with --force.",
    "out-has-other-files": "Move those files, choose another folder with --out, or replace all with --force.",
    "out-in-use": "Wait until the other run has ended.",
    "name-template": "Write `deliver: {name: \"{song}_{part}\"}` in the recipe, or leave it out.",
    "names-collide": "Keep {part} in `deliver.name`; names of performances must differ in more than case.",
    "reserved-name": "Choose another `deliver.name` in the recipe.",
    "name-too-long": "Choose a shorter `song` or `deliver.name` in the recipe.",
    "save-exists": "Choose another name for the file.",
    "not-a-manifest": "Give the manifest.json of an earlier render, or its folder.",
    "expect-file-differs": "See the causes told with it; approve the new render, or put them back.",
    "expect-cause": "Put it back as it was, or approve the new render.",
    "null-mixed": "Compare two files, or two output folders, of one rate and channel count.",
}
