"""The commands to begin with: `premix draft` proposes a recipe, `premix demo` makes tracks, `premix schema` helps."""

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from premix.cli import options, show
from premix.delivery.documents import json_text
from premix.delivery.whole import is_ours, write_text_file, write_text_files
from premix.errors import Exit, Problem, TracksError

if TYPE_CHECKING:
    from premix.demo.nudged import Nudge
    from premix.draft.proposal import Proposal

_SCHEMA_MARK = 100
"""Characters by which a schema that premix wrote is known."""
DEEPEST = 3
"""Levels of folders below TRACKS that `draft` looks into."""


@click.command("draft")
@click.argument("folders", metavar="TRACKS...", type=options.PATH, nargs=-1, required=True)
@click.option("--save", type=options.PATH, help="Write the recipe to this file instead.")
def draft_command(folders: tuple[Path, ...], save: Path | None) -> Exit:
    """Propose a recipe for the tracks in the folder TRACKS, from their names and their sound, with comments.

    It says how sure it is of each line, and asks in a comment what it cannot tell. Of several folders, a song each, it
    proposes one house recipe, and a song.yaml for each song that differs, which --save writes beside its tracks.
    """
    from premix.draft.house import drafted
    from premix.draft.write import EMPTY_SONG, MARK
    from premix.recipe.layers import SONG_FILE

    folders = tuple({folder.resolve(): folder for folder in folders}.values())
    draft = drafted(_proposals(folders))
    if save is None:
        click.echo(draft.recipe, nl=False)
        for folder, text in draft.songs:
            click.echo(f"\n# {folder / SONG_FILE} (--save writes it):")
            click.echo("".join(f"#   {line}".rstrip() + "\n" for line in text.splitlines()), nl=False)
        return Exit.DONE
    differing = {folder for folder, _ in draft.songs}
    # What an earlier draft says of a song is laid over the new recipe, if it stays.
    stale = [f for f in folders if f not in differing and (f / SONG_FILE).exists() and is_ours(f / SONG_FILE, MARK)]
    songs = [(folder / SONG_FILE, text) for folder, text in (*draft.songs, *((f, EMPTY_SONG) for f in stale))]
    write_text_files([*songs, (save, draft.recipe)], MARK)
    for path, text in songs:
        show.say(f"{path}: {_questions(text)}")
    command = "render" if len(folders) == 1 else "batch"
    paths = " ".join(shlex.quote(str(path)) for path in (save, *folders))
    show.say(f"{save}: {_questions(draft.recipe)}; next: premix {command} {paths} --out OUT")
    return Exit.DONE


def _proposals(folders: Sequence[Path]) -> list["Proposal"]:
    """The proposal for each folder; raises TracksError with what is wrong in any of them."""
    from premix.draft.propose import propose
    from premix.draft.write import MARK
    from premix.recipe.layers import SONG_FILE
    from premix.tracks.find import list_files

    found: list[Proposal] = []
    problems: list[Problem] = []
    for folder in folders:
        try:
            names = [file.name for file in list_files(folder, DEEPEST) if file.is_audio]
            own = (folder / SONG_FILE).exists() and not is_ours(folder / SONG_FILE, MARK)
            found.append(propose(folder, names, has_song_file=own))
        except TracksError as error:
            problems += error.problems
    if problems:
        raise TracksError(problems)
    return found


def _questions(text: str) -> str:
    """How many questions a draft's comments ask, in words."""
    asked = sum(line.lstrip().startswith("# ?") for line in text.splitlines())
    return f"{asked} question{'s' if asked != 1 else ''} in its comments" if asked else "no questions"


@click.command("demo")
@click.argument("folder", metavar="DIR", type=options.PATH)
@click.option("--seconds", type=float, default=24.0, show_default=True, help="Length of the song.")
@click.option("--rate", type=int, default=48000, show_default=True, help="Sample rate.")
@click.option("--format", "file_format", type=click.Choice(["wav", "flac"]), default="wav", show_default=True)
@click.option(
    "--fault",
    type=click.Choice(["jump", "turned", "drift", "late", "swapped"]),
    help="Let one thing go wrong with one mic, to see how it is found, told and mended.",
)
@click.option(
    "--rig",
    type=click.Choice(["house", "two_amps", "stereo_room", "di"]),
    default="house",
    show_default=True,
    help="What the guitar is heard by: the recipe of that name fits.",
)
@click.option(
    "--names",
    type=click.Choice(["plain", "german"]),
    default="plain",
    show_default=True,
    help="What the files are called: plain fits the ready-made recipes, german is for `premix draft`.",
)
@click.option(
    "--songs", type=click.IntRange(1, 12), help="An album: so many songs, each in a folder of its own in DIR."
)
@click.option(
    "--nudge",
    "nudges",
    multiple=True,
    metavar="MIC:5mm@3",
    help="With --songs: this mic stands so much further away from that song on.",
)
def demo_command(
    folder: Path,
    seconds: float,
    rate: int,
    file_format: Literal["wav", "flac"],
    fault: Literal["jump", "turned", "drift", "late", "swapped"] | None,
    rig: Literal["house", "two_amps", "stereo_room", "di"],
    names: Literal["plain", "german"],
    songs: int | None,
    nudges: tuple[str, ...],
) -> Exit:
    """Write the demo session into DIR: an invented band's quad-tracked riff, five mics a performance.

    Or, with --rig, one of the other set-ups that sessions come with; or, with --songs, an album of them.
    """
    from premix.demo.nudged import Nudge
    from premix.demo.session import write_demo

    moved = [nudge for text in nudges if (nudge := Nudge.from_text(text)) is not None]
    if len(moved) < len(nudges):
        raise click.BadParameter(f"{', '.join(nudges)}: write a mic, a distance and a song: ribbon:5mm@3")
    if songs is not None:
        _write_album(folder, songs, moved, seconds, rate, file_format, fault, rig, names)
        return Exit.DONE
    if moved:
        raise click.UsageError("--nudge needs --songs: a mic moves between two songs")
    truth = write_demo(folder, seconds=seconds, rate=rate, file_format=file_format, fault=fault, rig=rig, names=names)
    command = f"render RECIPE {folder} --out OUT" if names == "plain" else f"draft {folder}"
    show.say(f"{len(truth.tracks)} tracks of {truth.song} in {folder}; next: premix {command}")
    if truth.fault is not None:
        show.say(f"one thing went wrong on purpose: {truth.fault.words(truth.rate)}")
    show.say("Distorted guitar is loud: turn the monitors down before the first listen.")
    return Exit.DONE


def _write_album(
    folder: Path,
    songs: int,
    nudges: Sequence["Nudge"],
    seconds: float,
    rate: int,
    file_format: Literal["wav", "flac"],
    fault: Literal["jump", "turned", "drift", "late", "swapped"] | None,
    rig: Literal["house", "two_amps", "stereo_room", "di"],
    names: Literal["plain", "german"],
) -> None:
    """The songs of an album, each in a folder of its own; what goes wrong goes wrong in the last."""
    from premix.demo.nudged import ALBUM
    from premix.demo.session import write_demo

    for song in range(1, songs + 1):
        place = folder / f"{song:02d} {ALBUM[song - 1]}"
        wrong = fault if song == songs else None
        truth = write_demo(
            place,
            seconds=seconds,
            rate=rate,
            file_format=file_format,
            fault=wrong,
            rig=rig,
            names=names,
            song=song,
            nudges=nudges,
        )
        moved = ", ".join(f"{mic} stands {mm:+g} mm further away" for mic, mm in truth.nudged_mm.items())
        show.say(f"{len(truth.tracks)} tracks of {truth.song} in {place}{f': {moved}' if moved else ''}")
    show.say(f"next: premix batch RECIPE {folder} --out OUT, then premix setups OUT")
    show.say("Distorted guitar is loud: turn the monitors down before the first listen.")


@click.command("schema")
@click.option("--out", type=options.PATH, help="Write it to this file instead of standard output.")
def schema_command(out: Path | None) -> Exit:
    """Print the JSON Schema of the recipe, for editors."""
    from premix.recipe.schema import recipe_schema

    if out is None:
        show.document(recipe_schema())
    else:
        text = json_text(recipe_schema()) + "\n"
        write_text_file(out, text, text[:_SCHEMA_MARK])
    return Exit.DONE
