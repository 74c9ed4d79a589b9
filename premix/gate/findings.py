"""Findings of the gate stage: keys that hold nothing, riffs without stops, stops that are hard to tell."""

from premix.gate.threshold import Populations
from premix.messages.gate import SLUGS
from premix.model.finding import Finding, Severity
from premix.model.gate import Span

LITTLE_S, LITTLE_SHARE = 5.0, 0.02
"""A performance hardly plays when it plays less than 5 s and less than 2 % of the song."""
LONG_SHARE = 0.5
"""A single passage is worth a word when it is more than half of the song."""
SUDDEN_SHARE = 0.5
"""Stops are uncertain when fewer than half of the falls through the threshold are sudden."""


def no_key(performance: str) -> Finding:
    return _finding("gate-no-key", "warning", performance, "no close mic is in the sum; its room stays open")


def silent_key(performance: str) -> Finding:
    return _finding("gate-key-silent", "warning", performance, "its close mics are silent; the room stays open")


def riff_findings(
    performance: str, populations: Populations, spans: tuple[Span, ...], song_s: float, *, auto: bool
) -> tuple[Finding, ...]:
    """What is worth knowing about one performance's riff."""
    found: list[Finding] = []
    played_s = sum(off - on for on, off in spans)
    if played_s < LITTLE_S and played_s < LITTLE_SHARE * song_s:
        message = f"plays for {played_s:.1f} s of {song_s:.1f} s"
        found.append(_finding("gate-hardly-plays", "info", performance, message))
    elif len(spans) == 1 and played_s > LONG_SHARE * song_s:
        message = f"no stop was found from {spans[0][0]:.1f} s to {spans[0][1]:.1f} s; its room stays open there"
        found.append(_finding("gate-no-stops", "info", performance, message))
    elif auto and populations.sudden < SUDDEN_SHARE * populations.falls:
        found.append(_finding(
            "gate-stops-uncertain", "info", performance,
            f"only {populations.sudden} of the {populations.falls} falls of the key through "
            f"{populations.split_db:.1f} dB are as sudden as a damped stop",
        ))
    return tuple(found)


def arrival_unknown(performance: str, mic: str) -> Finding:
    return _finding(
        "gate-arrival-unknown", "info", f"{performance}/{mic}",
        "when the riff reaches the room mic could not be found; its gate opens and shuts with the close mics",
    )


def _finding(slug: str, severity: Severity, subject: str, message: str) -> Finding:
    return Finding(slug, severity, subject, message, SLUGS[slug])
