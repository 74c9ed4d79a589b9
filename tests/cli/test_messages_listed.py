"""Every message that premix can give stands in the table of messages, with its remedy."""

import ast
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import premix
from premix.messages import REMEDIES

SOURCES = sorted(Path(premix.__file__).parent.rglob("*.py"))


def constants_given_to(tree: ast.AST, names: set[str]) -> Iterator[object]:
    """First arguments, as far as they are plain text, of the calls of these functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in names and node.args:
            first = node.args[0]
            if isinstance(first, ast.Constant):
                yield first.value


def test_every_slug_in_the_code_is_listed() -> None:
    """A slug that is not in the table would end as a bug (KeyError) or as a message nobody can look up."""
    used = {
        slug: path.name
        for path in SOURCES
        for slug in constants_given_to(ast.parse(path.read_text("utf-8")), {"Problem", "Finding", "Fault"})
        if isinstance(slug, str)
    }
    assert len(used) > 20
    assert {slug: path for slug, path in used.items() if slug not in REMEDIES} == {}


def test_every_remedy_that_is_looked_up_is_there() -> None:
    """REMEDIES["..."] in a stage finds its key in the file of messages that the stage imports."""
    missing = []
    for path in SOURCES:
        tree = ast.parse(path.read_text("utf-8"))
        tables = [
            importlib.import_module(node.module).REMEDIES
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            and node.module is not None
            and node.module.startswith("premix.messages")
            and any(alias.name == "REMEDIES" for alias in node.names)
        ]
        for node in ast.walk(tree):
            if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id == "REMEDIES":
                key = node.slice
                if isinstance(key, ast.Constant) and not any(key.value in table for table in tables):
                    missing.append((path.name, key.value))
    assert missing == []


def test_slugs_and_remedies_are_written_alike() -> None:
    """Lower-case words with hyphens; each remedy begins like a sentence and ends with a stop."""
    for slug, remedy in REMEDIES.items():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug), slug
        assert remedy[0].isupper(), slug
        assert remedy.endswith("."), slug
        assert "\n" not in remedy, slug
