"""Messages of the gate stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "gate-no-key": "Unmute a close mic of this performance, or write gate: {key: all} or gate: {mode: off}.",
    "gate-key-silent": "Check the close mics of this performance, or mute it.",
    "gate-no-stops": "Nothing to do if the riff never stops; else give gate.threshold_db by hand.",
    "gate-hardly-plays": "Nothing to do if the part is that short; else give gate.threshold_db by hand.",
    "gate-stops-uncertain": "Listen to the room in the stops; if need be give gate.threshold_db by hand.",
    "gate-arrival-unknown": "Make gate.hold_ms longer than sound takes to the room mic.",
}
