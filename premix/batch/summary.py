"""The summary of a batch: a row a song and what differs between songs, as JSON, CSV, Markdown and an HTML page."""

from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, fields
from html import escape
from pathlib import Path
from string import Template
from typing import Any
from urllib.parse import quote

from premix import __version__
from premix.batch.album import guitar_bus
from premix.batch.order import Batch
from premix.batch.work import SongResult, report_of
from premix.delivery.documents import MANIFEST, csv_text, json_text, read_manifest, to_plain
from premix.delivery.whole import check_ours, write_text_file
from premix.errors import RecipeError
from premix.model.findings import grouped
from premix.model.gate import Span
from premix.report.album_page import Album, AlbumSong, Bus, album_page
from premix.report.page import missing_extra

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Row:
    """One song of the summary. verdict: done, unchanged, limits broken, mics left out, needs you, lost, bug, not done.

    efficiency: of the performance that is worst aligned. trim_db: of all files; match_trim_db: its share that
    matches the songs. used_files, files: how many are used of how many that were found. left_out: what is optional
    and has no file. warnings: findings beside broken limits. rendered: in this batch, not before. told: what the user
    has to know, one line each. report, manifest: paths below OUT. findings: a line a kind, the costliest first.
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
    used_files: int | None = None
    files: int | None = None
    left_out: tuple[str, ...] = ()
    warnings: int = 0
    seconds: float = 0.0
    rendered: bool = False
    told: tuple[str, ...] = ()
    report: str | None = None
    manifest: str | None = None
    findings: tuple[str, ...] = ()


def rows_of(batch: Batch) -> list[Row]:
    return [row_of(result) for result in batch.results]


def row_of(result: SongResult) -> Row:
    manifest = result.manifest
    told = (*(problem.line() for problem in result.problems), *result.broken)
    if manifest is None:
        return Row(result.name, result.verdict, seconds=result.seconds, told=told)
    worst = min(manifest.sum_efficiency_db, key=lambda e: 0.0 if e.after is None else e.after, default=None)
    guitars, report, roll = guitar_bus(manifest), report_of(manifest), manifest.roll_call
    return Row(
        song=result.name,
        verdict=result.verdict,
        efficiency_before_db=worst.before if worst else None,
        efficiency_after_db=worst.after if worst else None,
        mono_fold_db=manifest.mono.fold_db if manifest.mono else None,
        loudness_lufs=guitars.loudness_lufs if guitars else None,
        true_peak_dbtp=guitars.true_peak_dbtp if guitars else None,
        trim_db=manifest.trim_db,
        match_trim_db=manifest.extra_trim_db,
        refused_mics=tuple(f"{d.performance}/{d.mic}" for d in manifest.alignment if d.refusal is not None),
        used_files=roll.used if roll else None,
        files=roll.found if roll else None,
        left_out=tuple(one.label for one in roll.left_out) if roll else (),
        warnings=sum(f.count for f in manifest.findings if f.severity != "info" and not f.breaks_limit),
        seconds=result.seconds,
        rendered=result.status == "rendered",
        told=told,
        report=report and f"{result.name}/{report}",
        manifest=f"{result.name}/{MANIFEST}",
        findings=tuple(entry.line() for entry in manifest.findings),
    )


def counts(rows: Sequence[Row]) -> str:
    """How many songs came to what: '3 songs: 1 done, 2 need you'."""
    verdicts = [row.verdict for row in rows]
    several = {word: verdicts.count(word) for word in dict.fromkeys(verdicts)}
    several_of = {"needs you": "need you"}
    words = {"mics left out": "with mics left out"}
    parts = (f"{n} {words.get(word, several_of.get(word, word) if n > 1 else word)}" for word, n in several.items())
    return f"{len(rows)} song{'s' if len(rows) != 1 else ''}: {', '.join(parts)}"


Table = list[list[str]]
"""A table for people: its head, then its rows."""

_COLUMNS: tuple[tuple[str, bool, Callable[[Row], str]], ...] = (
    ("song", False, lambda r: r.song),
    ("verdict", False, lambda r: r.verdict),
    ("sum efficiency dB as recorded", True, lambda r: _figure(r.efficiency_before_db)),
    ("aligned", True, lambda r: _figure(r.efficiency_after_db)),
    ("mono fold dB", True, lambda r: _figure(r.mono_fold_db)),
    ("LUFS", True, lambda r: _figure(r.loudness_lufs, 1)),
    ("trim dB", True, lambda r: _figure(r.trim_db)),
    ("refused mics", False, lambda r: ", ".join(r.refused_mics) or "-"),
    ("files used", False, lambda r: "-" if r.files is None else f"{r.used_files} of {r.files}"),
    ("left out", False, lambda r: ", ".join(r.left_out) or "-"),
    ("warnings", True, lambda r: "-" if r.manifest is None else str(r.warnings)),
    ("seconds", True, lambda r: _figure(r.seconds, 1)),
)
"""Title, whether it holds figures, and a song's cell."""
_FIGURES = frozenset(column for column, (_, is_figure, _) in enumerate(_COLUMNS) if is_figure)


def _figure(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def song_table(rows: Iterable[Row]) -> Table:
    """A line a song."""
    return [[title for title, _, _ in _COLUMNS], *([cell(row) for _, _, cell in _COLUMNS] for row in rows)]


def difference_table(batch: Batch) -> Table:
    """A line a difference between songs of one set-up."""
    head = ["song", "mic", "what", "other songs", "here"]
    return [head, *([d.song, d.subject, d.what, d.usual, d.here] for d in batch.differences)]


_PAGE_MARK = "<!doctype html>\n<!-- a batch of premix -->\n"
_MARKS = {"summary.json": '{\n "format": ', "summary.csv": "song,verdict,", "index.html": _PAGE_MARK}
_MARKDOWN_MARK = "### premix: "
"""How each file begins that an earlier batch wrote: no other is replaced."""


def check_summary(out: Path, markdown: Path | None) -> None:
    """Raise DeliveryError where something that no batch wrote is in the place of a summary's file."""
    for name, mark in _MARKS.items():
        check_ours([out / name], mark)
    if markdown is not None:
        check_ours([markdown], _MARKDOWN_MARK)


def write_summary(batch: Batch, out: Path, markdown: Path | None = None, *, report: bool = False) -> None:
    """summary.json, summary.csv and index.html in OUT, and the Markdown where it is asked for; each whole or not at
    all. report: index.html with players and a table to sort, where the extra `report` is installed. Raises
    DeliveryError."""
    rows = rows_of(batch)
    page = _album(batch, out) if report and missing_extra() is None else as_page(batch)
    for name, text in (
        ("summary.json", json_text(document(batch)) + "\n"),
        ("summary.csv", as_csv(rows)),
        ("index.html", page),
    ):
        write_text_file(out / name, text, _MARKS[name])
    if markdown is not None:
        write_text_file(markdown, as_markdown(batch), _MARKDOWN_MARK)


def document(batch: Batch) -> dict[str, Any]:
    """The summary as plain data, ready for JSON."""
    matching = batch.matching
    plain: dict[str, Any] = to_plain(
        {
            "format": FORMAT,
            "premix": __version__,
            "exit_code": int(batch.exit),
            "songs": rows_of(batch),
            "match": matching
            and {"target_lufs": matching.target_lufs, "trims_db": matching.trims_db, "kept": matching.kept},
            "setups": batch.drifts,
            "findings": batch.told,
        }
    )
    return plain


def as_csv(rows: Iterable[Row]) -> str:
    """One line a song, one column a field of `Row`; several values in a field stand apart by ' | '."""
    names = [field.name for field in fields(Row)]
    return csv_text(names, ([_csv_cell(getattr(row, name)) for name in names] for row in rows))


def _csv_cell(value: object) -> object:
    if isinstance(value, float):
        return round(value, 3)
    return " | ".join(value) if isinstance(value, tuple) else value


def as_markdown(batch: Batch) -> str:
    """The summary for a job's page: tables, what the user has to know, and what differs between the songs."""
    rows = rows_of(batch)
    lines = [f"{_MARKDOWN_MARK}{counts(rows)}", "", *_markdown_table(song_table(rows))]
    told = [f"- **{_markdown(row.song)}**: {_markdown(line)}" for row in rows for line in row.told]
    lines += ["", *told] if told else []
    lines += ["", batch.matching.told()] if batch.matching else []
    if batch.differences:
        lines += ["", "What differs between songs of one set-up:", "", *_markdown_table(difference_table(batch))]
    lines += ["", *[f"- {_markdown(entry.line())}" for entry in grouped(batch.findings)]]
    return "\n".join(lines).rstrip() + "\n"


def _markdown_table(table: Table) -> Iterator[str]:
    head, *rows = table
    for cells in (head, ["---"] * len(head), *([_markdown(cell) for cell in row] for row in rows)):
        yield f"| {' | '.join(cells)} |"


_MARKDOWN = str.maketrans({mark: f"\\{mark}" for mark in "\\`*_{}[]|#"} | {"<": "&lt;", ">": "&gt;", "&": "&amp;"})


def _markdown(text: str) -> str:
    """Text that stands in a table as it is: no column, mark-up or line break of its own."""
    return " ".join(text.translate(_MARKDOWN).split())


HEARING = (
    "the reports hold players, and distorted guitar gets loud fast. Turn your monitors or headphones down before the "
    "first play. NIOSH recommends at most 85 dB(A) over 8 hours, and half the time for every 3 dB more: 15 minutes at "
    "100 dB(A). The WHO advises at most 80 dB(A) for 40 hours a week."
)
"""What stands above links to players."""
_PAGE = Template(
    _PAGE_MARK
    + """<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>$title</title>
<style>
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
</style>
</head>
<body>
$body
</body>
</html>
"""
)


def _album(batch: Batch, out: Path) -> str:
    """The batch's index.html as the report's pages are."""
    rows = rows_of(batch)
    head, *cells = song_table(rows)
    album = Album(
        title=counts(rows),
        head=tuple((title, column in _FIGURES) for column, title in enumerate(head)),
        songs=tuple(
            AlbumSong(
                name=row.song,
                cells=tuple(line),
                in_order=row.verdict in ("done", "unchanged"),
                link=row.report or row.manifest,
                told=row.told,
                findings=row.findings,
                bus=bus,
            )
            for row, line, bus in zip(rows, cells, _buses(batch, out), strict=True)
        ),
        findings=batch.told,
        differences=tuple(map(tuple, difference_table(batch))),
        matched=batch.matching.told() if batch.matching else "",
        drifts=batch.drifts,
    )
    text = album_page(album, out)
    return _PAGE_MARK + text.partition("\n")[2]


def _buses(batch: Batch, out: Path) -> list[Bus | None]:
    """Each song's guitar bus at the album's loudness: what it was matched to, or that of the softest song."""
    files = [None if result.manifest is None else guitar_bus(result.manifest) for result in batch.results]
    found = [file.loudness_lufs for file in files if file is not None and file.loudness_lufs is not None]
    target = batch.matching.target_lufs if batch.matching else None
    softest = min([*found, *([] if target is None else [target])], default=0.0)
    return [
        None
        if file is None or file.loudness_lufs is None
        else Bus(
            out / result.name / file.path,
            file.rate,
            file.frames,
            _played(out / result.name),
            softest - file.loudness_lufs,
        )
        for file, result in zip(files, batch.results, strict=True)
    ]


def _played(folder: Path) -> tuple[Span, ...]:
    """When any performance plays; nothing where that cannot be read any more."""
    try:
        return tuple(span for gate in read_manifest(folder).gate for span in gate.riff)
    except RecipeError:
        return ()


def as_page(batch: Batch) -> str:
    """The batch's index.html without the extra `report`: one table that links each song's files. No script, no request
    to anywhere."""
    rows = rows_of(batch)
    head, *cells = song_table(rows)
    songs = [_song_line(row, line) for row, line in zip(rows, cells, strict=True)]
    told = [f"<li><b>{escape(row.song)}</b>: {escape(line)}</li>" for row in rows for line in row.told]
    told += [f"<li>{escape(entry.line())}</li>" for entry in grouped(batch.findings)]
    told += [f"<li>{escape(batch.matching.told())}</li>"] if batch.matching else []
    body = [f"<h1>{escape(counts(rows))}</h1>"]
    if any(row.report for row in rows):
        body.append(f"<p><b>Hearing:</b> {HEARING}</p>")
    body.append(_html_table("Every song, with its report", head, songs, _FIGURES))
    body += ["<h2>What to know</h2>", "<ul>", *told, "</ul>"] if told else []
    if batch.differences:
        head, *cells = difference_table(batch)
        lines = [f"<tr>{''.join(_cell('td', text) for text in line)}</tr>" for line in cells]
        body.append(_html_table("What differs between songs of one set-up", head, lines))
    return _PAGE.substitute(title=escape(counts(rows)), body="\n".join(body))


def _song_line(row: Row, cells: Sequence[str]) -> str:
    """A table row; the name leads to the report, or to the manifest where there is none."""
    target = row.report or row.manifest
    name = escape(cells[0])
    linked = name if target is None else f'<a href="{escape(quote(target))}">{name}</a>'
    mark = "" if row.verdict in ("done", "unchanged") else ' class="stands-out"'
    others = "".join(_cell("td", text, column in _FIGURES) for column, text in enumerate(cells) if column > 0)
    return f'<tr{mark}><th scope="row">{linked}</th>{others}</tr>'


def _cell(tag: str, text: str, figure: bool = False) -> str:
    scope = ' scope="col"' if tag == "th" else ""
    mark = ' class="figure"' if figure else ""
    return f"<{tag}{scope}{mark}>{escape(text)}</{tag}>"


def _html_table(caption: str, head: Sequence[str], lines: Sequence[str], figures: Set[int] = frozenset()) -> str:
    titles = "".join(_cell("th", title, column in figures) for column, title in enumerate(head))
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}">\n<table>'
        f"<caption>{escape(caption)}</caption>\n<thead><tr>{titles}</tr></thead>\n<tbody>\n"
        + "\n".join(lines)
        + "\n</tbody>\n</table>\n</div>"
    )
