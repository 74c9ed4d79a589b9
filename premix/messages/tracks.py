"""Messages of the tracks stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    # one file, before anything is read of it
    "missing-file": "Put the file where the recipe expects it, or mark the mic `optional: true`.",
    "unreadable-file": "Check that it is a file and not a folder, and that you may read it.",
    "empty-file": "Export the track again; nothing was written into this file.",
    "not-audio": "Export the track again as WAV, FLAC or AIFF.",
    "damaged-header": "Copy the file again from the recorder, or export it again.",
    "no-samples": "Export the track again; it was recorded or exported with no length.",
    "truncated-file": "Copy the file again from the recorder; `--recover` reads what is there.",
    "unfinalised-header": "Copy it again after the recorder has closed it; `--recover` reads what is there.",
    "wav-over-4gb": "Export it again as RF64 or FLAC; `--recover` reads what is there.",
    "damaged-samples": "Copy the file again from the recorder, and do not write to it while premix runs.",
    "changed-file": "Run again once nothing writes to the tracks any more.",
    # the files of a song together
    "mixed-rates": "Export all tracks of a song at one sample rate; premix never converts inputs by itself.",
    "no-tracks": "Check the name pattern and the folder.",
    "used-twice": "Give each mic its own file, or narrow the name pattern.",
    "too-many-channels": "Split the file into one mono file a mic.",
    "channels-differ": "Export the track as mono; premix does not choose between two different channels.",
    "eight-bit": "Export the track again at 16 bits or more; 8 bits hold no usable level.",
    "starts-apart": "Check the start times (BWF TimeReference), or export all tracks from one common start.",
    # findings
    "padded": "Nothing to do if the recording was stopped earlier; else export it again at full length.",
    "starts-late": "Nothing to do: the start time in the file says so; check it if the track sounds late.",
    "no-start-time": "Check that this track starts with the others; only they carry a start time.",
    "wrong-extension": "Rename the file to what it is; its contents were used.",
    "recovered-file": "Listen to the end of this track; the recording may not be complete.",
    "lossy-file": "Use the original recording; lossy coding moves phase and adds noise.",
    "equal-channels": "Nothing to do: the left channel was used; a mono export is half the size.",
}
