"""The way of `premix balance`: along the line of a run up to its decisions, then to a page, or against a rough mix."""

from collections.abc import Sequence
from pathlib import Path

from premix.alignment.sheet import sheet_text
from premix.audio.rough_mix import MixSamples, read_mix
from premix.balance.found import balance_of
from premix.delivery.file_names import document_name
from premix.delivery.scratch import scratch_folder
from premix.delivery.whole import check_ours, write_text_file
from premix.errors import Problem, RecipeError
from premix.gate.rooms import decide_gates
from premix.model.balance import FoundBalance
from premix.model.song import Song
from premix.pipeline import Progress, planned_mix, prepare, stop_if_refused
from premix.recipe.balance_layer import LAYER_MARK, balance_base, extends_from, found_lines, layer_text
from premix.recipe.record import MergedRecipe
from premix.report.balance_page import check_page, opened, write_balance_page


def balance_like(
    recipe: Path,
    folder: Path,
    like: Path,
    *,
    settings: Sequence[str] = (),
    threads: int = 1,
    sheet: Path | None = None,
    allow_plug_ins: bool = False,
    save: Path | None = None,
    progress: Progress | None = None,
) -> tuple[Song, FoundBalance, str]:
    """The balance of a rough mix (the file `like`) of these tracks: the song, what was found, and the recipe's layer.

    save: where the layer is written, too. Raises UserError where `like` is no mix of them.
    """
    progress = progress or Progress()
    with scratch_folder() as scratch:
        mixes: list[MixSamples] = []

        def loaded(merged: MergedRecipe, song: Song) -> None:
            if save is not None:
                check_ours([save], LAYER_MARK)
            mixes.append(read_mix(like, song.rate, scratch))

        with prepare(
            recipe,
            folder,
            settings=settings,
            threads=threads,
            sheet=sheet,
            allow_plug_ins=allow_plug_ins,
            progress=progress,
            loaded=loaded,
        ) as prepared:
            song = prepared.song
            found = balance_of(song, mixes[0], str(like), prepared.merged.recipe.guitar_bus.pan_law_db, progress)
            words = f"{found.explained:.2f} of {like.name} explained by the tracks as {found.tracks}"
            extends = extends_from(recipe, save) if save is not None else str(recipe)
            text = layer_text(found_lines(prepared.merged, found), extends, words)
            if save is not None:
                write_text_file(save, text, LAYER_MARK)
            return song.tell(*found.findings), found, text


def balance_page(
    recipe: Path,
    folder: Path,
    out: Path,
    *,
    span_s: tuple[float, float] | None = None,
    settings: Sequence[str] = (),
    threads: int = 1,
    sheet: Path | None = None,
    allow_plug_ins: bool = False,
    progress: Progress | None = None,
) -> tuple[Song, Path]:
    """Write the page on which the song's balance is set by ear; gives the song and where the page is.

    out: the page, or a folder that is there. span_s: the stretch that is heard, from and to; else two are chosen.
    Raises UserError with what the user has to mend.
    """
    progress = progress or Progress()
    places: list[Path] = []

    def loaded(merged: MergedRecipe, song: Song) -> None:
        places.append(out / document_name(song.name, "balance", "html") if out.is_dir() else out)
        check_page(places[0])
        if span_s is not None and not 0.0 <= span_s[0] < span_s[1] <= song.frames / song.rate:
            what = f"{span_s[0]:g} to {span_s[1]:g} s is no stretch of this song of {song.frames / song.rate:.2f} s"
            raise RecipeError(Problem("balance-span", "--from, --to", what))

    with prepare(
        recipe,
        folder,
        settings=settings,
        threads=threads,
        sheet=sheet,
        allow_plug_ins=allow_plug_ins,
        progress=progress,
        loaded=loaded,
    ) as prepared:
        stop_if_refused(prepared.song)
        song = decide_gates(prepared.song)
        plan, told = planned_mix(song, None, progress)
        base = balance_base(prepared.merged.recipe, recipe.name)
        with scratch_folder() as scratch:
            write_balance_page(song, plan, base, sheet_text(opened(song)), places[0], span_s=span_s, folder=scratch)
        return song.tell(*told), places[0]
