"""Arguments and options that several commands share, and the records of those that they pass on as they are."""

from pathlib import Path
from typing import TypedDict

import click

PATH = click.Path(path_type=Path)

recipe = click.argument("recipe", type=PATH)
tracks = click.argument("tracks", type=PATH)
settings = click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="Set a value of the recipe, e.g. deliver.bits=32."
)
out = click.option("--out", required=True, type=PATH, help="Folder for the files.")
force = click.option("--force", is_flag=True, help="Replace OUT even if premix did not write it.")
no_report = click.option("--no-report", is_flag=True, help="Make no HTML page.")
sheet = click.option(
    "--alignment",
    "sheet",
    type=PATH,
    help="Take the decisions from this alignment sheet, or from the approved set-up of this render.",
)
recover = click.option("--recover", is_flag=True, help="Read what is there of files that were cut off or never closed.")
allow_plug_ins = click.option(
    "--allow-plug-ins", is_flag=True, help="Also load plug-ins that come with the tracks: native code of their sender."
)
threads = click.option(
    "--threads", type=click.IntRange(1, 64), default=1, show_default=True, help="Threads for one song."
)
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


class Shared(TypedDict):
    """What the pipeline takes under the same names: the values of `settings`, `sheet`, `allow_plug_ins`, `threads`."""

    settings: tuple[str, ...]
    allow_plug_ins: bool
    sheet: Path | None
    threads: int


class Recovering(Shared):
    """The same, and that of `recover`."""

    recover: bool
