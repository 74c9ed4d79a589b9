"""The batch's index.html: one table that links each song's report. No script, no request to anywhere."""

from collections.abc import Sequence, Set
from html import escape
from urllib.parse import quote

from premix.batch.verdict import Row, counts

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
    return "\n".join([
        '<!doctype html>', '<html lang="en">', '<head>', '<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">', f"<title>{escape(summary)}</title>",
        f"<style>{_STYLE}</style>", "</head>", "<body>", *body, "</body>", "</html>", "",
    ])


def _figures(cells: Sequence[Sequence[str]]) -> Set[int]:
    """The columns that hold figures, or '-' where one is not known."""
    return {
        column for column, texts in enumerate(zip(*cells, strict=True))
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
