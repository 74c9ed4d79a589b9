"""The track sheet: with the raw files it is enough to make the stems by hand."""

import csv
import io
import math
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, resample, sosfilt

from premix.delivery.documents import csv_text
from premix.delivery.track_sheet import write_csv
from premix.pipeline import render
from tests.delivery.conftest import FRAMES, LATE, RATE, Rendered


def rows_of(rendered: Rendered) -> list[dict[str, str]]:
    """The sheet as any program reads it."""
    with (rendered.out / "Tidewater_track_sheet.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def gate_by_hand(text: str, frames: int) -> np.ndarray:
    """The gain of a gate from its words: stretches at 0 dB, its range elsewhere, fades between; 1 without."""
    if not text:
        return np.ones(frames)
    opens, shuts = (int(re.search(rf"{word} in (\d+) samples", text)[1]) for word in ("opens", "shuts"))  # type: ignore[index]
    range_db = float(re.search(r"(-[\d.]+) dB but", text)[1])  # type: ignore[index]
    gain_db = np.full(frames, range_db)
    for first, last in re.findall(r"(\d+)-(\d+)", text.partition("at samples")[2]):
        at = np.concatenate((int(first) - fade(opens)[0][::-1], int(last) + fade(shuts)[0]))
        share = np.concatenate((fade(opens)[1][::-1], fade(shuts)[1]))
        gain_db = np.maximum(gain_db, np.interp(np.arange(frames), at, range_db * share))
    return np.asarray(10 ** (gain_db / 20))


def fade(length: int) -> tuple[np.ndarray, np.ndarray]:
    """Corners of a fade, in samples from 0 dB on and in shares of the range, as the sheet's rules say."""
    if length >= 0.01 * RATE:
        return np.array([0, length]), np.array([0.0, 1.0])
    at = np.unique(np.round(length * np.arange(25) / 48))
    return np.append(at, length), np.append((at / length) ** 2 * 4 / 3, 1.0)


def by_hand(rows: list[dict[str, str]], tracks: Path, frames: int, *, with_rooms: bool = False) -> np.ndarray:
    """A stem from its rows and the raw files: pad, advance (by a phase shift of the whole file), filter, turn over,
    gain, sum; nothing of premix is used."""
    stem = np.zeros(frames)
    for row in rows:
        if (row["role"] == "room" and not with_rooms) or "not summed" in row["notes"]:
            continue
        samples, rate = soundfile.read(tracks / row["file"])
        line = np.zeros(2**19)  # longer than the song: nothing comes round
        line[int(row["start_samples"]) :][: len(samples)] = samples
        advance = np.exp(2j * np.pi * np.fft.rfftfreq(len(line)) * float(row["delay_samples"]))
        line = np.fft.irfft(np.fft.rfft(line) * advance, len(line))
        if row["low_pass_hz"]:
            line = sosfilt(butter(2, float(row["low_pass_hz"]), fs=rate, output="sos"), line)
        sign = -1.0 if row["polarity"] == "inverted" else 1.0
        stem += sign * 10 ** (float(row["gain_db"]) / 20) * line[:frames] * gate_by_hand(row["gate"], frames)
    return stem * 10 ** (sum(float(rows[0][f"{gain}_db"]) for gain in ("performance_gain", "held_gain", "trim")) / 20)


@pytest.mark.parametrize("performance", ["left", "right"])
def test_stem_made_by_hand_from_the_sheet_is_the_stem(rendered: Rendered, performance: str) -> None:
    """Delays with fractions, a turned and a filtered mic, a muted one, an exception, a trim and a late start."""
    rows = [row for row in rows_of(rendered) if row["performance"] == performance]
    written = soundfile.read(rendered.out / "stems" / f"Tidewater_stem_{performance}.wav")[0]
    made = by_hand(rows, rendered.tracks, len(written))
    assert float(rows[0]["trim_db"]) < 0  # the ceiling is low on purpose
    # -120 dB: the fractional delay's own figure; 32-bit float rounding is far below
    assert np.abs(written - made).max() < 10 ** (-120 / 20)
    assert np.abs(written).max() > 0.01


@pytest.fixture(scope="module")
def gated(rendered: Rendered, tmp_path_factory: pytest.TempPathFactory) -> Rendered:
    """The same session with the rooms in its stems, a loud room, slow and fast fades, and files at twice the rate."""
    top = tmp_path_factory.mktemp("gated")
    settings = ["deliver.room=stem", "mics.room.gain_db=-1", "gate.range_db=30", "deliver.rate=96000"]
    settings.append("performances.left.gain_db=-1e-12")  # nothing, to nine digits
    outcome = render(rendered.tracks.parent / "recipe.yaml", rendered.tracks, top / "out", settings=settings)
    return Rendered(outcome.rendered, rendered.tracks, top / "out")


@pytest.mark.parametrize("performance", ["left", "right"])
def test_stem_with_its_room_at_another_rate_is_made_by_hand_too(gated: Rendered, performance: str) -> None:
    """Gates as the sheet tells them, and the sum brought to the files' rate by a Fourier transform."""
    rows = [row for row in rows_of(gated) if row["performance"] == performance]
    assert {(row["rate_hz"], row["files_rate_hz"]) for row in rows} == {("48000", "96000")}
    written = soundfile.read(gated.out / "stems" / f"Tidewater_stem_{performance}.wav")[0]
    frames = len(written) // 2
    made = resample(np.pad(by_hand(rows, gated.tracks, frames, with_rooms=True), RATE), 2 * (frames + 2 * RATE))
    made = made[2 * RATE : -2 * RATE]
    # -100 dB: soxr's own edge above 20 kHz, where the riff's hard stops have what is left of them
    assert np.abs(written - made).max() < 10 ** (-100 / 20)
    without = resample(np.pad(by_hand(rows, gated.tracks, frames), RATE), 2 * (frames + 2 * RATE))[2 * RATE : -2 * RATE]
    assert np.abs(written - without).max() > 10 ** (-40 / 20)  # the rooms are in it


def test_sheet_misses_the_stem_when_any_column_is_wrong(rendered: Rendered) -> None:
    """The check above does notice a turned polarity, a tenth of a sample and a tenth of a dB."""
    rows = [row for row in rows_of(rendered) if row["performance"] == "left"]
    written = soundfile.read(rendered.out / "stems" / "Tidewater_stem_left.wav")[0]
    for column, value in (("polarity", "normal"), ("delay_samples", "6.47"), ("gain_db", "-3.4")):
        wrong = [row | {column: value} if row["mic"] == "ribbon" else row for row in rows]
        assert np.abs(written - by_hand(wrong, rendered.tracks, len(written))).max() > 10 ** (-80 / 20)


def test_every_track_has_a_row(rendered: Rendered) -> None:
    """Also muted and room mics, in the order of the tracks, each with who decided."""
    rows = rows_of(rendered)
    assert [f"{row['performance']}/{row['mic']}" for row in rows] == [mic.label for mic in rendered.run.song.mics]
    assert {row["decided_by"] for row in rows} <= {"recipe", "auto"}
    (muted,) = (row for row in rows if "not summed" in row["notes"])
    assert (muted["performance"], muted["mic"], muted["gain_db"]) == ("right", "sub", "")
    assert {row["start_samples"] for row in rows if row["performance"] == "right"} == {str(LATE)}


def test_units_of_a_delay_agree(rendered: Rendered) -> None:
    """10 cm at 20 degrees: 343.2 m/s (ISO 9613-1:1993), 0.29138 ms."""
    row = next(r for r in rows_of(rendered) if r["mic"] == "sub")
    assert float(row["delay_cm"]) == 10.0
    assert float(row["delay_ms"]) == pytest.approx(100 / 343.2, abs=1e-9)
    assert float(row["delay_samples"]) == pytest.approx(0.1 / 343.2 * RATE, abs=1e-8)


def test_rooms_say_what_their_gate_did(rendered: Rendered) -> None:
    """Only rooms have a gate."""
    for row in rows_of(rendered):
        assert ("open" in row["gate"]) == (row["role"] == "room")


def test_printed_page_names_everything_once(rendered: Rendered) -> None:
    """A block a performance, a line a mic, in columns."""
    text = (rendered.out / "Tidewater_track_sheet.txt").read_text()
    assert text.splitlines()[0] == "Tidewater: track sheet"
    assert f"{RATE} Hz, {FRAMES + LATE} samples ({4 + LATE / RATE:.3f} s)" in text
    for mic in rendered.run.song.mics:
        assert text.count(mic.track.header.path.name) == 1
    assert max(len(line) for line in text.splitlines()) < 160


def test_numbers_are_short_and_keep_their_sign(rendered: Rendered, gated: Rendered) -> None:
    """No '-0', no trailing zeros, no exponent, nine digits where there are so many."""
    rows = [*rows_of(rendered), *rows_of(gated)]
    columns = [name for name in rows[0] if name.endswith(("_samples", "_ms", "_cm", "_db", "_hz"))]
    texts = {row[name] for row in rows for name in columns} - {""}
    assert all(re.fullmatch(r"-?(0|[1-9]\d*)(\.\d{0,8}[1-9])?", text) for text in texts)
    assert texts >= {"0", "-3.3", "6.37", "180", "48000"} and "-0" not in texts
    assert f"{6.37 / 48:.9f}" in texts


def test_file_names_are_no_formulas(tmp_path: Path) -> None:
    """A spreadsheet must not run what a track is called; the path still leads to the file."""
    write_csv(tmp_path / "a.csv", [{"mic": "", "file": "=1+1.wav", "delay_samples": "-1", "notes": "@home, =1"}])
    with (tmp_path / "a.csv").open(newline="") as file:
        (read,) = csv.DictReader(file)
    assert (read["file"], read["delay_samples"], read["notes"]) == ("./=1+1.wav", "-1", "'@home, =1")
    assert math.isclose(float(read["delay_samples"]), -1.0)


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", "\r=1+1", "-", "+", "=", "-e1"])
def test_no_cell_of_any_csv_is_a_formula(text: str) -> None:
    """OWASP, "CSV Injection": cells that begin with one of = + - @, a tab or a carriage return; an apostrophe before
    them makes them text. Numbers are numbers."""
    _, row = csv.reader(io.StringIO(csv_text(["a", "b", "c"], [[text, "-12.5", -3.25]]), newline=""))
    assert row == ["'" + text.replace("\r", "\n"), "-12.5", "-3.25"]
    for number in ("-1", "+48", "-0.001", "1e-05", "-inf", "0"):
        assert list(csv.reader(io.StringIO(csv_text(["a"], [[number]]))))[1] == [number]
