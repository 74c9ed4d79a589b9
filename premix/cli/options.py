"""Arguments and options that several commands share."""

from pathlib import Path

import click

recipe_argument = click.argument("recipe", type=click.Path(path_type=Path))
tracks_argument = click.argument("tracks", type=click.Path(path_type=Path))
set_option = click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="Set a value of the recipe, e.g. deliver.bits=32."
)
sheet_option = click.option(
    "--alignment", "sheet", type=click.Path(path_type=Path), help="Take the decisions from this alignment sheet."
)
recover_option = click.option(
    "--recover", is_flag=True, help="Read what is there of files that were cut off or never closed."
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
threads_option = click.option(
    "--threads", type=click.IntRange(1, 64), default=1, show_default=True, help="Threads for one song."
)
