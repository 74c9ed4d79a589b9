"""The rounds of the alignment: decide every mic, follow it through the song, and where that changes something, again.

A file that starts elsewhere is read in step; a mic that is there for a part of the song is judged on that part; one
that changes is read through its steps, as if it had held still, and decided anew. Each round begins with what the one
before has found, and the song is told once, at the end.
"""

from collections.abc import Mapping
from typing import Protocol

from premix.alignment.decide import align, decided_as, recorded_before
from premix.alignment.lateness import odd_starts
from premix.alignment.sheet import sheet_offsets
from premix.alignment.steadiness import (
    findings_of,
    follow_song,
    misfits,
    unsteady,
    with_presence,
    with_sheet_steps,
    with_steps,
    with_trails,
)
from premix.model.alignment import Sheet
from premix.model.song import Song

MOST_ROUNDS = 2
"""A mic that changes spoils a little what the others say; read through its steps once, the rest of them shows."""


class Rereading(Protocol):
    """The song's tracks read once more, in another way."""

    def in_step(self, song: Song, offsets: Mapping[str, int]) -> Song:
        """Files that start elsewhere, by whole samples ('left_a/ribbon'), in step with the others."""

    def steadied(self, song: Song) -> Song:
        """Mics that change, through their steps."""


def aligned(song: Song, sheet: Sheet | None, again: Rereading) -> Song:
    """The song with every mic decided, from a sheet or from what is heard. Never raises for what the audio holds."""
    if sheet is not None:
        return _from_sheet(song, sheet, again)
    first = align(song)
    offsets = odd_starts(first)
    if offsets:
        song = again.in_step(song, offsets)
        first = align(song)
    found = follow_song(first)
    if any(own.presence for own in found):
        song = with_presence(song, first, found)
        first = align(song)
        found = follow_song(first)
    if not any(own.steps for own in found):
        return with_trails(first, found).tell(*findings_of(first, found), *misfits(first, found))
    left, steadied = found, song
    for _ in range(MOST_ROUNDS):
        steadied = again.steadied(with_steps(steadied, left))
        solved = align(steadied)
        left = follow_song(solved)
        if not any(own.steps for own in left):
            break
    if song.alignment.changes == "follow":
        final = with_trails(recorded_before(solved, first), found, left).tell(*unsteady(solved, left))
    else:
        final = decided_as(song, solved)
        left = follow_song(final)
        final = with_trails(final, found, left)
    return final.tell(*findings_of(solved, found), *misfits(final, left))


def _from_sheet(song: Song, sheet: Sheet, again: Rereading) -> Song:
    """What the sheet says, measured with the tracks as it has them: in step, and through its passages."""
    starts = sheet_offsets(sheet, song)
    song = again.in_step(song, starts) if starts else song
    stepped = with_sheet_steps(song, sheet)
    song = again.steadied(stepped) if any(performance.steps for performance in stepped.performances) else song
    decided = align(song, sheet)
    found = follow_song(decided)
    return with_trails(decided, found).tell(*findings_of(decided, found), *misfits(decided, found))
