"""premix: raw multi-mic heavy-guitar tracks to phase-coherent, mix-ready stems.

The public Python API: `render`, `align`, `inspect` and `null`, as the commands of these names. A recipe is a path, or
plain data of the same keys. What comes back are records: the song's tree (`premix.model.song.Song`) and the manifest
(`premix.model.manifest.Manifest`). What the user has to mend is a `UserError` whose `problems` are those the commands
print, all of them at once.

>>> try:  # doctest: +ELLIPSIS
...     inspect({"format": 1, "mics": {"dynamic": {}}, "performances": {"left": {"buss": "left"}}}, "tracks")
... except UserError as error:
...     print(error.problems[1].line())
recipe performances.left.buss: unknown key 'buss'; allowed: ...; did you mean 'bus'? [recipe-unknown-key]
"""

from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from premix.errors import PremixError, Problem, UserError

if TYPE_CHECKING:
    from premix.delivery.against import NulledPair
    from premix.model.song import Song
    from premix.model.tracks import TrackLook
    from premix.pipeline import Outcome

__version__ = "0.1.0"
__all__ = ["PremixError", "Problem", "UserError", "__version__", "align", "inspect", "null", "render"]

AnyPath = str | PathLike[str]
RecipeLike = AnyPath | Mapping[str, Any]


def render(
    recipe: RecipeLike,
    tracks: AnyPath,
    out: AnyPath,
    *,
    settings: Sequence[str] = (),
    sheet: AnyPath | None = None,
    force: bool = False,
    recover: bool = False,
    report: bool = False,
    threads: int = 1,
) -> "Outcome":
    """Render the folder `tracks` into the folder `out`, which appears whole or not at all.

    settings: 'key=value' over the recipe, as --set. sheet: an alignment sheet whose decisions are taken. force:
    replace also what premix did not write. recover: read what is there of cut-off files. report: with the HTML page,
    where its extra is installed. The outcome holds `rendered` (song, plan, measures; gains linear, delays in samples,
    levels in dB), the `manifest`, and the limits that are `broken`. Raises UserError.
    """
    from premix import pipeline

    return pipeline.render(
        _recipe(recipe),
        Path(tracks),
        Path(out),
        settings=settings,
        sheet=None if sheet is None else Path(sheet),
        force=force,
        recover=recover,
        report=report,
        threads=threads,
    )


def align(
    recipe: RecipeLike, tracks: AnyPath, *, settings: Sequence[str] = (), recover: bool = False, threads: int = 1
) -> "Song":
    """Polarity and delay of every mic, with the evidence: the song's tree, a `decision` beside each of its `mics`.

    delay_samples > 0: the mic is late and would be advanced. A refused mic is a decision too. Raises UserError.
    """
    from premix import pipeline

    with pipeline.prepare(_recipe(recipe), Path(tracks), settings=settings, recover=recover, threads=threads) as ready:
        return ready.song


def inspect(
    recipe: RecipeLike, tracks: AnyPath, *, settings: Sequence[str] = (), recover: bool = False
) -> "tuple[Song, tuple[TrackLook, ...], tuple[Problem, ...]]":
    """A first look: the song with its findings, a look at every track, and the problems that would stop a render.

    Levels are linear, full scale 1; loudness in LUFS. Raises UserError where the tracks cannot even be looked at.
    """
    from premix import pipeline

    return pipeline.inspect(_recipe(recipe), Path(tracks), settings, recover=recover)


def null(a: AnyPath, b: AnyPath) -> "list[NulledPair]":
    """Null two audio files, or every part of two output folders: what is left of a - b, in dBFS. Raises UserError.

    >>> null("no_such.wav", "no_such.wav")
    Traceback (most recent call last):
    premix.errors.TracksError: no_such.wav: there is no such file; Put the file where the recipe expects it, ...
    """
    from premix.delivery.against import null as null_files

    return null_files(Path(a), Path(b))


def _recipe(recipe: RecipeLike) -> Path | Mapping[str, Any]:
    return recipe if isinstance(recipe, Mapping) else Path(recipe)
