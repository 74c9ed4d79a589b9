"""The summary of a batch as CSV, JSON, Markdown and HTML, with names that try to break out."""

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from premix.batch.album import Difference
from premix.batch.order import Batch
from premix.batch.summary import as_csv, as_markdown, counts, document, row_of, write_summary
from premix.batch.work import SongResult
from premix.errors import DeliveryError, Finding, Problem
from premix.model.tracks import LeftOut, RollCall
from tests.batch.sessions import Heard, manifest

NASTY = '<b>Ri|ff & "co"_*[x](y)\n'
FOLD = Finding("limit-mono-fold", "error", "guitar bus", "mono fold is -6 dB")
PROBLEM = Problem("track-not-found", "left/sub", "no file fits", remedy="Rename it.")


def batch(*results: SongResult, interrupted: bool = False) -> Batch:
    moved = Difference(NASTY, "ribbon", "arrival", "+0.5 ms", "+0.6 ms", "batch-mic-moved")
    return Batch(results, None, (moved,), (), interrupted)


ROLL = RollCall(3, 4, (LeftOut("left", "far", "left_far.*"),), ("x.wav",))
DONE = SongResult(
    NASTY,
    "rendered",
    replace(manifest(Heard("sub", "sub", None), written=("x_report.html",)), roll_call=ROLL),
    seconds=12.3456,
)
KEPT = SongResult("kept", "unchanged", manifest())
BROKEN = SongResult("broken", "unchanged", manifest(findings=(FOLD,)))
FAILED = SongResult("failed", "problems", problems=(PROBLEM,))


class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.texts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_the_exit_code_is_that_of_the_gravest_song() -> None:
    """3 a bug, 1 a song that needs the user or was lost, 4 a broken limit (also of an unchanged song), 130 stopped."""
    assert batch(DONE, KEPT).exit == 0
    assert batch(DONE, BROKEN).exit == 4
    assert batch(DONE, BROKEN, FAILED).exit == 1
    assert batch(SongResult("x", "lost"), DONE).exit == 1
    assert batch(FAILED, SongResult("x", "bug")).exit == 3
    assert batch(DONE, interrupted=True).exit == 130


def test_csv_gives_every_name_back(tmp_path: Path) -> None:
    """Read by the standard reader: the name as it was, figures to the thousandth, nothing where nothing is known."""
    rows = list(csv.DictReader(io.StringIO(as_csv([row_of(DONE), row_of(FAILED)]))))
    assert rows[0]["song"] == NASTY
    assert (rows[0]["verdict"], rows[0]["refused_mics"], rows[0]["seconds"]) == ("mics left out", "left/sub", "12.346")
    assert rows[1]["loudness_lufs"] == ""
    assert rows[1]["told"] == PROBLEM.line()


def test_songs_are_counted_in_words() -> None:
    """In the order in which the verdicts come up; several songs 'need you'."""
    rows = [row_of(result) for result in (FAILED, DONE, FAILED, BROKEN)]
    assert counts(rows) == "4 songs: 2 need you, 1 with mics left out, 1 limits broken"
    assert counts(rows[:1]) == "1 song: 1 needs you"


def test_figures_stand_in_columns_and_what_is_not_known_is_a_dash(tmp_path: Path) -> None:
    """On the page figures, their titles and the dashes between them are set to the right; names and words are not."""
    write_summary(batch(DONE, FAILED), tmp_path)
    table = (tmp_path / "index.html").read_text("utf-8").split("<tbody>")
    titles, songs = re.findall("<th scope=.col.(.*?)>(.*?)</th>", table[0]), table[1].split("</tr>")
    set_right = [title for mark, title in titles if "figure" in mark]
    assert set_right == [
        "sum efficiency dB as recorded",
        "aligned",
        "mono fold dB",
        "LUFS",
        "trim dB",
        "warnings",
        "seconds",
    ]
    for song in songs[:2]:
        assert len(re.findall("<td class=.figure.>", song)) == len(set_right)
    done, failed = (re.findall("<td.*?>(.*?)</td>", song)[1:] for song in songs[:2])
    assert done == ["-4.00", "-0.20", "-3.00", "-14.0", "-0.50", "left/sub", "3 of 4", "left/far", "0", "12.3"]
    assert failed == [*["-"] * 9, "0.0"]


def test_markdown_keeps_its_table_whatever_a_song_is_called() -> None:
    """Every row has as many unescaped bars as the head, and no mark-up of the name survives."""
    text = as_markdown(batch(DONE, FAILED))
    table = [line for line in text.splitlines() if line.startswith("|")][:4]
    assert len({line.replace("\\|", "").count("|") for line in table}) == 1
    assert "<b>" not in text and "\\[x\\](y)" in text
    assert "no file fits" in text and "+0.6 ms" in text


def test_the_page_shows_names_as_text_and_asks_nobody(tmp_path: Path) -> None:
    """No script, no image, no address but the relative, quoted links to the songs' own files."""
    write_summary(batch(DONE, KEPT, FAILED), tmp_path)
    page = Page((tmp_path / "index.html").read_text("utf-8"))
    assert page.texts.count(NASTY) == 2  # in the table of songs and in that of differences
    assert not {"script", "img", "link", "iframe"} & set(page.tags)
    targets = [value for name, value in page.attributes if name in ("href", "src")]
    assert targets == ["%3Cb%3ERi%7Cff%20%26%20%22co%22_%2A%5Bx%5D%28y%29%0A/x_report.html", "kept/manifest.json"]
    assert "url(" not in (tmp_path / "index.html").read_text("utf-8")


def test_a_page_that_leads_to_players_says_to_turn_down_first(tmp_path: Path) -> None:
    """NIOSH's limit at work (criteria for occupational noise exposure, 1998); above the links. Without a report there
    is nothing to hear."""
    write_summary(batch(DONE), tmp_path)
    page = (tmp_path / "index.html").read_text("utf-8")
    assert page.index("85 dB(A) over 8 hours") < page.index("_report.html")
    (tmp_path / "silent").mkdir()
    write_summary(batch(KEPT), tmp_path / "silent")
    assert "dB(A)" not in (tmp_path / "silent" / "index.html").read_text("utf-8")


def test_json_holds_verdicts_and_findings_for_programs(tmp_path: Path) -> None:
    """The file is the document; the exit code stands in it."""
    made = batch(DONE, BROKEN)
    write_summary(made, tmp_path)
    read = json.loads((tmp_path / "summary.json").read_text("utf-8"))
    assert read == document(made)
    assert read["exit_code"] == 4
    assert [song["verdict"] for song in read["songs"]] == ["mics left out", "limits broken"]
    assert [finding["slug"] for finding in read["findings"]] == ["batch-mic-moved"]


def test_a_summary_that_cannot_be_written_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    """A folder stands where the file should go."""
    (tmp_path / "summary.json").mkdir()
    with pytest.raises(DeliveryError) as caught:
        write_summary(batch(DONE), tmp_path)
    assert caught.value.problems[0].slug == "save-exists"
    assert [path.name for path in tmp_path.iterdir()] == ["summary.json"]
