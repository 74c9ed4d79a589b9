"""Messages of the tracks stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    # one file, before anything is read of it
    "missing_file": "Put the file where the recipe expects it, or mark the mic `optional: true`.",
    "unreadable_file": "Check that it is a file and not a folder, and that you may read it.",
    "empty_file": "Export the track again; nothing was written into this file.",
    "not_audio": "Export the track again as WAV, FLAC or AIFF.",
    "damaged_header": "Copy the file again from the recorder, or export it again.",
    "no_samples": "Export the track again; it was recorded or exported with no length.",
    "truncated_file": "Copy the file again from the recorder; `--recover` reads what is there.",
    "unfinalised_header": "Copy it again after the recorder has closed it; `--recover` reads what is there.",
    "wav_over_4gb": "Export it again as RF64 or FLAC; `--recover` reads what is there.",
    "damaged_samples": "Copy the file again from the recorder, and do not write to it while premix runs.",
    "changed_file": "Run again once nothing writes to the tracks any more.",
    # the files of a song together
    "mixed_rates": "Export all tracks of a song at one sample rate; premix never converts inputs by itself.",
    "no_tracks": "Check the name pattern and the folder.",
    "used_twice": "Give each mic its own file, or narrow the name pattern.",
    "too_many_channels": "Split the file into one mono file a mic.",
    "channels_differ": "Export the track as mono; premix does not choose between two different channels.",
    "eight_bit": "Export the track again at 16 bits or more; 8 bits hold no usable level.",
    "starts_apart": "Check the start times (BWF TimeReference), or export all tracks from one common start.",
    # findings
    "padded": "Nothing to do if the recording was stopped earlier; else export it again at full length.",
    "starts_late": "Nothing to do: the start time in the file says so; check it if the track sounds late.",
    "no_start_time": "Check that this track starts with the others; only they carry a start time.",
    "wrong_extension": "Rename the file to what it is; its contents were used.",
    "recovered_file": "Listen to the end of this track; the recording may not be complete.",
    "lossy_file": "Use the original recording; lossy coding moves phase and adds noise.",
    "equal_channels": "Nothing to do: the left channel was used; a mono export is half the size.",
}
