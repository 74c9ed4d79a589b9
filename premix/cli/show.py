"""What people see: plain aligned tables, findings, and a progress bar on a terminal.

The verdict of a render in at most twenty lines, and the decisions of an alignment as tables.
"""

import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click

from premix.cli import show
from premix.model.alignment import Alignment, MicDecision
from premix.model.finding import Finding
from premix.pipeline import Outcome, Progress
from premix.units import samples_to_cm, samples_to_ms, samples_to_s

_STYLE = {"error": "red", "warning": "yellow", "info": None}


def document(data: Any) -> None:
    """One JSON document on standard output, for programs."""
    click.echo(json.dumps(data, indent=1, ensure_ascii=False, sort_keys=False))


def say(text: str = "") -> None:
    """A line for people, on standard error."""
    click.echo(text, err=True)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], indent: str = "  ") -> None:
    """A plain table for people: columns of text to the left, of numbers to the right."""
    cells = [list(head), *(list(row) for row in rows)]
    widths = [max(len(row[c]) for row in cells) for c in range(len(head))]
    right = [all(_is_number(row[c]) for row in cells[1:]) for c in range(len(head))]
    for number, row in enumerate(cells):
        line = "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(row, widths, right, strict=True)
        )
        say(click.style(indent + line.rstrip(), dim=True) if number == 0 else indent + line.rstrip())


def findings(found: Iterable[Finding]) -> None:
    """One line a finding, the worst first."""
    order = {"error": 0, "warning": 1, "info": 2}
    for finding in sorted(found, key=lambda f: order[f.severity]):
        mark = click.style(finding.severity, fg=_STYLE[finding.severity])
        hint = f" ({finding.hint})" if finding.hint else ""
        say(f"  {mark}: {finding.subject}: {finding.message}{hint} [{finding.slug}]")


def _is_number(cell: str) -> bool:
    return cell in ("", "-") or cell.lstrip("+-").replace(".", "", 1).isdigit()


class BarProgress(Progress):
    """A progress bar on standard error when that is a terminal; silent otherwise."""

    def __init__(self) -> None:
        self._bar: Any = None

    def begin(self, step: str, samples: int) -> None:
        self.end()
        if sys.stderr.isatty():
            self._bar = click.progressbar(
                length=samples, label=f"{step:<20}", file=sys.stderr, show_pos=False, fill_char="=", empty_char=" "
            )
            self._bar.__enter__()

    def advance(self, samples: int) -> None:
        if self._bar is not None:
            self._bar.update(samples)

    def end(self) -> None:
        """Finish the bar's line."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None


def summary(outcome: Outcome, out: Path) -> None:
    """What was done and measured, the worst news first."""
    run = outcome.run
    rendering = run.rendering
    length = samples_to_s(run.tracks.frames, run.tracks.rate)
    show.say(f"{run.tracks.song}: {len(run.tracks.tracks)} tracks, {length:.1f} s at {run.tracks.rate} Hz")
    quiet = {q.performance: q for q in rendering.room_quiet}
    rows = []
    for efficiency in run.alignment.efficiencies:
        name = efficiency.performance
        room = quiet.get(name)
        reduction = f"{room.reduction_db:.1f}" if room and room.reduction_db is not None else "-"
        rows.append(
            [
                name,
                f"{efficiency.before_db:.2f}",
                f"{efficiency.after_db:.2f}",
                str(run.gating.riff_of(name).stops),
                reduction,
            ]
        )
    show.table(
        ["performance", "sum efficiency dB as recorded", "aligned", "stops", "room quieter in stops dB"], rows[:8]
    )
    if len(rows) > 8:
        show.say(f"  ... and {len(rows) - 8} more performances")
    if rendering.stereo and rendering.stereo.correlation is not None:
        show.say(
            f"  mono fold {rendering.stereo.fold_db:.2f} dB, correlation {rendering.stereo.correlation:+.2f}"
            + (f", common trim {rendering.trim_db:.2f} dB" if rendering.trim_db else ", no trim")
        )
    told = [f for f in run.findings() if f.severity != "info"]
    show.findings(told[:5])
    if len(told) > 5:
        show.say(f"  ... and {len(told) - 5} more findings in the manifest")
    broken = len(outcome.broken)
    verdict = f"{broken} limit{'s' if broken > 1 else ''} broken" if broken else "done"
    show.say(f"{verdict}: {len(rendering.files)} files, track sheet and manifest in {out}")


def decisions_table(alignment: Alignment, performance: str, temperature_c: float) -> None:
    """One performance's mics: what was decided, and on what evidence."""
    efficiency = next(e for e in alignment.efficiencies if e.performance == performance)
    without = dict(efficiency.without)
    show.say(
        f"{performance}: sum efficiency {efficiency.before_db:.2f} dB as recorded -> "
        f"{efficiency.after_db:.2f} dB aligned"
    )
    rows = []
    for decision in (d for d in alignment.decisions if d.performance == performance):
        delay = decision.delay_samples
        rows.append(
            [
                decision.mic,
                "inverted" if decision.polarity < 0 else "normal",
                f"{samples_to_ms(delay, alignment.rate):+.3f}",
                f"{delay:+.2f}",
                f"{samples_to_cm(delay, alignment.rate, temperature_c):+.1f}",
                f"{without[decision.mic]:.2f}" if decision.mic in without else "-",
                confidence(decision, alignment.reference, alignment.rate),
            ]
        )
    show.table(["mic", "polarity", "ms", "samples", "cm", "dB if as recorded", "confidence"], rows)


def confidence(decision: MicDecision, reference: str, rate: int) -> str:
    """How sure a decision is, in words with the numbers behind them."""
    from premix.messages import REMEDIES

    if decision.refusal:
        return f"refused: {decision.refusal} ({REMEDIES[decision.refusal]})"
    if decision.origin in ("recipe", "sheet"):
        return f"by hand ({decision.origin})"
    if decision.mic == reference:
        return "reference, stays"
    if decision.coherence is None:
        return "not judged"
    figures = f"coherence {decision.coherence:.2f}"
    if decision.role == "room" and decision.arrival_samples is not None:
        late_ms = samples_to_ms(decision.arrival_samples - decision.delay_samples, rate)
        figures = f"hears it {late_ms:.2f} ms late, {figures}"
    if decision.margin_db is not None:
        figures += f", other polarity {decision.margin_db:.2f} dB worse"
    if decision.spread_samples is not None:
        figures += f", +-{max(decision.spread_samples, 0.001):.3f} samples"
    return f"{_word(decision)} ({figures})"


def _word(decision: MicDecision) -> str:
    coherence = decision.coherence or 0.0
    if decision.role == "room":
        return "clear" if (decision.margin_db or 0.0) >= 2.0 else "unclear, kept as recorded"
    return "sure" if coherence >= 0.8 else "good" if coherence >= 0.5 else "fair"
