"""The contract looks from outside: it imports no inner module, and the package says its version."""

import ast
from pathlib import Path

import premix
from tests.contract.workshop import Workshop


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        if isinstance(node, ast.ImportFrom):
            found.add("." * node.level + (node.module or ""))
    return found


def test_nothing_inside_is_imported() -> None:
    """Of premix only `premix` itself; of the tests only this folder."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    assert len(files) > 8
    for path in files:
        names = _imported(path)
        assert not [name for name in names if name.startswith(("premix.", "."))], path.name
        assert not [n for n in names if n.startswith("tests") and not n.startswith("tests.contract")], path.name


def test_version_is_the_packages(shop: Workshop) -> None:
    """`premix --version` and `premix.__version__`."""
    said = shop.run("--version")
    assert (said.code, said.out) == (0, f"premix, version {premix.__version__}\n")
