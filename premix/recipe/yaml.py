"""One YAML file: its bytes as text, and the text as nodes, plain values that know where they stand.

The text is read as a stream of events, so that nesting, aliases and size are stopped by a budget before they
cost anything, and nothing is ever constructed from a tag. Meaning of plain scalars: YAML 1.2.2 core schema
(section 10.3), except that keys are always text and that infinity and NaN are refused. What is wrong with a text
that is no YAML is said in our own words, with its place.
"""

import math
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NoReturn, TypeAlias

import yaml
from yaml import events

from premix.messages import FROM_TABLE
from premix.recipe.faults import Fault, Faulty, KeyPath, Mark, shown

LARGEST_BYTES = 1_000_000
MOST_NODES = 50_000
"""Values in one file, aliases counted each time they are used."""
DEEPEST = 32
"""Mappings and lists inside each other; a recipe needs seven."""
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What YAML 1.2.2 (section 5.1) leaves out of its printable characters."""

Scalar: TypeAlias = str | int | float | bool | None
Value: TypeAlias = "Scalar | Mapping[str, Node] | tuple[Node, ...]"


@dataclass(frozen=True, slots=True)
class Node:
    """A value and where it stands. keys: where each key of a mapping stands."""

    value: Value
    mark: Mark
    keys: Mapping[str, Mark] = field(default_factory=dict)

    @property
    def mapping(self) -> "Mapping[str, Node]":
        """The entries of a mapping; none for anything else."""
        return self.value if isinstance(self.value, Mapping) else {}

    def child(self, step: str | int) -> "Node | None":
        """The entry or item at `step`, None where there is none."""
        if isinstance(self.value, tuple) and isinstance(step, int):
            return self.value[step] if step < len(self.value) else None
        return self.mapping.get(step) if isinstance(step, str) else None

    def place(self, path: KeyPath, key: bool = False) -> Mark:
        """Where the value at `path` stands (or its key), or the nearest thing above it that has a place."""
        node, mark = self, self.mark
        for step in path:
            child = node.child(step)
            if child is None:
                return mark
            mark = node.keys[step] if isinstance(step, str) else child.mark
            node = child
        return mark if key else node.mark

    def fault(
        self,
        path: KeyPath,
        slug: str,
        what: str,
        allowed: str = "",
        remedy: str = "",
        *,
        key: bool = False,
        meant: tuple[str, Collection[str]] | None = None,
    ) -> Fault:
        """A fault of the value at `path`, or of its key."""
        return Fault(self.place(path, key), path, slug, what, allowed, remedy, meant)


def plain(node: Node, sequence: Callable[[list[Any]], Any] = list) -> Any:
    """The node as plain data: dicts, scalars, and lists (or what `sequence` makes of a list)."""
    if isinstance(node.value, Mapping):
        return {key: plain(child, sequence) for key, child in node.value.items()}
    if isinstance(node.value, tuple):
        return sequence([plain(child, sequence) for child in node.value])
    return node.value


def load_file(path: Path, name: str, faults: list[Fault], asked_at: Mark | None = None) -> Node | None:
    """The root mapping of one YAML file, called `name` in messages; None, and a fault, where there is none to be read.

    asked_at: where an `extends` names the file; that it is no readable file is told there.
    """
    try:
        text = _decoded(_bytes(path, name, asked_at), name)
    except Faulty as stop:
        faults.append(stop.fault)
        return None
    before = len(faults)
    root = read_nodes(text, name, faults)
    if root is not None and isinstance(root.value, Mapping):
        return root
    if len(faults) == before:
        mark = root.mark if root else Mark(name)
        what = "the file is empty" if root is None else "the file holds no keys"
        faults.append(Fault(mark, (), "recipe-no-mapping", what, "a mapping of keys, from 'format: 1' on"))
    return None


def _bytes(path: Path, name: str, asked_at: Mark | None) -> bytes:
    try:
        if not path.is_file():
            path.stat()
            raise IsADirectoryError  # or a pipe, or a device: nothing to wait for
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise Faulty(_unreadable(path, name, error, asked_at)) from None
    if len(data) > LARGEST_BYTES:
        largest = f"{LARGEST_BYTES // 1_000_000} MB"
        raise Faulty(Fault(Mark(name), (), "recipe-too-large", "the file is too large", largest))
    return data


def _unreadable(path: Path, name: str, error: Exception, asked_at: Mark | None) -> Fault:
    mark, key, named = (asked_at, ("extends",), f" '{name}'") if asked_at else (Mark(name), (), "")
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return Fault(mark, key, "recipe-no-file", f"there is no such file{named}", meant=(path.name, _neighbours(path)))
    if isinstance(error, IsADirectoryError):
        return Fault(mark, key, "recipe-not-a-file", f"this is no file{named}", "a YAML file")
    reason = getattr(error, "strerror", None) or "its name is not possible here"
    return Fault(mark, key, "recipe-unreadable", f"the file{named} cannot be read: {reason.lower()}")


def _neighbours(path: Path) -> list[str]:
    """The YAML files beside `path`, of the first few thousand entries."""
    try:
        entries = islice(path.parent.iterdir(), 2_000)
        return [entry.name for entry in entries if entry.suffix.lower() in (".yaml", ".yml")]
    except OSError:
        return []


def _decoded(data: bytes, name: str) -> str:
    """The text of a file's bytes. Raises Faulty where they are no UTF-8 text."""

    def refused(mark: Mark, what: str) -> Faulty:
        return Faulty(Fault(mark, (), "recipe-not-utf8", what, "UTF-8 text", FROM_TABLE))

    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:16].count(0) in (8, 12):
        raise refused(Mark(name), "the text is UTF-16 or UTF-32")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        mark = Mark(name, before.count(b"\n") + 1, error.start - before.rfind(b"\n"))
        raise refused(mark, "this is no UTF-8 text") from None
    check_characters(text, name)
    return text


def check_characters(text: str, name: str) -> None:
    """Raise Faulty at the first character that YAML forbids."""
    found = _FORBIDDEN.search(text)
    if found:
        before = text[: found.start()]
        place = Mark(name, before.count("\n") + 1, found.start() - before.rfind("\n"))
        what = f"the character U+{ord(found.group()):04X} is no text"
        raise Faulty(Fault(place, (), "recipe-not-text", what, remedy=FROM_TABLE))


def read_nodes(text: str, file: str, faults: list[Fault], *, has_lines: bool = True) -> Node | None:
    """The one document of a YAML text; every fault found goes to `faults`, None where nothing can be read.

    has_lines: False gives all nodes the whole of `file` as their place.
    """
    try:
        return _Composer(text, file, faults, has_lines).document()
    except Faulty as stop:
        faults.append(stop.fault)
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        faults.append(_syntax_fault(error, text, file))
    return None


_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_WORDS = {"null": None, "Null": None, "NULL": None, "~": None} | {
    word: value for value in (True, False) for word in (str(value).lower(), str(value), str(value).upper())
}
_INTEGER = re.compile(r"[-+]?[0-9]+")
_BASED = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NUMBER = re.compile(f"{_BASED.pattern}|{_FLOAT.pattern}")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")


class _Composer:
    """Builds nodes from the parser's events, counting depth and size as it goes."""

    def __init__(self, text: str, file: str, faults: list[Fault], has_lines: bool) -> None:
        self.file = file
        self.faults = faults
        self.has_lines = has_lines
        self.events: Iterator[Any] = iter(yaml.parse(text, Loader=_LOADER))
        self.anchors: dict[str, tuple[Node, int]] = {}
        self.nodes = 0
        self.path: list[str | int] = []

    def document(self) -> Node | None:
        root: Node | None = None
        for event in self.events:
            if isinstance(event, events.DocumentStartEvent):
                if root is not None:
                    what = "a second document begins here"
                    self.stop(event, "recipe-several-documents", what, "one document", FROM_TABLE)
                root = self.node(next(self.events), 0)
        return root

    def mark(self, event: Any) -> Mark:
        start = event.start_mark
        return Mark(self.file, start.line + 1, start.column + 1) if self.has_lines else Mark(self.file)

    def tell(self, event: Any, slug: str, what: str, allowed: str = "", remedy: str = "") -> None:
        self.faults.append(Fault(self.mark(event), tuple(self.path), slug, what, allowed, remedy))

    def stop(self, event: Any, slug: str, what: str, allowed: str = "", remedy: str = "") -> NoReturn:
        raise Faulty(Fault(self.mark(event), tuple(self.path), slug, what, allowed, remedy))

    def count(self, event: Any, nodes: int) -> None:
        self.nodes += nodes
        if self.nodes > MOST_NODES:
            allowed = f"{MOST_NODES} values, aliases counted each time they are used"
            self.stop(event, "recipe-too-large", "the file holds too many values", allowed)

    def node(self, event: Any, depth: int) -> Node:
        if isinstance(event, events.AliasEvent):
            return self.alias(event)
        if event.tag is not None:
            tag = shown(event.tag.replace("tag:yaml.org,2002:", "!!"))
            self.tell(event, "recipe-tag", f"the tag '{tag}' means nothing here", remedy=FROM_TABLE)
        self.count(event, 1)
        before = self.nodes - 1
        if isinstance(event, events.ScalarEvent):
            node = Node(self.scalar(event), self.mark(event))
        elif depth >= DEEPEST:
            self.stop(event, "recipe-too-deep", "values are nested too deeply", f"{DEEPEST} levels")
        elif isinstance(event, events.MappingStartEvent):
            node = self.mapping(event, depth)
        else:
            node = self.sequence(event, depth)
        if event.anchor is not None:
            self.anchors[event.anchor] = node, self.nodes - before
        return node

    def alias(self, event: Any) -> Node:
        if event.anchor not in self.anchors:
            self.stop(event, "recipe-alias", f"no anchor '&{shown(event.anchor)}' stands above this")
        node, size = self.anchors[event.anchor]
        self.count(event, size)
        return node

    def sequence(self, start: Any, depth: int) -> Node:
        items: list[Node] = []
        for event in self.events:
            if isinstance(event, events.SequenceEndEvent):
                break
            self.path.append(len(items))
            items.append(self.node(event, depth + 1))
            self.path.pop()
        return Node(tuple(items), self.mark(start))

    def mapping(self, start: Any, depth: int) -> Node:
        entries: dict[str, Node] = {}
        keys: dict[str, Mark] = {}
        lines: dict[str, int] = {}
        for event in self.events:
            if isinstance(event, events.MappingEndEvent):
                break
            key = self.key(event)
            self.path.append(key)
            value = self.node(next(self.events), depth + 1)
            if not self.is_faulty_key(event, key, lines):
                entries[key], keys[key], lines[key] = value, self.mark(event), event.start_mark.line + 1
            self.path.pop()
        return Node(entries, self.mark(start), keys)

    def key(self, event: Any) -> str:
        """A key as text, just as it was written: `1` and `no` are names like any other."""
        if isinstance(event, events.AliasEvent) and event.anchor in self.anchors:
            value = self.anchors[event.anchor][0].value
            if isinstance(value, str):
                return value
        if not isinstance(event, events.ScalarEvent):
            self.stop(event, "recipe-key", "a key must be plain text")
        if _FORBIDDEN.search(event.value):
            self.stop(event, "recipe-key", "a key must be plain text")
        return str(event.value)

    def is_faulty_key(self, event: Any, key: str, lines: Mapping[str, int]) -> bool:
        if key == "<<" and not getattr(event, "style", None):
            self.tell(event, "recipe-merge-key", "a merge key (<<) is not read", remedy=FROM_TABLE)
        elif key in lines:
            what = f"'{shown(key)}' stands twice, first in line {lines[key]}"
            self.tell(event, "recipe-duplicate-key", what, remedy=FROM_TABLE)
        elif not key:
            self.tell(event, "recipe-key", "a key is empty")
        else:
            return False
        return True

    def scalar(self, event: Any) -> Value:
        text: str = event.value
        if event.style:
            if found := _FORBIDDEN.search(text):  # by an escape
                self.tell(
                    event, "recipe-not-text", f"the character U+{ord(found.group()):04X} is no text", "", FROM_TABLE
                )
            return _FORBIDDEN.sub("", text)
        if not text:
            self.tell(event, "recipe-empty-value", "there is no value here", remedy=FROM_TABLE)
            return {}  # stands in for the value, so that the checks can go on
        return _WORDS[text] if text in _WORDS else self.number(event, text)

    def number(self, event: Any, text: str) -> Scalar:
        value: Scalar = text
        if _NOT_FINITE.fullmatch(text) or (_NUMBER.fullmatch(text) and len(text) > 40):
            value = math.inf  # what no one means is told like infinity
        elif _INTEGER.fullmatch(text):
            value = int(text)
        elif _BASED.fullmatch(text):
            value = int(text, 0)
        elif _FLOAT.fullmatch(text):
            value = float(text)
        if isinstance(value, float) and not math.isfinite(value):
            self.tell(event, "recipe-not-finite", f"'{shown(text)}' is no finite number", "a finite number")
            return 0
        return value


_SYNTAX: tuple[tuple[str, str, str], ...] = (
    (
        "mapping values are not allowed",
        "a ':' stands where no key can be",
        "indent keys of one level alike, and put a text that holds ': ' in quotes",
    ),
    ("sequence entries are not allowed", "a '-' stands where no list can begin", "begin the list on its own line"),
    ("cannot start any token", "the character {char} cannot begin a value", "put the value in quotes"),
    (
        "expected (the )?node content",
        "a value is missing before {char}",
        "write the value, or close the bracket before it",
    ),
    ("flow sequence", "the list opened {opened} does not end properly", "part items by ',' and close it with ']'"),
    ("flow mapping", "the mapping opened {opened} does not end properly", "part keys by ',', close it with '}}'"),
    ("quoted scalar.*end of stream", "the quote opened {opened} is never closed", "close the quote"),
    ("quoted scalar", "double quotes hold an unknown escape (\\)", "use single quotes, or write \\\\"),
    ("block scalar", "a text after '|' or '>' begins on the next line", "begin a new line, or use quotes"),
    (
        "parsing a block",
        "this does not fit what stands before it",
        "indent keys of one level alike, and put a text with special characters in quotes as a whole",
    ),
    ("expected ':'", "a key without ':'", "write 'key: value'"),
    ("directive|incompatible", "a line that begins with '%' is no part of a recipe", "remove it"),
    ("tag", "a tag (!) cannot be read", "remove the tag, or put the text in quotes"),
    ("anchor|alias", "the name after '&' or '*' cannot be read", "put the text in quotes"),
    ("", "this is no YAML", "check this line and the one above it"),
)
"""What the parser says, what that means, and what to do: more than the one slug's remedy could say."""


def _syntax_fault(error: Exception, text: str, file: str) -> Fault:
    """The fault for what the YAML parser raised over `text`."""
    context = getattr(error, "context_mark", None)
    place = getattr(error, "problem_mark", None) or context
    line, column = (place.line, place.column) if place else (0, 0)
    mark = Mark(file, line + 1, column + 1)
    said = f"{getattr(error, 'context', '')} {getattr(error, 'problem', '')}"
    if "nesting" in said or isinstance(error, RecursionError):
        return Fault(mark, (), "recipe-too-deep", "values are nested too deeply")
    row = dict(enumerate(text.splitlines())).get(line, "")
    if "\t" in row[: len(row) - len(row.lstrip())] or row[column : column + 1] == "\t":
        return Fault(mark, (), "recipe-tab", "a tab stands where spaces belong", remedy=FROM_TABLE)
    what, remedy = next((what, remedy) for pattern, what, remedy in _SYNTAX if re.search(pattern, said))
    char = row[column : column + 1]
    names = {
        "char": f"'{char}'" if char else "the end",
        "opened": f"in line {context.line + 1}, column {context.column + 1}" if context else "before this",
    }
    return Fault(mark, (), "recipe-yaml", what.format(**names), remedy=remedy.format(**names))
