"""`premix inspect`: the tracks, checked before any work is done."""

from pathlib import Path

import click

from premix.cli import show
from premix.cli.main import json_option, recipe_argument, recover_option, set_option, tracks_argument
from premix.model.finding import Finding
from premix.model.recipe import MergedRecipe
from premix.model.tracks import Track, TrackLook
from premix.units import gain_to_db, samples_to_s


@click.command("inspect")
@recipe_argument
@tracks_argument
@click.option("--recipe", "show_recipe", is_flag=True, help="Print the merged recipe and where each value comes from.")
@set_option
@recover_option
@json_option
def inspect_command(
    recipe: Path, tracks: Path, show_recipe: bool, settings: tuple[str, ...], recover: bool, as_json: bool
) -> int:
    """Check TRACKS against RECIPE: which file is which mic, lengths, rates, starts, levels, damage.

    Exit 1 if a render would stop.
    """
    from premix.delivery.manifest import intake_document
    from premix.pipeline import inspect

    bar = show.BarProgress()
    try:
        merged, found, looks, problems = inspect(recipe, tracks, settings, recover=recover, progress=bar)
    finally:
        bar.end()
    if as_json:
        show.document(intake_document(merged, found, looks, problems))
        return 1 if problems else 0
    if show_recipe:
        _print_recipe(merged)
        return 1 if problems else 0
    show.say(f"{found.song}: {len(looks)} tracks, {samples_to_s(found.frames, found.rate):.3f} s at {found.rate} Hz")
    own: dict[str, list[Finding]] = {}
    for finding in found.findings:
        own.setdefault(finding.subject, []).append(finding)
    rows = [_row(t, v, own.get(t.name, [])) for t, v in zip(found.tracks, looks, strict=True)]
    show.table(
        ["performance", "mic", "file", "seconds", "rate", "format", "start", "peak", "LUFS", "floor", "findings"], rows
    )
    show.findings(found.findings)
    for problem in problems:
        show.say(f"  {problem.line()}")
    show.say("a render would stop" if problems else "ready to render")
    return 1 if problems else 0


def _row(track: Track, look: TrackLook, findings: list[Finding]) -> list[str]:
    header, peak = track.header, look.levels.sample_peak
    return [
        track.performance,
        track.mic,
        header.path.name,
        f"{samples_to_s(header.frames, header.rate):.3f}",
        str(header.rate),
        header.subtype,
        str(track.start),
        f"{gain_to_db(peak):.1f}" if peak > 0.0 else "silent",
        _figure(look.loudness_lufs),
        _figure(look.noise_floor_dbfs),
        ", ".join(finding.slug for finding in findings) or "-",
    ]


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _print_recipe(merged: MergedRecipe) -> None:
    """One line a value on standard output: its path, the value, the place it comes from."""
    import json

    def walk(value: object, path: str) -> None:
        if isinstance(value, dict) and value:
            for key, child in value.items():
                walk(child, f"{path}.{key}" if path else str(key))
        else:
            text = json.dumps(value, ensure_ascii=False)
            click.echo(f"{path}: {text}  # {merged.origins.get(path, 'default')}")

    walk(merged.source, "")
