"""The track sheet: what was done to each mic, as CSV for programs and a printable text.

The columns are premix's own; none are published. With the raw files, the sheet is enough to make the stems by
hand: each mic is padded by its start, advanced by its delay, filtered where a corner is given, turned over
where its polarity is inverted, and multiplied by its gain; the close mics of a performance are added, its rooms too
where the stem holds them, each through its gate, and the sum is multiplied by the performance's gain and the trim.

A gate's gain in dB is 0 from the first to the last sample of each stretch it names, and its range everywhere else,
with straight fades between. A fade of less than 10 ms is bent where it meets 0 dB: over the half u = 0 ... 1/2 of it
next to 0 dB it falls by 4/3 u^2 of the range, in 24 straight pieces, and by 4/3 u - 1/3 from there on.
"""

import csv
import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix import __version__
from premix.delivery.manifest import relative_path
from premix.model.gate import Curve, Gating
from premix.model.mix import BusPlan, MicPath, PerformancePlan
from premix.model.run import FinishedRun
from premix.model.tracks import Track, TrackSet
from premix.units import gain_to_db, samples_to_cm, samples_to_ms, samples_to_s

_LONG = 1 << 62  # samples; stands for a fade that the song does not hold


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One mic of one performance. Gains in dB without the polarity; '' where a column does not apply."""

    performance: str
    mic: str
    role: str
    file: str
    start_samples: int
    polarity: str
    delay_samples: str
    delay_ms: str
    delay_cm: str
    gain_db: str
    high_pass_hz: str
    low_pass_hz: str
    all_pass: str
    performance_gain_db: str
    bus: str
    bus_gain_db: str
    gate: str
    trim_db: str
    decided_by: str
    notes: str
    rate_hz: int
    files_rate_hz: int


def sheet_rows(run: FinishedRun) -> tuple[SheetRow, ...]:
    """The rows of the sheet, one a track, in the order of the tracks."""
    return tuple(_row(track, run) for track in run.tracks.tracks)


def write_csv(path: Path, rows: tuple[SheetRow, ...]) -> None:
    """Write the rows as CSV: UTF-8, a header line, ',' between, lines ended by a line feed."""
    columns = [field.name for field in dataclasses.fields(SheetRow)]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_cell(getattr(row, name)) for name in columns] for row in rows)


def write_text(path: Path, rows: tuple[SheetRow, ...], tracks: TrackSet) -> None:
    """Write the rows as a page to print: a block a performance, a line a mic, notes below."""
    lines = [
        f"{tracks.song}: track sheet",
        f"{tracks.rate} Hz, {tracks.frames} samples ({samples_to_s(tracks.frames, tracks.rate):.3f} s), "
        + (f"files at {rows[0].files_rate_hz} Hz, " if rows[0].files_rate_hz != tracks.rate else "")
        + f"premix {__version__}",
    ]
    for performance in tracks.performances():
        block = [row for row in rows if row.performance == performance]
        first = block[0]
        lines += [
            "",
            f"{performance}: gain {first.performance_gain_db or '-'} dB, bus {first.bus or '-'} at "
            f"{first.bus_gain_db or '-'} dB, trim {first.trim_db} dB",
        ]
        lines += ["  " + line for line in _table(block)]
        lines += [f"  {row.mic}: {row.notes}" for row in block if row.notes]
    path.write_text("\n".join(lines) + "\n", "utf-8", newline="\n")


def _row(track: Track, run: FinishedRun) -> SheetRow:
    decision = run.alignment.of(track.performance, track.mic)
    performance = next((p for p in run.plan.performances if p.performance == track.performance), None)
    path = _path_of(track, performance)
    bus = next((b for b in run.plan.buses if performance and b.name == performance.bus), None)
    rate = run.tracks.rate
    delay = path.delay_samples if path else decision.delay_samples
    cm = samples_to_cm(delay, rate, run.merged.recipe.alignment.temperature_c)
    rotation = path.rotation if path else None
    return SheetRow(
        performance=track.performance,
        mic=track.mic,
        role=decision.role,
        file=relative_path(track, run.tracks.folder),
        start_samples=track.start,
        polarity="inverted" if (path.gain < 0 if path else decision.polarity < 0) else "normal",
        delay_samples=_number(delay),
        delay_ms=_number(samples_to_ms(delay, rate)),
        delay_cm=_number(cm, 1),
        gain_db=_gain(path.gain if path else None),
        high_pass_hz=_number(path.high_pass_hz if path else None),
        low_pass_hz=_number(path.low_pass_hz if path else None),
        all_pass=f"order {rotation.order}, {rotation.corner_hz:g} Hz, q {rotation.q:g}" if rotation else "",
        performance_gain_db=_gain(performance.gain if performance else None),
        bus=bus.name if bus else "",
        bus_gain_db=_gain(bus.gain if bus else None),
        gate=_gate(track, run.gating),
        trim_db=_number(run.rendering.trim_db),
        decided_by=decision.origin,
        notes=_notes(track, path, (performance, bus), run),
        rate_hz=rate,
        files_rate_hz=rate if run.merged.recipe.deliver.rate == "keep" else run.merged.recipe.deliver.rate,
    )


def _path_of(track: Track, performance: PerformancePlan | None) -> MicPath | None:
    """How the track got into the mix; None where it is in no sum."""
    paths = (*performance.close, *performance.rooms) if performance else ()
    return next((p for p in paths if p.track.mic == track.mic), None)


def _gate(track: Track, gating: Gating) -> str:
    room = next((r for r in gating.rooms if (r.performance, r.mic) == (track.performance, track.mic)), None)
    if room is None:
        return ""
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


def _notes(
    track: Track, path: MicPath | None, sends: tuple[PerformancePlan | None, BusPlan | None], run: FinishedRun
) -> str:
    """Everything the columns do not say, in words."""
    notes = []
    if path is None:
        notes.append("not summed")
    if track.header.channels > 1:
        notes.append(f"channel {track.channel + 1} of {track.header.channels}")
    chains = (("mic", path), ("performance", sends[0]), ("bus", sends[1]))
    for name, item in chains:
        if item is not None and item.chain:
            notes.append(f"{name} chain: {', '.join(step.kind for step in item.chain)}")
    notes += [finding.message for finding in run.findings() if finding.subject == track.name]
    return "; ".join(notes)


def _table(rows: list[SheetRow]) -> list[str]:
    """The columns that fit on a page, aligned, under their names."""
    heads = ("mic", "polarity", "delay ms", "cm", "gain dB", "high-pass", "low-pass", "by", "gate", "file")
    cells = [
        heads,
        *(
            (
                r.mic,
                r.polarity,
                _short(r.delay_ms, 3),
                _short(r.delay_cm, 1),
                _short(r.gain_db, 2),
                r.high_pass_hz,
                r.low_pass_hz,
                r.decided_by,
                r.gate.partition(";")[0],
                r.file,
            )
            for r in rows
        ),
    ]
    widths = [max(len(line[column]) for line in cells) for column in range(len(heads))]
    numbers = range(2, 7)
    return [
        "  ".join(
            text.rjust(width) if column in numbers else text.ljust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]


def _gain(gain: float | None) -> str:
    return "" if gain is None else _number(gain_to_db(abs(gain)))


def _number(value: float | None, digits: int = 9) -> str:
    """A number short of trailing zeros; nine digits keep a stem made by hand exact below -150 dB."""
    if value is None:
        return ""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _short(number: str, digits: int) -> str:
    return f"{float(number):.{digits}f}" if number else ""


def _cell(value: str | int) -> str | int:
    """A file name must not be taken for a formula by a spreadsheet."""
    return f"./{value}" if isinstance(value, str) and value[:1] in ("=", "@") else value
