"""What a batch comes to: a word and a row a song, and one exit code for all.

The summary of a batch: one table for people (text, Markdown, HTML), and CSV and JSON for programs.

The batch's index.html: one table that links each song's report. No script, no request to anywhere.
"""

import csv
import dataclasses
import io
import json
from collections.abc import Callable, Iterable, Sequence, Set
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from premix import __version__
from premix.audio.writer import storage_error
from premix.batch.order import Batch
from premix.batch.work import SongResult
from premix.delivery.manifest import to_plain

EXIT_DONE, EXIT_USER, EXIT_BUG, EXIT_LIMITS, EXIT_INTERRUPTED = 0, 1, 3, 4, 130

_WORDS = {
    "rendered": "done",
    "unchanged": "unchanged",
    "problems": "needs you",
    "lost": "lost",
    "bug": "bug",
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


FORMAT = 1

_MARKDOWN = str.maketrans({mark: f"\\{mark}" for mark in "\\`*_{}[]|#"} | {"<": "&lt;", ">": "&gt;", "&": "&amp;"})

Cell = Callable[[Row], str]


def _figure(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


COLUMNS: tuple[tuple[str, Cell], ...] = (
    ("song", lambda r: r.song),
    ("verdict", lambda r: r.verdict),
    ("sum efficiency dB as recorded", lambda r: _figure(r.efficiency_before_db)),
    ("aligned", lambda r: _figure(r.efficiency_after_db)),
    ("mono fold dB", lambda r: _figure(r.mono_fold_db)),
    ("LUFS", lambda r: _figure(r.loudness_lufs, 1)),
    ("trim dB", lambda r: _figure(r.trim_db)),
    ("refused mics", lambda r: ", ".join(r.refused_mics) or "-"),
    ("warnings", lambda r: "-" if r.manifest is None else str(r.warnings)),
    ("seconds", lambda r: _figure(r.seconds, 1)),
)
DIFFERENCE_COLUMNS = ("song", "mic", "what", "other songs", "here")


def table_rows(rows: Sequence[Row]) -> list[list[str]]:
    """The cells of COLUMNS for each song."""
    return [[cell(row) for _, cell in COLUMNS] for row in rows]


def difference_rows(batch: Batch) -> list[list[str]]:
    """The cells of DIFFERENCE_COLUMNS for each difference between the songs."""
    return [[d.song, d.subject, d.what, d.usual, d.here] for d in batch.differences]


def document(batch: Batch) -> dict[str, Any]:
    """The summary as plain data, ready for JSON."""
    plain: dict[str, Any] = to_plain(
        {
            "format": FORMAT,
            "premix": __version__,
            "exit_code": exit_code(batch.results, batch.interrupted),
            "songs": [row_of(result) for result in batch.results],
            "match": batch.matching
            and {"target_lufs": batch.matching.target_lufs, "trims_db": batch.matching.trims_db},
            "findings": [*(d.finding() for d in batch.differences), *batch.findings],
        }
    )
    return plain


def as_csv(rows: Sequence[Row]) -> str:
    """One line a song, one column a field of `Row`; several values in a field stand apart by ' | '."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    fields = [field.name for field in dataclasses.fields(Row)]
    writer.writerow(fields)
    for row in rows:
        writer.writerow(_csv_cell(getattr(row, name)) for name in fields)
    return text.getvalue()


def _csv_cell(value: object) -> object:
    if isinstance(value, float):
        return round(value, 3)
    return " | ".join(value) if isinstance(value, tuple) else value


def as_markdown(batch: Batch) -> str:
    """The summary for a job's page: tables, what the user has to know, and what differs between the songs."""
    rows = [row_of(result) for result in batch.results]
    lines = [f"### premix: {counts(rows)}", "", *_markdown_table([title for title, _ in COLUMNS], table_rows(rows))]
    told = [f"- **{_markdown(row.song)}**: {_markdown(line)}" for row in rows for line in row.told]
    lines += ["", *told] if told else []
    lines += ["", batch.matching.told()] if batch.matching else []
    if batch.differences:
        lines += ["", "What differs between songs of one set-up:", ""]
        lines += _markdown_table(DIFFERENCE_COLUMNS, difference_rows(batch))
    lines += ["", *[f"- {_markdown(f.subject)}: {_markdown(f.message)}" for f in batch.findings]]
    return "\n".join(lines).rstrip() + "\n"


def _markdown_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    cells = [list(head), ["---"] * len(head), *([_markdown(cell) for cell in row] for row in rows)]
    return [f"| {' | '.join(row)} |" for row in cells]


def _markdown(text: str) -> str:
    """Text that stands in a table as it is: no column, mark-up or line break of its own."""
    return " ".join(text.translate(_MARKDOWN).split())


def write_summary(batch: Batch, out: Path) -> None:
    """summary.json, summary.csv and index.html in OUT, each whole or not at all. Raises DeliveryError."""
    rows = [row_of(result) for result in batch.results]
    differing = (DIFFERENCE_COLUMNS, difference_rows(batch))
    head = [title for title, _ in COLUMNS]
    findings = [f"{finding.subject}: {finding.message}" for finding in batch.findings]
    if batch.matching is not None:
        findings.append(batch.matching.told())
    texts = {
        "summary.json": json.dumps(document(batch), indent=1, ensure_ascii=False) + "\n",
        "summary.csv": as_csv(rows),
        "index.html": page(rows, head, table_rows(rows), differing, findings),
    }
    for name, text in texts.items():
        write_text(out / name, text)


def write_text(path: Path, text: str) -> None:
    """Write a text file that is whole or not there. Raises DeliveryError."""
    unfinished = path.with_name(f".premix-new-{path.name}")
    try:
        unfinished.write_text(text, "utf-8", newline="\n")
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise storage_error(path, error) from None


_STYLE = """
:root { color-scheme: light dark; font: 16px/1.5 system-ui, sans-serif; }
body { max-width: 72rem; margin: 2rem auto; padding: 0 1rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { text-align: left; padding: .5rem 0; }
th, td { padding: .3rem .6rem; border-bottom: 1px solid color-mix(in srgb, currentColor 25%, transparent); }
th { text-align: left; }
td.figure, th.figure { text-align: right; }
tr.stands-out td { font-weight: 600; }
td:first-of-type { white-space: nowrap; }
li { overflow-wrap: anywhere; }
"""


def page(
    rows: Sequence[Row],
    head: Sequence[str],
    cells: Sequence[Sequence[str]],
    differing: tuple[Sequence[str], Sequence[Sequence[str]]],
    findings: Sequence[str],
) -> str:
    """The page as text. head, cells: the summary's table, a row a song. differing: head and rows of that table."""
    summary = counts(rows)
    figures = _figures(cells)
    songs = [_song(row, line, figures) for row, line in zip(rows, cells, strict=True)]
    body = [f"<h1>{escape(summary)}</h1>", _table("Every song, with its report", head, songs, figures)]
    told = [f"<li><b>{escape(row.song)}</b>: {escape(line)}</li>" for row in rows for line in row.told]
    told += [f"<li>{escape(line)}</li>" for line in findings]
    if told:
        body += ["<h2>What to know</h2>", "<ul>", *told, "</ul>"]
    if differing[1]:
        lines = [f"<tr>{''.join(_cell('td', text) for text in line)}</tr>" for line in differing[1]]
        body += [_table("What differs between songs of one set-up", differing[0], lines)]
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>{escape(summary)}</title>",
            f"<style>{_STYLE}</style>",
            "</head>",
            "<body>",
            *body,
            "</body>",
            "</html>",
            "",
        ]
    )


def _figures(cells: Sequence[Sequence[str]]) -> Set[int]:
    """The columns that hold figures, or '-' where one is not known."""
    return {
        column
        for column, texts in enumerate(zip(*cells, strict=True))
        if column > 0 and any(text.lstrip("+-").replace(".", "", 1).isdigit() for text in texts)
    }


def _song(row: Row, cells: Sequence[str], figures: Set[int]) -> str:
    """A table row; the name leads to the report, or to the manifest where there is none."""
    target = row.report or row.manifest
    name = escape(cells[0])
    linked = name if target is None else f'<a href="{escape(quote(target))}">{name}</a>'
    mark = "" if row.verdict in ("done", "unchanged") else ' class="stands-out"'
    others = "".join(_cell("td", text, column in figures) for column, text in enumerate(cells) if column > 0)
    return f'<tr{mark}><th scope="row">{linked}</th>{others}</tr>'


def _cell(tag: str, text: str, figure: bool = False) -> str:
    scope = ' scope="col"' if tag == "th" else ""
    mark = ' class="figure"' if figure else ""
    return f"<{tag}{scope}{mark}>{escape(text)}</{tag}>"


def _table(caption: str, head: Sequence[str], lines: Sequence[str], figures: Set[int] = frozenset()) -> str:
    titles = "".join(_cell("th", title, column in figures) for column, title in enumerate(head))
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}">\n<table>'
        f"<caption>{escape(caption)}</caption>\n<thead><tr>{titles}</tr></thead>\n<tbody>\n"
        + "\n".join(lines)
        + "\n</tbody>\n</table>\n</div>"
    )
