"""What a batch comes to: a word and a row a song, and one exit code for all."""

from collections.abc import Iterable
from dataclasses import dataclass

from premix.batch.job import SongResult

EXIT_DONE, EXIT_USER, EXIT_BUG, EXIT_LIMITS, EXIT_INTERRUPTED = 0, 1, 3, 4, 130

_WORDS = {
    "rendered": "done", "unchanged": "unchanged", "problems": "needs you", "lost": "lost", "bug": "bug",
    "stopped": "not done",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One song of the summary. verdict: done, unchanged, limits broken, needs you, lost, bug, not done.

    efficiency: of the performance that is worst aligned. trim_db: of all files; match_trim_db: its share that
    matches the songs. rendered: in this batch, not before. told: what the user has to know, one line each.
    report, manifest: paths below OUT.
    """

    song: str
    verdict: str
    efficiency_before_db: float | None = None
    efficiency_after_db: float | None = None
    mono_fold_db: float | None = None
    loudness_lufs: float | None = None
    true_peak_dbtp: float | None = None
    trim_db: float | None = None
    match_trim_db: float | None = None
    refused_mics: tuple[str, ...] = ()
    warnings: int = 0
    seconds: float = 0.0
    rendered: bool = False
    told: tuple[str, ...] = ()
    report: str | None = None
    manifest: str | None = None


def row_of(result: SongResult) -> Row:
    """The row of a song."""
    facts = result.facts
    problems = tuple(problem.line() for problem in result.problems)
    if facts is None:
        return Row(result.name, _WORDS[result.status], seconds=result.seconds, told=problems)
    return Row(
        song=result.name,
        verdict="limits broken" if facts.broken else _WORDS[result.status],
        efficiency_before_db=facts.efficiency_before_db,
        efficiency_after_db=facts.efficiency_after_db,
        mono_fold_db=facts.mono_fold_db,
        loudness_lufs=facts.loudness_lufs,
        true_peak_dbtp=facts.true_peak_dbtp,
        trim_db=facts.trim_db,
        match_trim_db=facts.extra_trim_db,
        refused_mics=facts.refused,
        warnings=facts.warnings,
        seconds=result.seconds,
        rendered=result.status == "rendered",
        told=(*problems, *facts.broken),
        report=None if facts.report is None else f"{result.name}/{facts.report}",
        manifest=f"{result.name}/manifest.json",
    )


def exit_code(results: Iterable[SongResult], interrupted: bool) -> int:
    """One code for the batch, the gravest of its songs: 3 a bug, 1 a song needs the user, 4 a limit is broken."""
    found = list(results)
    if interrupted:
        return EXIT_INTERRUPTED
    if any(result.status == "bug" for result in found):
        return EXIT_BUG
    if any(result.status in ("problems", "lost", "stopped") for result in found):
        return EXIT_USER
    broken = any(result.facts is not None and result.facts.broken for result in found)
    return EXIT_LIMITS if broken else EXIT_DONE


def counts(rows: Iterable[Row]) -> str:
    """How many songs came to what: '3 songs: 1 done, 2 need you'."""
    verdicts = [row.verdict for row in rows]
    parts = [_several(verdicts.count(word), word) for word in dict.fromkeys(verdicts)]
    return f"{len(verdicts)} song{'s' if len(verdicts) != 1 else ''}: {', '.join(parts)}"


def _several(count: int, verdict: str) -> str:
    return f"{count} {'need you' if verdict == 'needs you' and count > 1 else verdict}"
