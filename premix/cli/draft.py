"""`premix draft`: a proposed recipe for a folder of tracks."""

from pathlib import Path

import click

from premix.cli import show


@click.command("draft")
@click.argument("tracks", type=click.Path(path_type=Path))
@click.option("--save", type=click.Path(path_type=Path), help="Write the recipe to this file instead.")
def draft_command(tracks: Path, save: Path | None) -> int:
    """Propose a recipe for the tracks in the folder TRACKS, from their names and their sound, with comments.

    It says how sure it is of each line, and asks in a comment what it cannot tell.
    """
    from premix.delivery.text_file import write_text_file
    from premix.draft.propose import draft
    from premix.draft.write import MARK
    from premix.tracks.listing import list_files

    text = draft(tracks, [file.name for file in list_files(tracks, DEEPEST) if file.is_audio])
    if save is None:
        click.echo(text, nl=False)
        return 0
    write_text_file(save, text, MARK)
    asked = sum(line.lstrip().startswith("# ?") for line in text.splitlines())
    questions = f"{asked} question{'s' if asked != 1 else ''} in its comments" if asked else "no questions"
    show.say(f"{save}: {questions}; next: premix render {save} {tracks} --out OUT")
    return 0


DEEPEST = 3
"""Levels of folders below TRACKS that are looked into."""
