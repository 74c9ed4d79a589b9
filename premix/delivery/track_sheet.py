"""The track sheet: what was done to each mic, as CSV for programs and a printable text.

The columns are premix's own; none are published. With the raw files, the sheet is enough to make the stems by
hand: each mic is padded by its start, advanced by its delay, filtered where a corner is given, turned over
where its polarity is inverted, and multiplied by its gain; the close mics of a performance are added, its rooms too
where the stem holds them, each through its gate, and the sum is multiplied by the performance's gain, the gain that the
file holds for its buses, and the trim.

Beside it stands the list of faders and pans, a row a delivered file; the printable text begins with it.

A mic that changes in the song has passages, 'from s, to s, samples, polarity, ppm; ...', instead of one delay and one
polarity. At sample n of the song, t seconds after the beginning of a passage, the mic is advanced by its samples plus
1e-6 ppm t rate. Around the sample where the next begins, 5 ms (no more than either passage has) lead from the one to
the other in a straight line: of b - h to b + h the sample b - h + i has (i + 1/2) / (2 h) of the next.

A gate's gain in dB is 0 from the first to the last sample of each stretch it names, and its range everywhere else,
with straight fades between. A fade of less than 10 ms is bent where it meets 0 dB: over the half u = 0 ... 1/2 of it
next to 0 dB it falls by 4/3 u^2 of the range, in 24 straight pieces, and by 4/3 u - 1/3 from there on.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix import __version__
from premix.delivery.documents import csv_text, relative_path
from premix.delivery.faders import Fader, faders, pan_words, width_line
from premix.delivery.file_names import document_name
from premix.model.alignment import Passage
from premix.model.gate import Curve
from premix.model.mix import LevelReached, Rendered
from premix.model.song import Mic, Performance, Song
from premix.units import gain_to_db, samples_to_cm, samples_to_ms, samples_to_s

Row = dict[str, str]
"""A delivered file, or one mic of one performance: column -> text. Gains in dB without the polarity; '' where a column
does not apply."""
LEGEND = (
    "delay: + = was late, moved earlier; - = was early, moved later",
    "cm: how far sound goes in that time; of a sub mic, without the part of its own band-pass",
)
_LONG = 1 << 62  # samples; stands for a fade that the song does not hold
_NUMBERS = ("delay ms", "cm", "gain dB", "high-pass", "low-pass")  # columns of the page that stand to the right


@dataclass(frozen=True, slots=True)
class TrackSheet:
    """A sheet, as its files and the page tell it.

    head: lines about the whole delivery. faders, mics: rows of the CSV files. legend: what the signs mean.
    """

    head: tuple[str, ...]
    faders: tuple[Row, ...]
    mics: tuple[Row, ...]
    legend: tuple[str, ...] = LEGEND

    @property
    def fader_cells(self) -> Iterator[Row]:
        """The faders as they are read: levels to hundredths of a dB, 'off' for none."""
        for row in self.faders:
            levels = {name: _level_text(row[f"{name}_db"]) for name in ("fader", "left", "right")}
            yield {**row, **levels, "pan": row["pan_words"]}

    @property
    def mic_cells(self) -> Iterator[Row]:
        """The mics as they are read: delays with their signs."""
        for row in self.mics:
            yield {
                **row,
                "track": f"{row['performance']}/{row['mic']}",
                "delay": _signed(row["delay_ms"], 3),
                "cm": _signed(row["distance_cm"], 1),
                "gain": _short(row["gain_db"], 2),
                "high_pass": row["high_pass_hz"],
                "low_pass": row["low_pass_hz"],
            }


def track_sheet(rendered: Rendered) -> TrackSheet:
    """The sheet of a run: a row a delivered file, way by way, and a row a mic, in the song's order."""
    song = rendered.song
    return TrackSheet(
        tuple(_head(rendered)),
        tuple(_fader_row(song, fader) for fader in faders(rendered)),
        tuple(_row(rendered, own, mic) for own in song.performances for mic in own.mics),
    )


def write_track_sheet(rendered: Rendered, folder: Path) -> None:
    """Write the sheet of a run into its output folder, as CSV files of the faders and of the mics, and as text."""
    song, sheet = rendered.song, track_sheet(rendered)
    write_csv(folder / document_name(song.name, "track_sheet", "csv"), sheet.mics)
    write_csv(folder / document_name(song.name, "faders", "csv"), sheet.faders)
    text = "\n".join(_page(sheet, song)) + "\n"
    (folder / document_name(song.name, "track_sheet", "txt")).write_text(text, "utf-8", newline="\n")


def write_csv(path: Path, rows: Sequence[Row]) -> None:
    """Write the rows as CSV, in UTF-8. A file's name that a spreadsheet would take for a formula stays one that leads
    to the file: './' comes before it."""
    formula = ("=", "+", "-", "@")
    cells = [
        [f"./{text}" if key == "file" and text.startswith(formula) else text for key, text in row.items()]
        for row in rows
    ]
    path.write_text(csv_text(list(rows[0]), cells), "utf-8", "backslashreplace", newline="")


def _head(rendered: Rendered) -> Iterator[str]:
    song, plan, rendering = rendered.song, rendered.plan, rendered.rendering
    yield (
        f"{song.rate} Hz, {song.frames} samples ({samples_to_s(song.frames, song.rate):.3f} s), "
        + (f"files at {song.file_rate} Hz, " if song.file_rate != song.rate else "")
        + f"{song.deliver.bits} bits, premix {__version__}"
    )
    start = song.time_reference
    yield (
        f"start: {_clock(start, song.rate)} ({start} samples since midnight)"
        if start is not None
        else ("start: the tracks have no start time; all files begin together")
    )
    yield f"common gain of every file: {rendering.trim_db:+.2f} dB{_level(rendering.level)}"
    if line := width_line(plan):
        yield line


def _level(level: LevelReached | None) -> str:
    """What the common gain was for."""
    if level is None or level.found is None:
        return ""
    what, unit = {
        "ceiling_dbtp": ("highest true peak", "dBTP"),
        "loudness_lufs": ("guitar bus at", "LUFS"),
        "peak_dbfs": ("highest sample", "dBFS"),
    }[level.by]
    return f" ({what} {level.found:.2f} {unit})"


def _clock(samples: int, rate: int) -> str:
    """A time of day to the microsecond."""
    seconds, rest = divmod(samples, rate)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest * 1_000_000 // rate:06d}"


def _page(sheet: TrackSheet, song: Song) -> Iterator[str]:
    """The lines of a page to print: the faders, then a block a performance, a line a mic, notes below."""
    yield f"{song.name}: track sheet"
    yield from sheet.head
    yield ""
    yield "Faders and pans: stems and rooms, or the buses, or the guitar bus alone"
    yield from ("  " + line for line in _fader_table(sheet))
    yield ""
    yield from sheet.legend
    for performance in (own.name for own in song.performances):
        block = [row for row in sheet.mics if row["performance"] == performance]
        sent = [row for row in block if row["bus"]] or block[:1]
        buses = dict.fromkeys(f"{row['bus'] or '-'} at {row['bus_gain_db'] or '-'} dB" for row in sent)
        gain, trim = sent[0]["performance_gain_db"] or "-", block[0]["trim_db"]
        yield ""
        yield f"{performance}: gain {gain} dB, bus {', '.join(buses)}, trim {trim} dB"
        yield from ("  " + line for line in _table(block))
        yield from (f"  {row['mic']}: {note}" for row in block if row["notes"] for note in row["notes"].split("; "))
    yield ""
    yield "SHA-256 of the samples, little-endian, at each file's own depth"
    yield from (f"  {row['sha256']}  {row['file']}" for row in sheet.faders)
    yield from (f"  {row['sha256']}  track {row['performance']}/{row['mic']}" for row in sheet.mics)


def _fader_table(sheet: TrackSheet) -> Iterator[str]:
    """The faders, aligned, way by way."""
    lines: list[tuple[str, ...]] = [("", "fader dB", "pan", "left dB", "right dB", "file", "")]
    ways: set[str] = set()
    for row in sheet.fader_cells:
        way = "" if row["way"] in ways else row["way"]
        ways.add(row["way"])
        lines.append((way, row["fader"], row["pan"], row["left"], row["right"], row["file"], row["notes"]))
    return aligned(lines, [False, True, False, True, True, False, False])


def _level_text(number: str) -> str:
    return "off" if number == "-inf" else _short(number, 2)


def _table(rows: Sequence[Row]) -> Iterator[str]:
    """The columns that fit on a page, aligned, under their names."""
    columns: dict[str, list[str]] = {
        "mic": [r["mic"] for r in rows],
        "polarity": [r["polarity"] for r in rows],
        "delay ms": [_signed(r["delay_ms"], 3) for r in rows],
        "cm": [_signed(r["distance_cm"], 1) for r in rows],
        "gain dB": [_short(r["gain_db"], 2) for r in rows],
        "high-pass": [r["high_pass_hz"] for r in rows],
        "low-pass": [r["low_pass_hz"] for r in rows],
        "by": [r["decided_by"] for r in rows],
        "gate": [r["gate"].partition(";")[0] for r in rows],
        "file": [r["file"] for r in rows],
    }
    return aligned([list(columns), *zip(*columns.values(), strict=True)], [name in _NUMBERS for name in columns])


def aligned(table: Iterable[Sequence[str]], right: Iterable[bool]) -> Iterator[str]:
    """The rows of a table as lines of even columns; right: which of them are set to the right."""
    columns = []
    for column, flush in zip(zip(*table, strict=True), right, strict=True):
        width = max(map(len, column))
        columns.append([cell.rjust(width) if flush else cell.ljust(width) for cell in column])
    return ("  ".join(line).rstrip() for line in zip(*columns, strict=True))


def _short(number: str, digits: int) -> str:
    return f"{float(number):.{digits}f}" if number else ""


def _signed(number: str, digits: int) -> str:
    """With its sign; nothing is neither late nor early."""
    text = f"{float(number):+.{digits}f}" if number else ""
    return text[1:] if text and float(text) == 0.0 else text


def _fader_row(song: Song, fader: Fader) -> Row:
    """A delivered file. Levels that are off are '-inf'; columns of a pan are empty for a stereo file."""
    file, mono = fader.file, fader.pan is not None
    start = song.time_reference or 0
    return {
        "file": file.path,
        "way": fader.way,
        "fader_db": _gain(fader.gain),
        "pan": "" if fader.pan is None else _number(fader.pan),
        "pan_words": pan_words(fader.pan),
        "left_db": _gain(fader.left) if mono else "",
        "right_db": _gain(fader.right) if mono else "",
        "channels": str(file.part.channels),
        "rate_hz": str(song.file_rate),
        "bits": str(file.bits),
        "start_samples": str(round(start * song.file_rate / song.rate)),
        "start_time": _clock(start, song.rate),
        "frames": str(file.frames),
        "seconds": _number(samples_to_s(file.frames, song.file_rate)),
        "sha256": file.sha256,
        "notes": fader.note,
    }


def _row(rendered: Rendered, performance: Performance, mic: Mic) -> Row:
    """Columns of the sum are empty for a mic that is in none, and those of the sends where the performance is muted."""
    song, trim_db = rendered.song, rendered.rendering.trim_db
    decision, sends = mic.decision, performance.heard and not mic.is_di and not song.bus(mic.bus).mute
    summed, rotation = sends and decision.summed, decision.rotation if sends and decision.summed else None
    delay = decision.delay_samples
    return {
        "performance": performance.name,
        "mic": mic.name,
        "role": mic.role,
        "file": relative_path(mic.track, song.folder),
        "start_samples": str(mic.track.start),
        "polarity": "inverted" if decision.polarity < 0 else "normal",
        "delay_samples": _number(delay),
        "delay_ms": _number(samples_to_ms(delay, song.rate)),
        "delay_cm": _number(samples_to_cm(delay, song.rate, song.alignment.temperature_c), 1),
        "gain_db": _gain(mic.gain if summed else None),
        "high_pass_hz": _number(mic.high_pass_hz if summed else None),
        "low_pass_hz": _number(mic.low_pass_hz if summed else None),
        "all_pass": f"order {rotation.order}, {rotation.corner_hz:g} Hz, q {rotation.q:g}" if rotation else "",
        "performance_gain_db": _gain(performance.gain if sends else None),
        "bus": mic.bus if sends else "",
        "bus_gain_db": _gain(song.bus(mic.bus).gain if sends else None),
        "gate": _gate(mic),
        "trim_db": _number(trim_db),
        "decided_by": "" if mic.is_di else decision.origin,
        "notes": "; ".join(_notes(song, performance, mic)),
        "rate_hz": str(song.rate),
        "files_rate_hz": str(song.file_rate),
        "passages": "; ".join(_passage(passage) for passage in decision.passages),
        "distance_cm": _number(song.way_cm(mic), 1),
        "own_delay_ms": _number(mic.delay_parts.own_ms if mic.delay_parts else None, 3),
        "filters_delay_ms": _number(mic.delay_parts.filters_ms if mic.delay_parts else None, 3),
        "held_gain_db": _gain(rendered.plan.held_gain(mic.bus) if sends else None),
        "frames": str(mic.track.header.frames),
        "seconds": _number(samples_to_s(mic.track.header.frames, song.rate)),
        "sha256": mic.levels.sha256,
    }


def _passage(passage: Passage) -> str:
    turned = "inverted" if passage.polarity < 0 else "normal"
    numbers = (passage.from_s, passage.to_s, passage.delay_samples)
    return ", ".join((*map(_number, numbers), turned, _number(passage.ppm)))


def _gain(gain: float | None) -> str:
    if gain is None:
        return ""
    return _number(gain_to_db(gain)) if gain > 0.0 else "-inf"


def _number(value: float | None, digits: int = 9) -> str:
    """A number short of trailing zeros; nine digits keep a stem made by hand exact below -150 dB."""
    if value is None:
        return ""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _notes(song: Song, performance: Performance, mic: Mic) -> Iterator[str]:
    """What the columns do not say, in words."""
    heard = performance.heard and not song.bus(mic.bus).mute
    summed, header = heard and mic.decision.summed, mic.track.header
    if mic.is_di:
        yield f"DI: delivered as recorded, without the trim; plays as its amp by {mic.match.likeness:.2f}"
    elif not summed:
        yield "not summed"
    elif mic.group is not None:
        yield f"in the stem of {mic.group}, to bus {mic.bus}"
    elif mic.bus != performance.bus:
        yield f"to bus {mic.bus}"
    if parts := mic.delay_parts:
        filters = f", {parts.filters_ms:.2f} ms of its filters here" if parts.filters_ms else ""
        yield (
            f"of its delay {parts.distance_ms:.2f} ms are way ({parts.distance_cm:.0f} cm +- {parts.within_cm:.0f})"
            f"{filters}, {parts.own_ms:.2f} ms its own band-pass"
        )
    elif mic.role == "sub" and summed and mic.decision.delay_samples != 0.0:
        yield "its own band-pass is in its delay: how far it stands cannot be told from it"
    if header.channels > 1:
        channel = mic.track.channel
        yield (
            f"mean of {header.channels} channels" if channel is None else f"channel {channel + 1} of {header.channels}"
        )
    chains = (("mic", mic.chain, summed), ("performance", performance.chain, heard and not mic.is_di))
    for name, chain, used in (*chains, ("bus", song.bus(mic.bus).chain, heard and not mic.is_di)):
        if used and chain:
            yield f"{name} chain: {', '.join(step.kind for step in chain)}"
    for number, passage in enumerate(mic.decision.passages, 1):
        yield f"passage {number}: {passage_words(passage, song.rate)}"
    yield from (finding.message for finding in song.findings if finding.subject == mic.label)


def passage_words(passage: Passage, rate: int) -> str:
    """'12.300 to 31.000 s: +1.250 ms (+60.00 samples), inverted, drifts by +12.0 ppm'"""
    delay = passage.delay_samples
    words = f"{passage.from_s:.3f} to {passage.to_s:.3f} s: {samples_to_ms(delay, rate):+.3f} ms ({delay:+.2f} samples)"
    words += ", inverted" if passage.polarity < 0 else ", normal"
    return words + (f", drifts by {passage.ppm:+.1f} ppm" if passage.ppm else "")


def _gate(mic: Mic) -> str:
    if not mic.is_room:
        return ""
    room = mic.room
    if room.mode == "off":
        return "off"
    said = f"{room.mode} at {room.threshold_db:.1f} dB, open {len(room.open)} times"
    return f"{said}; {_shape(room.curve)}" if room.mode == "gate" else said


def _shape(curve: Curve) -> str:
    """A gate's curve in words: how far it shuts, the samples from first to last at 0 dB, and how long it fades."""
    at, gains_db = curve.positions, curve.gains_db
    shut_db = float(gains_db.min())
    open_ = np.flatnonzero(gains_db == 0.0)
    if shut_db == 0.0 or not len(open_):
        return f"{_number(shut_db, 3)} dB all along"
    runs = np.split(at[open_], np.flatnonzero(np.diff(open_) > 1) + 1)
    shut = at[gains_db == shut_db]
    stretches = ", ".join(f"{run[0]}-{run[-1]}" for run in runs)
    fades = {
        "opens": min(_distance(run[0] - shut) for run in runs),
        "shuts": min(_distance(shut - run[-1]) for run in runs),
    }
    lengths = ", ".join(f"{name} in {length} samples" for name, length in fades.items() if length < _LONG)
    return f"{_number(shut_db, 3)} dB but 0 dB at samples {stretches}; {lengths}".rstrip("; ")


def _distance(samples: npt.NDArray[np.int64]) -> int:
    """The least that is above zero: a whole fade, as between two near stretches the gate never shuts."""
    return int(samples[samples > 0].min(initial=_LONG))
