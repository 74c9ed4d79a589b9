"""A sheet that people can read: signs with a legend, a sub mic's delay taken apart, the same on the page and in CSV."""

import csv
import json
import re
from pathlib import Path

import pytest

from tests.cli.conftest import Premix
from tests.conftest import RenderedDemo
from tests.rigs.sessions import manifest_of

HOUSE = ("recipes/house.yaml", "demo_stems")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped demo, rendered with its page."""
    from premix.cli.main import run

    out = tmp_path_factory.mktemp("sheet") / "out"
    assert run(["render", *HOUSE, "--out", str(out)]) == 0
    return out


def rows(out: Path) -> list[dict[str, str]]:
    with (out / "Tidewater_track_sheet.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_sub_mic_stands_where_it_stands(out: Path) -> None:
    """The demo's sub mic is 9.4 cm from the speaker, 6.9 behind the reference; its delay alone would read 92 cm."""
    for row in (row for row in rows(out) if row["mic"] == "sub"):
        assert float(row["distance_cm"]) == pytest.approx(6.9, abs=5.0)
        assert 2.5 < float(row["delay_ms"]) < 2.9
        note = re.search(
            r"of its delay ([\d.]+) ms are way \((\d+) cm \+- 5\), ([\d.]+) ms of its filters here, ([\d.]+) ms",
            row["notes"],
        )
        assert note is not None, row["notes"]
        way, filters, own = (float(note[group]) for group in (1, 3, 4))
        assert way + filters + own == pytest.approx(float(row["delay_ms"]), abs=0.02)
    decision = next(d for d in manifest_of(out)["alignment"] if d["mic"] == "sub")
    assert decision["delay_parts"]["distance_cm"] == pytest.approx(6.9, abs=5.0)


def test_other_mics_are_told_as_before(out: Path) -> None:
    """A delay is a distance where no band-pass hides it; every sign is written and explained."""
    text = (out / "Tidewater_track_sheet.txt").read_text("utf-8")
    assert "delay: + = was late, moved earlier; - = was early, moved later" in text
    line = next(line for line in text.splitlines() if line.strip().startswith("ribbon"))
    assert re.search(r"\+0\.8\d\d +\+29\.\d", line)
    assert next(d for d in manifest_of(out)["alignment"] if d["mic"] == "ribbon")["delay_parts"] is None


def test_align_tells_it_too(premix: Premix) -> None:
    """`premix align` shows centimetres of the way, not of the band-pass."""
    said = premix("align", *HOUSE)
    subs = [line for line in said.lines if line.strip().startswith("sub ")]
    assert subs
    for line in subs:
        cm = float(line.split()[4])
        assert cm == pytest.approx(6.9, abs=5.0)
    document = json.loads(premix("align", *HOUSE, "--json").out)
    assert [d["delay_parts"] is not None for d in document["alignment"] if d["mic"] == "sub"] == [True] * 5


def test_the_page_holds_the_sheet_and_prints_it_alone(out: Path) -> None:
    """Every fader, every mic, start, common gain and checksums; a button and a style for paper."""
    page = (out / "Tidewater_report.html").read_text("utf-8")
    sheet = page[page.index('<section id="sheet">') :]
    sheet = sheet[: sheet.index("</section>")]
    with (out / "Tidewater_faders.csv").open(encoding="utf-8", newline="") as file:
        faders = list(csv.DictReader(file))
    for row in faders:
        assert row["file"] in sheet and row["sha256"][:12] in sheet
    for row in rows(out):
        assert f"{row['performance']}/{row['mic']}" in sheet and row["sha256"][:12] in sheet
    assert "common gain of every file" in sheet and "start: " in sheet
    assert 'id="print-sheet"' in sheet
    assert ".sheet-alone section:not(#sheet)" in page and "#sheet { break-before: page; break-after: page; }" in page


def test_a_start_time_is_told_as_time_and_in_samples(rendered_demo: RenderedDemo) -> None:
    """With or without one, the sheet says how the files begin."""
    (text,) = (path.read_text("utf-8") for path in rendered_demo.out.glob("*_track_sheet.txt"))
    start = manifest_of(rendered_demo.out)["time_reference"]
    (line,) = [line for line in text.splitlines() if line.startswith("start: ")]
    if start is None:
        assert line == "start: the tracks have no start time; all files begin together"
    else:
        hours, rest = divmod(start / 48000, 3600)
        assert line.startswith(f"start: {int(hours):02d}:{int(rest // 60):02d}:") and f"({start} samples" in line
