"""Findings of a kind as one entry, and the order of the kinds: what costs the sum more stands before."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix.errors import Finding
from premix.messages import REMEDIES
from premix.model.findings import KINDS, cost, grouped

HUM = [
    Finding("track-hum", "warning", f"left/{mic}", f"hum {db}", size=-db, brief=f"{db:.0f} dB under the track")
    for mic, db in (("dynamic", 33.0), ("ribbon", 19.0), ("sub", 40.0), ("condenser", 25.0))
]
LEFT_OUT = Finding("track-left-out", "info", "right/ribbon", "left out")
REFUSED = Finding("alignment-incoherent", "warning", "left/sub", "refused")
JUMPS = Finding("alignment-jump", "warning", "left/ribbon", "jumps", at_s=40.5, size=3.0)
CLIPPED = Finding("track-clipped", "warning", "left/dynamic", "2 runs", at_s=1.5, size=2.0)
BROKEN = Finding("limit-mono-fold", "error", "guitar bus", "mono fold is low")


def test_one_entry_a_kind_with_all_it_concerns_and_the_worst() -> None:
    """Four hums are one line, by hand: the nearest to its track is the worst."""
    (entry,) = grouped(HUM)
    assert (entry.slug, entry.severity, entry.count) == ("track-hum", "warning", 4)
    assert entry.subjects == ("left/dynamic", "left/ribbon", "left/sub", "left/condenser")
    assert (entry.subject, entry.message) == ("left/ribbon", "hum 19.0")
    assert entry.line() == "hum: 4 tracks, worst left/ribbon: 19 dB under the track"
    assert [seen.subject for seen in entry.each] == ["left/ribbon", "left/condenser", "left/dynamic", "left/sub"]
    assert entry.hint == REMEDIES["track-hum"]


def test_where_none_is_worse_one_is_an_example() -> None:
    """Two files left out: neither is worse."""
    (entry,) = grouped([LEFT_OUT, replace(LEFT_OUT, subject="left")])
    assert entry.line() == "left out: no file: right/ribbon, left, such as right/ribbon: left out"


def test_a_kind_of_one_is_told_as_it_was_seen() -> None:
    """With its place in the song."""
    (entry,) = grouped([JUMPS])
    assert (entry.line(), entry.at_s) == ("left/ribbon: jumps", 40.5)


def test_what_costs_the_sum_comes_before_what_does_not() -> None:
    """A broken limit; a mic left out, refused, or moving; clipping; hum: however they were told, and how gravely."""
    told = [HUM[0], CLIPPED, JUMPS, LEFT_OUT, HUM[1], REFUSED, BROKEN]
    order = [entry.slug for entry in grouped(told)]
    assert order == [
        *("limit-mono-fold", "alignment-incoherent", "track-left-out", "alignment-jump", "track-clipped", "track-hum")
    ]


@given(st.permutations([*HUM, LEFT_OUT, REFUSED, JUMPS, CLIPPED, BROKEN]))
def test_the_order_does_not_depend_on_who_told_first(told: list[Finding]) -> None:
    """Every order of telling gives the same kinds in the same order, each costing no more than the one before."""
    entries = grouped(told)
    assert [entry.slug for entry in entries] == [entry.slug for entry in grouped(sorted(told, key=repr))]
    assert all(cost(a.slug, a.severity) <= cost(b.slug, b.severity) for a, b in pairwise(entries))
    assert sum(entry.count for entry in entries) == len(told)


@pytest.mark.parametrize(("severity", "before"), [("error", "alignment-jump"), ("warning", "track-hum")])
def test_a_kind_that_the_order_does_not_know_is_placed_by_its_severity(severity: str, before: str) -> None:
    """It is never lost: an error stands with the refusals, a warning before what only is to be known."""
    strange = Finding("of-tomorrow", severity, "left", "strange")  # type: ignore[arg-type]
    other = replace(JUMPS, slug=before)
    first, second = grouped([other, strange])
    assert (first.slug, second.slug) == ("of-tomorrow", before)
    assert first.kind == "of tomorrow"


def test_the_gravest_of_a_kind_is_its_face() -> None:
    """A file left out with a near miss is a warning, another an information: the entry is a warning, about the first,
    and counts both."""
    near = replace(LEFT_OUT, severity="warning", subject="left/ribbon")
    (entry,) = grouped([LEFT_OUT, near])
    assert (entry.severity, entry.subject, entry.count) == ("warning", "left/ribbon", 2)


def test_every_kind_is_a_message() -> None:
    """The order names no slug that does not exist."""
    assert set(KINDS) <= set(REMEDIES)
