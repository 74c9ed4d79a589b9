"""What the commands print for people and for programs, and the texts they write."""

import json
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from tests.contract.command import Said
from tests.contract.holding import kept
from tests.contract.workshop import RENDERS, Workshop

COMMANDS = ("render", "align", "inspect", "null", "compare", "batch", "draft", "demo", "schema")
UNHELD_WORDS = {"shipped_minimal"}
"""A recipe without a room mic."""


def texts(shop: Workshop) -> dict[str, Callable[[], Said]]:
    """Name -> the command whose whole text is held."""
    base = "_in/recipes/base.yaml"

    def after(*renders: str) -> Callable[..., Said]:
        def run(*words: str) -> Said:
            for name in renders:
                shop.render(name)
            return shop.run(*words)

        return run

    def of_render(name: str) -> Said:
        shop.render(name)
        return shop.run(*shop.words(name))

    expecting = ["render", base, "_in/stamped", "--no-report", "--out"]
    return {
        **{f"render_{name}": partial(of_render, name) for name in RENDERS if name not in UNHELD_WORDS},
        "inspect": lambda: shop.run("inspect", base, "_in/plain"),
        "inspect_strange": lambda: shop.run("inspect", base, "_in/strange"),
        "inspect_kinds": lambda: shop.run("inspect", "_in/recipes/kinds.yaml", "_in/kinds"),
        "inspect_recipe": lambda: shop.run("inspect", "_in/recipes/gate_by_mic.yaml", "_in/plain", "--recipe"),
        "align": lambda: shop.run("align", base, "_in/plain"),
        "align_strange": lambda: shop.run("align", base, "_in/strange"),
        "align_turned": lambda: shop.run("align", "_in/recipes/rotated.yaml", "_in/turned"),
        "align_demo": lambda: shop.run("align", "_in/shipped/house.yaml", "_in/demo_stems"),
        "draft": lambda: shop.run("draft", "_in/plain"),
        "draft_demo": lambda: shop.run("draft", "_in/demo_stems"),
        "draft_kinds": lambda: shop.run("draft", "_in/kinds"),
        "demo": lambda: shop.run("demo", "demo", "--seconds", "3"),
        "compare": lambda: shop.run(
            "compare", "_in/recipes/variants.yaml", "_in/plain", "--out", "told_comparison", "--no-report"
        ),
        "expect_the_same": lambda: after("stamped")(*expecting, "again", "--expect", "stamped"),
        "expect_other": lambda: after("stamped")(
            *expecting, "other", "--expect", "stamped/manifest.json", "--set", "mics.dynamic.gain_db=1"
        ),
        "null_the_same": lambda: after("chains", "two_threads")("null", "chains", "two_threads"),
        "null_other": lambda: after("every_file", "gate_follow")("null", "every_file", "gate_follow"),
        "null_below": lambda: after("gate_by_all", "gate_follow")("null", "gate_by_all", "gate_follow", "--below", "0"),
        "null_files": lambda: after("wide", "gate_off")(
            "null", "wide/Saltmarsh_guitars.wav", "gate_off/Saltmarsh_guitars.wav"
        ),
        "batch": lambda: without_seconds(shop.batch("batch")),
        "batch_again": lambda: batch_again(shop),
    }


def documents(shop: Workshop) -> dict[str, Callable[[], Any]]:
    """Name -> the JSON that a command prints; fields may be added to it."""
    base = "_in/recipes/base.yaml"

    def null(a: str, b: str) -> Any:
        shop.render(a)
        shop.render(b)
        return document(shop.run("null", a, b, "--json"), 4)

    def batch() -> Any:
        return document(shop.batch("batch_json", more=("--json",)), 1)

    def comparison(name: str) -> Any:
        return read_json(shop.comparison(name) / "manifest.json")

    return {
        "inspect": lambda: document(shop.run("inspect", base, "_in/plain", "--json")),
        "inspect_kinds": lambda: document(shop.run("inspect", "_in/recipes/kinds.yaml", "_in/kinds", "--json")),
        "align": lambda: document(shop.run("align", base, "_in/plain", "--json")),
        "align_strange": lambda: document(shop.run("align", base, "_in/strange", "--json")),
        "null": lambda: null("every_file", "gate_follow"),
        "batch": batch,
        "comparison": lambda: comparison("comparison"),
        "comparison_by_mics": lambda: comparison("comparison_by_mics"),
        "render": lambda: document(
            shop.run("render", base, "_in/stamped", "--out", "as_json", "--no-report", "--json")
        ),
    }


WRITTEN = {
    "track_sheet_every_file": ("every_file", "Saltmarsh_track_sheet.txt"),
    "track_sheet_csv_chains": ("chains", "Saltmarsh_track_sheet.csv"),
    "track_sheet_gate_by_mic": ("gate_by_mic", "Saltmarsh_track_sheet.txt"),
}
"""Name -> render and the text in its OUT folder."""


def document(said: Said, code: int = 0) -> Any:
    """Standard output as JSON."""
    assert said.code == code, said
    return json.loads(said.out)


def read_json(path: Path) -> Any:
    """A JSON file."""
    return json.loads(path.read_text("utf-8"))


def batch_again(shop: Workshop) -> Said:
    """The batch a second time, into the same folder."""
    shop.batch("batch")
    return without_seconds(shop.batch("batch", more=AGAIN))


AGAIN = ("--match", "none")
"""The default, spelled out: the same batch in other words."""


def without_seconds(said: Said) -> Said:
    """The last column of a batch's table is a time."""
    return Said(said.code, said.out, re.sub(r"(\s\d+) +\d+\.\d$|(-) +\d+\.\d$", r"\1\2 <time>", said.err, flags=re.M))


def options(help_text: str) -> list[str]:
    """The options that a help text names."""
    return sorted(set(re.findall(r"^\s+(?:-\w, )?(--[a-z-]+)", help_text, flags=re.M)))


def commands(help_text: str) -> list[str]:
    """The commands that the help text names."""
    return re.findall(r"^  ([a-z]+)  ", help_text.split("Commands:")[1], flags=re.M)


def help_of(shop: Workshop) -> dict[str, list[str]]:
    """Command -> its options; 'premix' -> the commands."""
    return {
        "premix": commands(shop.run("--help").out),
        **{name: options(shop.run(name, "--help").out) for name in COMMANDS},
    }


VALUES = {
    "shipped_house": None,
    "gate_by_mic": None,
    **dict.fromkeys(
        (
            "chains",
            "refused_kept",
            "refused_muted",
            "rotated",
            "stamped",
            "late",
            "from_sheet",
            "by_hand",
            "limits",
            "kinds",
        ),
        (
            "song",
            "rate",
            "frames",
            "time_reference",
            "alignment",
            "gate",
            "buses",
            "guitar_bus",
            "chain_files",
            "trim_db",
            "findings",
        ),
    ),
}
"""Render -> fields of its manifest whose values are held; None: all of them."""


def values(shop: Workshop, name: str) -> dict[str, Any]:
    """The held part of a manifest, as stored."""
    document = shop.manifest(name)
    fields = VALUES[name] or tuple(document)
    return {key: kept(document[key]) for key in fields if key in kept(document)}
