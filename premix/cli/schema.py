"""`premix schema`: the JSON Schema of the recipe."""

from pathlib import Path

import click

from premix.cli import show


@click.command("schema")
@click.option("--out", type=click.Path(path_type=Path), help="Write it to this file instead of standard output.")
def schema_command(out: Path | None) -> int:
    """Print the JSON Schema of the recipe, for editors."""
    import json

    from premix.recipe.schema import recipe_schema

    if out is None:
        show.document(recipe_schema())
    else:
        out.write_text(json.dumps(recipe_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return 0
