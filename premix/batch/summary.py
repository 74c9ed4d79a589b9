"""The summary of a batch: one table for people (text, Markdown, HTML), and CSV and JSON for programs."""

import csv
import dataclasses
import io
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from premix import __version__
from premix.audiofile.writer import storage_error
from premix.batch.order import Batch
from premix.batch.page import page
from premix.batch.verdict import Row, counts, exit_code, row_of
from premix.delivery.manifest import to_plain

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
    plain: dict[str, Any] = to_plain({
        "format": FORMAT,
        "premix": __version__,
        "exit_code": exit_code(batch.results, batch.interrupted),
        "songs": [row_of(result) for result in batch.results],
        "match": batch.matching and {
            "target_lufs": batch.matching.target_lufs, "trims_db": batch.matching.trims_db,
        },
        "findings": [*(d.finding() for d in batch.differences), *batch.findings],
    })
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
