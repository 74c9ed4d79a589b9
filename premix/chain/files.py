"""The files that a recipe's chains depend on, by their hashes."""

import hashlib
from pathlib import Path

from premix.chain.check import placed_chains
from premix.chain.running import place_of, processor_of
from premix.model.recipe import Recipe
from premix.model.render import ChainFile


def chain_files(recipe: Recipe) -> tuple[ChainFile, ...]:
    """Every file that a step names, in the order of the recipe."""
    found = []
    for placed in placed_chains(recipe):
        for index, step in enumerate(placed.chain):
            processor = processor_of(step)
            for key in processor.files:
                value = getattr(processor, key)
                if value is not None:
                    where = f"{place_of(placed.path, index, step)}.{key}"
                    found.append(ChainFile(where, Path(value).name, _sha256(Path(value))))
    return tuple(found)


def _sha256(path: Path) -> str:
    """Of a file's bytes, or of the names and bytes of all files in a folder (a plug-in's bundle)."""
    digest = hashlib.sha256()
    files = [path] if path.is_file() else sorted(p for p in path.rglob("*") if p.is_file())
    for file in files:
        if file != path:
            digest.update(file.relative_to(path).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()
