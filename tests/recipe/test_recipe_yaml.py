"""YAML meaning and YAML faults: scalars as in YAML 1.2, and one clear line for every text that is no recipe.

Truth: YAML 1.2.2, section 10.3 (core schema), written out by hand; the library's own resolver follows 1.1.
"""

from pathlib import Path

import pytest

from premix.errors import RecipeError
from premix.recipe.faults import Fault
from premix.recipe.read import read_recipe
from premix.recipe.yaml import DEEPEST, MOST_NODES, Node, load_file, plain

from .recipe_files import BASE, read, said, write


def loaded(folder: Path, text: str) -> Node:
    """The nodes of a text without faults."""
    faults: list[Fault] = []
    root = load_file(write(folder, text), "recipe.yaml", faults)
    assert root is not None and not faults
    return root


CORE_SCHEMA = {
    "no": "no", "yes": "yes", "on": "on", "off": "off", "y": "y", "1:30": "1:30", "12:30:45": "12:30:45",
    "010": 10, "0o10": 8, "0x1F": 31, "-0": 0, "+12": 12, "1e-3": 0.001, "1e3": 1000.0, "1.": 1.0, ".5": 0.5,
    "1_000": "1_000", "2026-01-02": "2026-01-02", "48k": "48k", "0b1": "0b1", "08": 8, "~": None, "null": None,
    "true": True, "False": False, "TRUE": True, "tRUE": "tRUE", "=": "=", "'1'": "1", '"no"': "no", "''": "",
}  # fmt: skip


@pytest.mark.parametrize("text", CORE_SCHEMA)
def test_a_plain_scalar_means_what_yaml_1_2_says(tmp_path: Path, text: str) -> None:
    """Value and type of each scalar are those of the core schema."""
    value = plain(loaded(tmp_path, f"value: {text}\n"))["value"]
    assert (value, type(value)) == (CORE_SCHEMA[text], type(CORE_SCHEMA[text]))


def test_keys_are_texts_as_written(tmp_path: Path) -> None:
    """A key that looks like a number or a switch is still a name."""
    assert plain(loaded(tmp_path, "010: a\nno: b\n1.0: c\ntrue: d\n")) == {
        "010": "a",
        "no": "b",
        "1.0": "c",
        "true": "d",
    }


def test_every_value_knows_its_place(tmp_path: Path) -> None:
    """Lines and columns count from 1, in characters, through aliases and non-ASCII text."""
    root = loaded(tmp_path, "söng: &a [1, {b: 2}]\nagain: *a\n")
    assert plain(root) == {"söng": [1, {"b": 2}], "again": [1, {"b": 2}]}
    assert root.place(("söng",))[1:] == (1, 7)
    assert root.place(("söng", 1, "b"))[1:] == (1, 18)
    assert root.place(("söng", 1, "b"), key=True)[1:] == (1, 15)
    assert root.place(("again", 0))[1:] == (1, 11)  # where the value is written
    assert root.place(("again", 0, "x"))[1:] == (1, 11)  # nothing stands there: the place above it


def test_line_ends_and_byte_order_mark_do_not_matter(tmp_path: Path) -> None:
    """A file from another system reads the same."""
    plain = read(tmp_path, BASE).text.sha256
    assert read(tmp_path, "\ufeff" + BASE.replace("\n", "\r\n")).text.sha256 == plain


BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{','.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(9)
)
FAULTS = {
    "tab": ("format: 1\nmics:\n\tdynamic: {}\n", "recipe.yaml:3:1: a tab stands where spaces belong"),
    "duplicate key": (BASE + "mics: {a: {}}\n", "recipe.yaml:4:1 mics: 'mics' stands twice, first in line 2"),
    "merge key": (BASE + "gate: {<<: {hold_ms: 3}}\n", "recipe.yaml:4:8 gate.<<: a merge key (<<) is not read"),
    "tag": (BASE + "song: !!python/name:os.system x\n", "recipe.yaml:4:7 song: the tag '!!python/name:os.system'"),
    "nan": (BASE + "gate: {hold_ms: .NaN}\n", "recipe.yaml:4:17 gate.hold_ms: '.NaN' is no finite number"),
    "infinity": (BASE + "gate: {hold_ms: -.inf}\n", "recipe.yaml:4:17 gate.hold_ms: '-.inf' is no finite number"),
    "overflow": (BASE + "gate: {hold_ms: 1e999}\n", "recipe.yaml:4:17 gate.hold_ms: '1e999' is no finite number"),
    "long number": (BASE + f"gate: {{hold_ms: {'9' * 5000}}}\n", "recipe.yaml:4:17 gate.hold_ms: '9999"),
    "no value": (BASE + "gate:\n", "recipe.yaml:4:6 gate: there is no value here"),
    "empty key": (BASE + "'': 1\n", "recipe.yaml:4:1 : a key is empty"),
    "list as key": (BASE + "[a]: 1\n", "recipe.yaml:4:1: a key must be plain text"),
    "unknown alias": (BASE + "song: *a\n", "recipe.yaml:4:7 song: no anchor '&a' stands above this"),
    "alias in itself": (BASE + "x: &a [*a]\n", "recipe.yaml:4:8 x[0]: no anchor '&a' stands above this"),
    "alias bomb": (BOMB, "recipe.yaml:5:23 e[5]: the file holds too many values"),
    "deep list": (BASE + "x: " + "[" * 3000 + "]" * 3000, "recipe.yaml:4:1003: values are nested too deeply"),
    "deep mapping": (BASE + "x: " + "{a: " * 3000 + "}" * 3000, "recipe.yaml:4:128 x.a.a.a"),
    "deep block": ("".join(" " * n + "a:\n" for n in range(1300)), "recipe.yaml:33:33 a.a.a"),
    "wide list": (BASE + "x: [" + "a," * MOST_NODES + "]\n", "recipe.yaml:4:"),
    "two documents": (BASE + "---\n" + BASE, "recipe.yaml:4:1: a second document begins here"),
    "empty file": ("# nothing\n", "recipe.yaml: the file is empty"),
    "a list": ("- a\n", "recipe.yaml:1:1: the file holds no keys"),
    "a null": ("~\n", "recipe.yaml:1:1: the file holds no keys"),
    "open quote": (BASE + "song: 'abc\n", "recipe.yaml:5:1: the quote opened in line 4, column 7 is never closed"),
    "open list": (BASE + "x: [a, b\n", "recipe.yaml:5:1: the list opened in line 4, column 4 does not end properly"),
    "open mapping": (BASE + "x: {a: b\n", "recipe.yaml:5:1: the mapping opened in line 4, column 4 does not end"),
    "two colons": (BASE + "song: a: b\n", "recipe.yaml:4:8: a ':' stands where no key can be"),
    "bad start": (BASE + "song: @x\n", "recipe.yaml:4:7: the character '@' cannot begin a value"),
    "comma first": (BASE + "x: [,]\n", "recipe.yaml:4:5: a value is missing before ','"),
    "escape": (BASE + 'song: "\\q"\n', "recipe.yaml:4:8: double quotes hold an unknown escape"),
    "left over": (BASE + "song: 'a' b\n", "recipe.yaml:4:11: this does not fit what stands before it"),
    "dash": (BASE + "x: - a\n", "recipe.yaml:4:4: a '-' stands where no list can begin"),
    "directive": ("%YAML 9.9\n---\n" + BASE, "recipe.yaml:1:1: a line that begins with '%'"),
    "block text": (BASE + "song: > a\n", "recipe.yaml:4:9: a text after '|' or '>' begins on the next line"),
    "long key": (BASE + "x" * 2000 + ": 1\n", "recipe.yaml:4:2001: a key without ':'"),
    "bare word": (BASE + "song\n", "recipe.yaml:5:1: a key without ':'"),
    "anchor": (BASE + "x: &\n", "recipe.yaml:4:5: the name after '&' or '*' cannot be read"),
    "tag handle": (BASE + "x: !a!b c\n", "recipe.yaml:4:4: a tag (!) cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_a_yaml_fault_is_one_clear_line(tmp_path: Path, case: str) -> None:
    """Place and words of each fault, and nothing else told with it."""
    text, expected = FAULTS[case]
    lines = said(tmp_path, text)
    assert lines[0].startswith(expected)
    assert len(lines) == 1


BYTES = {
    "utf-16": (BASE.encode("utf-16"), "recipe.yaml: the text is UTF-16 or UTF-32"),
    "utf-16 without mark": (BASE.encode("utf-16-le"), "recipe.yaml: the text is UTF-16 or UTF-32"),
    "utf-32": (BASE.encode("utf-32"), "recipe.yaml: the text is UTF-16 or UTF-32"),
    "latin-1": ((BASE + "song: T\u00f6ne\n").encode("latin-1"), "recipe.yaml:4:8: this is no UTF-8 text"),
    "a program": (b"\x7fELF\x02\x01\x01" + bytes(9), "recipe.yaml:1:1: the character U+007F is no text"),
    "a sound file": (b"RIFF\x24\x80\x00\x00WAVE", "recipe.yaml:1:6: this is no UTF-8 text"),
    "control character": (BASE.encode() + b"song: a\x07b\n", "recipe.yaml:4:8: the character U+0007 is no text"),
    "too large": (BASE.encode() + b"#" * 1_000_001, "recipe.yaml: the file is too large; allowed: 1 MB"),
}


@pytest.mark.parametrize("case", BYTES)
def test_bytes_that_are_no_text_are_one_clear_line(tmp_path: Path, case: str) -> None:
    """Other encodings, binary files and files of another size class."""
    data, expected = BYTES[case]
    lines = said(tmp_path, data)
    assert lines[0].startswith(expected)
    assert len(lines) == 1


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    """50 MB (sparse here) stop at the size, before any of it is parsed."""
    path = write(tmp_path, BASE)
    with path.open("r+b") as stream:
        stream.truncate(50_000_000)
    with pytest.raises(RecipeError, match="the file is too large"):
        read_recipe(path)


def test_nesting_up_to_the_limit_is_read(tmp_path: Path) -> None:
    """The depth budget counts as documented: so many levels are fine, one more is not."""
    text = "[" * (DEEPEST - 1) + "1" + "]" * (DEEPEST - 1)
    loaded(tmp_path, f"x: {text}\n")
    assert "nested too deeply" in said(tmp_path, f"x: [{text}]\n")[0]


def test_aliases_within_the_budget_are_read(tmp_path: Path) -> None:
    """Anchors and aliases share a value."""
    text = "format: 1\nmics: {a: &m {gain_db: -3}, b: *m}\nperformances: {left: {bus: left}}\n"
    recipe = read(tmp_path, text).recipe
    assert recipe.mics["b"].gain_db == -3.0
