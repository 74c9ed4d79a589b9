"""What the pass over every sample tells of damage: NaN stops the run; clipping, dropouts, DC and silence are told."""

from collections.abc import Sequence
from dataclasses import replace

from premix.analysis.hum import hums_in_stops
from premix.errors import Problem, TracksError
from premix.messages.damage import SLUGS
from premix.model.analysis import Analysis, TrackLevels
from premix.model.finding import Finding
from premix.model.tracks import Track, TrackSet
from premix.units import gain_to_db, samples_to_s

DC_LIMIT = 10.0 ** (-50.0 / 20.0)
"""A mean above -50 dBFS is a fault of a converter or preamplifier; common practice, no source."""
HUM_LIMIT = 10.0 ** (-45.0 / 20.0)
"""Of the track's rms: hum nearer than 45 dB is heard in the stops of a mix; common practice, no source."""
SILENCE = 10.0 ** (-80.0 / 20.0)
_MOST_TIMES = 5


def check_intact(tracks: TrackSet, analysis: Analysis) -> Analysis:
    """The analysis with its findings. Raises TracksError for tracks that hold NaN or infinite samples."""
    hums = {s.performance: hums_in_stops(s) for s in analysis.spectra}
    levels = tuple(replace(v, hum=hums[v.performance][v.mic]) for v in analysis.levels)
    analysis = replace(analysis, levels=levels)
    findings, problems = damage(tracks, [analysis.levels_of(t.performance, t.mic) for t in tracks.tracks])
    if problems:
        raise TracksError(problems)
    return replace(analysis, findings=(*analysis.findings, *findings))


def damage(tracks: TrackSet, levels: Sequence[TrackLevels]) -> tuple[tuple[Finding, ...], tuple[Problem, ...]]:
    """What the levels (one a track, in order) tell: findings, and problems that stop a render."""
    problems: list[Problem] = []
    findings: list[Finding] = []
    for track, level in zip(tracks.tracks, levels, strict=True):
        if level.nonfinite:
            problems.append(Problem(
                "track-not-finite", track.name,
                f"{level.nonfinite} samples of {track.header.path.name} are not a number or infinite",
                remedy=SLUGS["track-not-finite"],
            ))
        findings.extend(_findings(track, level, tracks.rate))
    return tuple(findings), tuple(problems)


def _findings(track: Track, levels: TrackLevels, rate: int) -> list[Finding]:
    found = []

    def tell(slug: str, message: str) -> None:
        found.append(Finding(slug, "warning", track.name, message, SLUGS[slug]))

    if levels.sample_peak < SILENCE:
        tell("track-silent", f"peak {_level(levels.sample_peak)}")
        return found
    if levels.clipped:
        tell("track-clipped", f"{_count(levels.clipped)} at full scale: {_times(levels.clipped, rate)}")
    if levels.sample_peak > 1.0:
        tell("track-over-full-scale", f"float samples up to {gain_to_db(levels.sample_peak):+.1f} dBFS")
    if levels.zero_runs:
        tell("track-dropouts", f"{_count(levels.zero_runs)} of exact zeros inside sound: "
             f"{_times(levels.zero_runs, rate)}")
    if abs(levels.dc) > DC_LIMIT:
        tell("track-dc", f"mean {_level(abs(levels.dc))}")
    if levels.hum is not None and levels.hum.rms > HUM_LIMIT * levels.rms:
        below_db = gain_to_db(levels.rms / levels.hum.rms)
        tell("track-hum", f"hum of {levels.hum.mains_hz:.0f} Hz and its harmonics where nobody plays: "
             f"{_level(levels.hum.rms)} rms, {below_db:.0f} dB below the track's own level")
    return found


def _level(gain: float) -> str:
    return f"{gain_to_db(gain):.1f} dBFS" if gain > 0.0 else "digital zero"


def _count(runs: tuple[tuple[int, int], ...]) -> str:
    return f"{len(runs)} run{'s' if len(runs) > 1 else ''}"


def _times(runs: tuple[tuple[int, int], ...], rate: int) -> str:
    times = ", ".join(f"{samples_to_s(start, rate):.3f} s" for start, _ in runs[:_MOST_TIMES])
    return times + (" ..." if len(runs) > _MOST_TIMES else "")
