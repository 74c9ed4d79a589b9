"""The commands for one song: `premix inspect` looks, `premix align` decides, `premix render` makes the stems.

`premix compare` holds variants of a mix against each other, by ear.
"""

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Unpack

import click

from premix.alignment.shares import SPARE_DB
from premix.cli import options, show
from premix.cli.watch import Watched, watch
from premix.delivery import against
from premix.delivery.documents import alignment_document, intake_document, read_manifest
from premix.delivery.track_sheet import passage_words
from premix.errors import Exit, Finding, Problem, verdict
from premix.messages import REMEDIES
from premix.model.alignment import Efficiency
from premix.model.findings import grouped
from premix.model.song import Mic, Performance, RecipeEntry, Song
from premix.model.tracks import TrackLook
from premix.pipeline import Outcome, compare, inspect, prepare, render, save_sheet
from premix.report.page import missing_extra
from premix.units import clock, gain_to_db, samples_to_ms, samples_to_s


@click.command("inspect")
@options.recipe
@options.tracks
@click.option("--recipe", "show_recipe", is_flag=True, help="Print the merged recipe and where each value comes from.")
@options.settings
@options.recover
@options.allow_plug_ins
@options.as_json
def inspect_command(
    recipe: Path,
    tracks: Path,
    show_recipe: bool,
    settings: tuple[str, ...],
    recover: bool,
    allow_plug_ins: bool,
    as_json: bool,
) -> Exit:
    """Check TRACKS against RECIPE: which file is which mic, lengths, rates, starts, levels, damage.

    Exit 1 if a render would stop.
    """
    with show.progress() as bar:
        song, looks, problems = inspect(
            recipe, tracks, settings, recover=recover, allow_plug_ins=allow_plug_ins, progress=bar
        )
    if as_json:
        show.document(intake_document(song, looks, problems))
    elif show_recipe:
        _show_recipe(song.recipe)
    else:
        _show_tracks(song, looks, problems)
    return Exit.USER if problems else Exit.DONE


def _show_recipe(recipe: RecipeEntry) -> None:
    """One line a value on standard output: its path, the value, the place it comes from."""

    def walk(value: object, path: str) -> None:
        if isinstance(value, dict) and value:
            for key, child in value.items():
                walk(child, f"{path}.{key}" if path else str(key))
        else:
            text = json.dumps(value, ensure_ascii=False)
            click.echo(f"{path}: {text}  # {recipe.origins.get(path, 'default')}")

    walk(recipe.merged, "")


def _show_tracks(song: Song, looks: Sequence[TrackLook], problems: Sequence[Problem]) -> None:
    """One row a track, the findings, and whether a render would stop."""
    show.say(f"{song.name}: {len(looks)} tracks, {samples_to_s(song.frames, song.rate):.3f} s at {song.rate} Hz")
    show.say(f"  {song.roll_call.line()}")
    rows = []
    for mic, look in zip(song.mics, looks, strict=True):
        header, peak = mic.track.header, look.levels.sample_peak
        rows.append(
            [
                mic.performance,
                mic.name,
                header.path.name,
                f"{samples_to_s(header.frames, header.rate):.3f}",
                str(header.rate),
                header.subtype,
                str(mic.track.start),
                f"{gain_to_db(peak):.1f}" if peak > 0.0 else "silent",
                show.figure(look.loudness_lufs, 1),
                show.figure(look.noise_floor_dbfs, 1),
                ", ".join(f.slug for f in song.findings if f.subject == mic.label) or "-",
            ]
        )
    show.table(
        ["performance", "mic", "file", "seconds", "rate", "format", "start", "peak", "LUFS", "floor", "findings"], rows
    )
    show.kinds(grouped(song.findings))
    for problem in problems:
        show.say(f"  {problem.line()}")
    show.say("a render would stop" if problems else "ready to render")


@click.command("align")
@options.recipe
@options.tracks
@options.settings
@click.option("--save", type=options.PATH, help="Write the decisions to this file, to read and edit.")
@click.option("--shares", is_flag=True, help="Also each mic's share of every third octave of its stem.")
@options.sheet
@options.recover
@options.allow_plug_ins
@options.threads
@options.as_json
def align_command(
    recipe: Path, tracks: Path, save: Path | None, shares: bool, as_json: bool, **shared: Unpack[options.Recovering]
) -> Exit:
    """Show polarity and delay of every mic of TRACKS after RECIPE, with the evidence. Nothing is rendered.

    A refused mic is shown and never stops this command.
    """
    with show.progress() as bar, prepare(recipe, tracks, progress=bar, **shared) as prepared:
        bar.end()
        song = prepared.song
        if save is not None:
            save_sheet(song, save)
        if as_json:
            show.document(alignment_document(song))
            return Exit.DONE
        for number, performance in enumerate(song.performances):
            show.say() if number else None
            _show_decisions(song, performance)
            if shares:
                _show_shares(performance.efficiency)
        show.say(f"  {song.roll_call.line()}")
        show.kinds(grouped(song.told_by("alignment", "chains")))
    return Exit.DONE


def _show_decisions(song: Song, performance: Performance) -> None:
    """One performance's mics: what was decided, and on what evidence."""
    efficiency = performance.efficiency
    without, shares = dict(efficiency.without), {share.mic: share for share in efficiency.shares}
    show.say(
        f"{performance.name}: sum efficiency {efficiency.before_db:.2f} dB as recorded -> "
        f"{efficiency.after_db:.2f} dB aligned{_worst(efficiency)}"
    )
    rows = [
        [
            mic.name,
            "inverted" if mic.decision.polarity < 0 else "normal",
            f"{samples_to_ms(mic.decision.delay_samples, song.rate):+.3f}",
            f"{mic.decision.delay_samples:+.2f}",
            "-" if (way_cm := song.way_cm(mic)) is None else f"{way_cm:+.1f}",
            show.figure(without.get(mic.name)),
            f"{100.0 * shares[mic.name].share:.0f}" if mic.name in shares else "-",
            f"{shares[mic.name].without_db:+.1f}" if mic.name in shares else "-",
            _confidence(mic, song),
        ]
        for mic in performance.judged
    ]
    heads = ["mic", "polarity", "ms", "samples", "cm", "dB if as recorded", "share %", "dB without", "confidence"]
    show.table(heads, rows)
    if spare := [share.mic for share in efficiency.shares if share.spare]:
        one = "each alone could" if len(spare) > 1 else "could"
        show.say(
            f"  {', '.join(spare)}: {one} be left out, the others levelled again, within {SPARE_DB:g} dB in every band"
        )
    for mic in performance.judged:
        for passage in mic.decision.passages:
            show.say(f"  {mic.name} {passage_words(passage, song.rate)}")


def _show_shares(efficiency: Efficiency) -> None:
    """A row a third octave: each mic's share, in percent, and how the band changes without it."""
    if not efficiency.shares:
        return
    heads = [title for share in efficiency.shares for title in (f"{share.mic} %", "dB without")]
    rows = [
        [
            f"{bands[0].centre_hz:.0f}",
            *(cell for b in bands for cell in (f"{100.0 * b.share:.0f}", f"{b.without_db:+.1f}")),
        ]
        for bands in zip(*(share.bands for share in efficiency.shares), strict=True)
    ]
    show.table(["Hz", *heads], rows)


def _confidence(mic: Mic, song: Song) -> str:
    """How sure a decision is, in words with the numbers behind them."""
    decision = mic.decision
    if decision.refusal:
        return f"refused: {decision.refusal} ({REMEDIES[decision.refusal]})"
    if decision.origin in ("recipe", "sheet"):
        return f"by hand ({decision.origin})"
    if mic.name == decision.reference:
        return "reference, stays"
    if decision.coherence is None:
        return "not judged"
    figures = f"coherence {decision.coherence:.2f}"
    if mic.is_room:
        word = "clear" if decision.polarity_clear else "unclear, kept as recorded"
        if mic.arrival_samples is not None:
            late_ms = samples_to_ms(mic.arrival_samples, song.rate)
            figures = f"hears it {late_ms:.2f} ms late, {figures}"
    else:
        word = decision.confidence or "fair"
    if decision.margin_db is not None:
        figures += f", other polarity {decision.margin_db:.2f} dB worse"
    if decision.range_samples is not None:
        figures += f", +-{max(decision.range_samples, 0.001):.3f} samples"
    return f"{word} ({figures})"


@click.command("render")
@options.recipe
@options.tracks
@options.out
@options.force
@options.no_report
@click.option("--pictures", type=options.PATH, metavar="DIR", help="Also write the page's pictures as SVG and PNG.")
@click.option(
    "--expect",
    type=options.PATH,
    metavar="MANIFEST",
    help="Exit 4 unless every sample is that of this earlier render, and say what changed.",
)
@click.option(
    "--watch", "again", is_flag=True, help="Render again whenever the recipe or a track is saved; Ctrl-C ends."
)
@click.option("--fresh", is_flag=True, help="Read every track, even where OUT holds what the last render read.")
@options.sheet
@options.recover
@options.settings
@options.allow_plug_ins
@options.threads
@options.as_json
def render_command(
    recipe: Path,
    tracks: Path,
    out: Path,
    force: bool,
    no_report: bool,
    pictures: Path | None,
    expect: Path | None,
    again: bool,
    fresh: bool,
    as_json: bool,
    **shared: Unpack[options.Recovering],
) -> Exit:
    """Render TRACKS after RECIPE into OUT: stems, rooms, buses, the guitar bus, a track sheet, a manifest, a page."""
    if pictures is not None and (no_report or missing_extra()):
        raise click.UsageError("--pictures needs the page: leave out --no-report, and install premix-stems[report].")
    once = partial(
        render, recipe, tracks, out, force=force, report=not no_report, pictures=pictures, fresh=fresh, **shared
    )
    if again:
        if as_json or expect is not None:
            raise click.UsageError("--watch goes on and on: leave out --json and --expect.")
        return watch(Watched(recipe, tracks, shared["sheet"]), out, lambda earlier: once(earlier=earlier))
    expected = None
    if expect is not None:
        expected = against.Render(read_manifest(expect), expect if expect.is_dir() else expect.parent)
    with show.progress() as bar:
        outcome = once(expect=expect, earlier=expected, progress=bar)
    if as_json:
        show.document(outcome.manifest)
        _show_broken(outcome)
    else:
        _show_render(outcome, out)
        show.missing_page(no_report)
    differences: tuple[Finding, ...] = ()
    if outcome.changes is not None:
        differences = outcome.changes.findings()
        show.findings(differences)
        show.say(f"{'not ' if differences else ''}the samples that were expected")
        if not outcome.delivered:
            show.say(f"nothing was written: {out} holds the render that was expected, and keeps it")
    return Exit.BROKEN if outcome.broken or differences else Exit.DONE


def _show_broken(outcome: Outcome) -> None:
    """The limits that do not hold: also where a program reads the rest."""
    if outcome.broken:
        show.findings(outcome.broken)
        show.say(verdict(len(outcome.broken)))


def _show_render(outcome: Outcome, out: Path) -> None:
    """What was done and measured, and every kind of finding, in a screen; the last line points to the page."""
    song, plan, rendering = outcome.rendered.song, outcome.rendered.plan, outcome.rendered.rendering
    length_s = samples_to_s(song.frames, song.rate)
    rows = show.say(f"{song.name}: {len(song.mics)} tracks, {length_s:.1f} s at {song.rate} Hz")
    rows += show.say(f"  {song.roll_call.line()}")
    rows += _show_performances(outcome)
    if rendering.stereo and rendering.stereo.correlation is not None:
        rows += show.say(
            f"  mono fold {rendering.stereo.fold_db:.2f} dB, correlation {rendering.stereo.correlation:+.2f}"
            + (f", width {plan.guitar_bus.width:.2f}" if plan.guitar_bus.limit is not None else "")
            + (f", common trim {rendering.trim_db:.2f} dB" if rendering.trim_db else ", no trim")
        )
    show.plug_ins(outcome.manifest.chain_files)
    if outcome.reading:
        rows += show.say(f"  {outcome.reading}")
    last = f"{verdict(len(outcome.broken))}: {len(rendering.files)} files, track sheet and manifest in {out}"
    page = next((path for path in outcome.manifest.written if path.endswith("_report.html")), None)
    last += f"; to read on: {out / page}" if page else ""
    left = show.screen().lines - rows - show.rows_of(last)
    told = [finding for finding in song.findings if finding.slug != "track-unused-files"]  # the roll-call says it
    show.kinds(grouped(told), max(left, LEAST_KINDS))
    if outcome.delivered:
        show.say(last)


MOST_PERFORMANCES = 8
LEAST_KINDS = 5
"""Rows for findings, however many performances and plug-ins there are."""


def _show_performances(outcome: Outcome) -> int:
    """A line a performance, of many the worst; gives the terminal's rows."""
    song, rendering = outcome.rendered.song, outcome.rendered.rendering
    reductions_db = {quiet.performance: quiet.reduction_db for quiet in rendering.room_quiet}
    worst = sorted(song.performances, key=lambda p: min(p.efficiency.after_db, p.efficiency.worst_passage_db or 0.0))
    names = {performance.name for performance in worst[:MOST_PERFORMANCES]}
    shown = [performance for performance in song.performances if performance.name in names]
    cells = [
        [
            performance.name,
            show.figure(performance.efficiency.before_db),
            show.figure(performance.efficiency.after_db),
            show.figure(performance.efficiency.worst_passage_db),
            str(performance.riff.stops),
            show.figure(reductions_db.get(performance.name), 1),
        ]
        for performance in shown
    ]
    heads = ["performance", "sum efficiency dB as recorded", "aligned", "worst 2 s", "stops"]
    rows = show.table([*heads, "room quieter in stops dB"], cells)
    if more := len(song.performances) - len(shown):
        rows += show.say(f"  ... and {more} more performances, none of them worse aligned")
    return rows


def _worst(efficiency: Efficiency) -> str:
    """', worst 2 s -0.71 dB at 0:08.87'."""
    if efficiency.worst_passage_db is None or efficiency.worst_passage_s is None:
        return ""
    return f", worst 2 s {efficiency.worst_passage_db:.2f} dB at {clock(efficiency.worst_passage_s[0])}"


@click.command("compare")
@options.recipe
@options.tracks
@options.out
@click.option(
    "--vary", type=click.Choice(["mics"]), help="Not the recipe's variants: each mic alone, left out, and as recorded."
)
@options.force
@options.no_report
@options.sheet
@options.settings
@options.allow_plug_ins
@options.threads
@options.as_json
def compare_command(
    recipe: Path,
    tracks: Path,
    out: Path,
    vary: str | None,
    force: bool,
    no_report: bool,
    as_json: bool,
    **shared: Unpack[options.Shared],
) -> Exit:
    """Render the guitar bus of every entry of RECIPE's `variants` into OUT, level-matched, with a page to compare."""
    with show.progress() as bar:
        document = compare(
            recipe, tracks, out, by_mics=vary == "mics", force=force, report=not no_report, progress=bar, **shared
        )
    if as_json:
        show.document(document)
        return Exit.DONE
    figures = ("loudness_before_lufs", "gain_db", "loudness_lufs")
    rows = [[entry.variant, *(show.figure(getattr(entry, key)) for key in figures)] for entry in document.variants]
    show.table(["variant", "LUFS before", "gain dB", "LUFS"], rows)
    show.plug_ins(document.chain_files)
    show.missing_page(no_report)
    show.say(f"done: {len(rows)} variants and manifest in {out}")
    return Exit.DONE
