"""Messages of the batch: slug -> remedy."""

SLUGS: dict[str, str] = {
    # which songs
    "batch-no-song": "Give folders of tracks, a glob, a folder of such folders, or @FILE with one of these a line.",
    "batch-no-list": "Check the path behind the @; the file holds one folder or glob a line.",
    "batch-song-twice": "Leave one of the two out.",
    "batch-same-name": "Rename one of the folders, or run them as two batches with an --out each.",
    "batch-out-in-songs": "Choose an output folder outside the songs' folders with --out.",
    "batch-out-in-use": "Wait until the other batch has ended, or choose another folder with --out.",
    "batch-no-summary-folder": "Make the folder, or choose another place with --summary-markdown.",
    "batch-no-sheet": "Save one with: premix align RECIPE SONG --save FOLDER/SONG.yaml, and look it through.",
    # where they are rendered
    "batch-no-engine": "Install it with: pip install 'premix-stems[batch]'.",
    "batch-no-scheduler": "Start one with `dask scheduler`, and give --scheduler the address that it prints.",
    "batch-no-workers": "Start one on each machine: `dask worker ADDRESS --nthreads 1`.",
    "batch-scheduler-lost": "Start the scheduler again and repeat the command: finished songs are skipped.",
    "batch-other-version": "Install the same version of premix for every worker, and start them again.",
    # one song
    "batch-song-lost": "Look for a lack of memory or a damaged file, then repeat the command for this song.",
    "batch-no-memory": "Give fewer --jobs, and repeat the command: finished songs are skipped.",
    "batch-bug": "Send the log to the developers of premix; the other songs are not affected.",
    "batch-earlier-render": "Mend the song and repeat the command; until then do not hand these files on.",
    # findings across songs
    "batch-fewer-jobs": "Nothing to do; with more free memory more songs are rendered at once.",
    "batch-mic-moved": "Listen to this mic; nothing to do if it was moved on purpose: every song is aligned by itself.",
    "batch-polarity-changed": "Check the cable and the polarity switch; nothing to do if the song sounds right.",
    "batch-level-drifted": "Check the mic's place and preamp; set `gain_db` in the song's song.yaml if it matters.",
    "batch-not-matched": "Deliver the guitar bus of every song that is to be matched.",
}
