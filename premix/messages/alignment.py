"""Messages of the alignment stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "alignment-silent": "Check the cable and the export, or mute the mic in this performance.",
    "alignment-incoherent": "Check that the file belongs to this take; else decide by hand, or mute it.",
    "alignment-edge": "Raise alignment.search_ms if the mic really is that far, or give its delay by hand.",
    "alignment-ambiguous": "Give the mic's polarity by hand.",
    "alignment-offset": "Export all files from one start, or give the delay by hand.",
    "alignment-reference": "Choose another reference in alignment.reference, or mend the reference's file.",
    "alignment-moved": "Nothing to do if the mic was moved; else check the file.",
    "alignment-inverted": "Nothing to do if a polarity switch or a cable was changed; else check the file.",
    "alignment-room-unclear": "Listen to the room mic; give its polarity by hand if it should be flipped.",
    "alignment-room-polarity": "Listen to the room mic; give its polarity by hand if it should be flipped.",
    "sheet-does-not-fit": "Make a new sheet for these tracks: premix align RECIPE TRACKS --save SHEET.",
    "sheet-audio-changed": "Make a new sheet, or check that the right files are in the folder.",
}
