"""What is wrong with a text that is no YAML, in our own words and with its place.

YAML text -> nodes: plain values that know where they stand, with YAML 1.2 meaning and nothing surprising.

The text is read as a stream of events, so that nesting, aliases and size are stopped by a budget before they
cost anything, and nothing is ever constructed from a tag. Meaning of plain scalars: YAML 1.2.2 core schema
(section 10.3), except that keys are always text and that infinity and NaN are refused.
"""

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import yaml
from yaml import events

from premix.recipe.faults import Fault, Faulty, KeyPath, Mark, shown

_WORDS: tuple[tuple[str, str, str], ...] = (
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
)


def syntax_fault(error: Exception, text: str, file: str) -> Fault:
    """The fault for what the YAML parser raised over `text`."""
    place = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    line, column = (place.line, place.column) if place else (0, 0)
    mark = Mark(file, line + 1, column + 1)
    said = f"{getattr(error, 'context', '')} {getattr(error, 'problem', '')}"
    if "nesting" in said or isinstance(error, RecursionError):
        return Fault(mark, (), "recipe-too-deep", "values are nested too deeply")
    lines = text.splitlines()
    row = lines[line] if line < len(lines) else ""
    if "\t" in row[: len(row) - len(row.lstrip())] or row[column : column + 1] == "\t":
        return Fault(mark, (), "recipe-tab", "a tab stands where spaces belong", remedy="indent with spaces")
    what, remedy = _words(said, row[column : column + 1], getattr(error, "context_mark", None))
    return Fault(mark, (), "recipe-yaml", what, remedy=remedy)


def _words(said: str, char: str, opened: Any) -> tuple[str, str]:
    names = {
        "char": f"'{char}'" if char else "the end",
        "opened": f"in line {opened.line + 1}, column {opened.column + 1}" if opened else "before this",
    }
    for pattern, what, remedy in _WORDS:
        if re.search(pattern, said):
            return what.format(**names), remedy.format(**names)
    return "this is no YAML", "check this line and the one above it"


MOST_NODES = 50_000
"""Values in one file, aliases counted each time they are used."""
DEEPEST = 32
"""Mappings and lists inside each other; a recipe needs seven."""
LONGEST_NUMBER = 40
"""A number with more characters is refused."""

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_NULL = re.compile(r"~|null|Null|NULL")
_TRUE = re.compile(r"true|True|TRUE")
_FALSE = re.compile(r"false|False|FALSE")
_INTEGER = re.compile(r"[-+]?[0-9]+")
_BASED = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NUMBER = re.compile(f"{_BASED.pattern}|{_FLOAT.pattern}")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")

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


def plain(node: Node, sequence: Callable[[list[Any]], Any] = list) -> Any:
    """The node as plain data: dicts, scalars, and lists (or what `sequence` makes of a list)."""
    if isinstance(node.value, Mapping):
        return {key: plain(child, sequence) for key, child in node.value.items()}
    if isinstance(node.value, tuple):
        return sequence([plain(child, sequence) for child in node.value])
    return node.value


def positions(node: Node, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Mark]]:
    """Where every value below `node` stands, by its path."""
    yield path, node.mark
    if isinstance(node.value, Mapping):
        for key, child in node.value.items():
            yield from positions(child, (*path, key))
    elif isinstance(node.value, tuple):
        for index, child in enumerate(node.value):
            yield from positions(child, (*path, index))


def read_nodes(text: str, file: str, faults: list[Fault]) -> Node | None:
    """The one document of a YAML text; every fault found goes to `faults`, None where nothing can be read."""
    composer = _Composer(text, file, faults)
    try:
        return composer.document()
    except Faulty as stop:
        faults.append(stop.fault)
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        faults.append(syntax_fault(error, text, file))
    return None


class _Composer:
    """Builds nodes from the parser's events, counting depth and size as it goes."""

    def __init__(self, text: str, file: str, faults: list[Fault]) -> None:
        self.file = file
        self.faults = faults
        self.events: Iterator[Any] = iter(yaml.parse(text, Loader=_LOADER))
        self.anchors: dict[str, tuple[Node, int]] = {}
        self.nodes = 0
        self.path: list[str | int] = []

    def document(self) -> Node | None:
        root: Node | None = None
        for event in self.events:
            if isinstance(event, events.DocumentStartEvent):
                if root is not None:
                    raise Faulty(
                        self.fault(
                            event,
                            "recipe-several-documents",
                            "a second document begins here",
                            "one document",
                            "remove the line '---'",
                        )
                    )
                root = self.node(next(self.events), 0)
        return root

    def mark(self, event: Any) -> Mark:
        return Mark(self.file, event.start_mark.line + 1, event.start_mark.column + 1)

    def fault(self, event: Any, slug: str, what: str, allowed: str = "", remedy: str = "") -> Fault:
        return Fault(self.mark(event), tuple(self.path), slug, what, allowed, remedy)

    def count(self, event: Any, nodes: int) -> None:
        self.nodes += nodes
        if self.nodes > MOST_NODES:
            raise Faulty(
                self.fault(
                    event,
                    "recipe-too-large",
                    "the file holds too many values",
                    f"{MOST_NODES} values, aliases counted each time they are used",
                )
            )

    def node(self, event: Any, depth: int) -> Node:
        if isinstance(event, events.AliasEvent):
            return self.alias(event)
        if event.tag is not None:
            self.faults.append(
                self.fault(
                    event,
                    "recipe-tag",
                    f"the tag '{shown(event.tag.replace('tag:yaml.org,2002:', '!!'))}' means nothing here",
                    remedy="remove the tag",
                )
            )
        self.count(event, 1)
        before = self.nodes - 1
        if isinstance(event, events.ScalarEvent):
            node = Node(self.scalar(event), self.mark(event))
        elif depth >= DEEPEST:
            raise Faulty(self.fault(event, "recipe-too-deep", "values are nested too deeply", f"{DEEPEST} levels"))
        elif isinstance(event, events.MappingStartEvent):
            node = self.mapping(event, depth)
        else:
            node = self.sequence(event, depth)
        if event.anchor is not None:
            self.anchors[event.anchor] = node, self.nodes - before
        return node

    def alias(self, event: Any) -> Node:
        if event.anchor not in self.anchors:
            raise Faulty(self.fault(event, "recipe-alias", f"no anchor '&{shown(event.anchor)}' stands above this"))
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
        for event in self.events:
            if isinstance(event, events.MappingEndEvent):
                break
            key = self.key(event)
            self.path.append(key)
            value = self.node(next(self.events), depth + 1)
            if not self.is_faulty_key(event, key, keys):
                entries[key] = value
                keys[key] = self.mark(event)
            self.path.pop()
        return Node(entries, self.mark(start), keys)

    def key(self, event: Any) -> str:
        """A key as text, just as it was written: `1` and `no` are names like any other."""
        if isinstance(event, events.AliasEvent) and event.anchor in self.anchors:
            value = self.anchors[event.anchor][0].value
            if isinstance(value, str):
                return value
        if not isinstance(event, events.ScalarEvent):
            raise Faulty(self.fault(event, "recipe-key", "a key must be plain text"))
        return str(event.value)

    def is_faulty_key(self, event: Any, key: str, keys: Mapping[str, Mark]) -> bool:
        if key == "<<" and not getattr(event, "style", None):
            fault = self.fault(
                event,
                "recipe-merge-key",
                "a merge key (<<) is not read",
                remedy="use an alias for the whole value, or 'extends:'",
            )
        elif key in keys:
            first = keys[key]
            fault = self.fault(
                event,
                "recipe-duplicate-key",
                f"'{shown(key)}' stands twice, first in line {first.line}",
                remedy="keep one of them",
            )
        elif not key:
            fault = self.fault(event, "recipe-key", "a key is empty")
        else:
            return False
        self.faults.append(fault)
        return True

    def scalar(self, event: Any) -> Value:
        text: str = event.value
        if event.style:
            return text
        if not text:
            self.faults.append(
                self.fault(
                    event,
                    "recipe-empty-value",
                    "there is no value here",
                    remedy="write a value ({} for all defaults), or leave the key out",
                )
            )
            return {}  # stands in for the value, so that the checks can go on
        for pattern, value in ((_NULL, None), (_TRUE, True), (_FALSE, False)):
            if pattern.fullmatch(text):
                return value
        return self.number(event, text)

    def number(self, event: Any, text: str) -> Scalar:
        value: Scalar = text
        if _NOT_FINITE.fullmatch(text) or (_NUMBER.fullmatch(text) and len(text) > LONGEST_NUMBER):
            value = math.inf
        elif _INTEGER.fullmatch(text):
            value = int(text)
        elif _BASED.fullmatch(text):
            value = int(text, 0)
        elif _FLOAT.fullmatch(text):
            value = float(text)
        if isinstance(value, float) and not math.isfinite(value):
            what = f"'{shown(text)}' is no finite number"
            self.faults.append(self.fault(event, "recipe-not-finite", what, "a finite number"))
            return 0
        return value
