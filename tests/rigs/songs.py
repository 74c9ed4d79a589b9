"""Songs as trees, made without files: a recipe as plain data, and what the stages would have put beside its mics."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from premix.alignment.decide import align
from premix.analysis.scan import partners_of
from premix.analysis.spectra import SpectraCollector, levels_db, median_level_db
from premix.arrays import FloatArray
from premix.errors import Finding
from premix.model.alignment import MicDecision
from premix.model.song import Mic, RecipeEntry, Song
from premix.model.tracks import AudioHeader, KeyEnvelopes, Spectra, Track, TrackLevels
from premix.recipe.read import with_standing_buses
from premix.recipe.record import MergedRecipe, Recipe
from premix.recipe.resolve import song_of
from tests.rigs.cabinets import Rig

Settings = Mapping[str, Any]
SET_UP: Settings = {"dynamic": {}, "room": {"role": "room"}}
"""A close mic and a room mic."""


def recipe_of(mics: Settings = SET_UP, performances: Sequence[str] | Settings = ("left",), **sections: Any) -> Settings:
    """A recipe as plain data. performances: their sections, or names that all go to the left bus."""
    if not isinstance(performances, Mapping):
        performances = {name: {"bus": "left"} for name in performances}
    return {"format": 1, "mics": mics, "performances": performances, **sections}


def merged_of(recipe: Settings) -> MergedRecipe:
    """The recipe as if it had been read from one file."""
    return MergedRecipe(recipe=Recipe.model_validate(with_standing_buses(recipe)), text=RecipeEntry({}, {}, ""))


def song_from(recipe: Settings) -> Song:
    """The tree of a recipe, no file looked for."""
    return song_of(merged_of(recipe))


def with_tracks(song: Song, rate: int, frames: int, folder: Path = Path()) -> Song:
    """The song with a 24-bit mono file named beside every mic, which need not be there."""

    def recorded(mic: Mic) -> Mic:
        path = folder / f"{mic.performance}_{mic.name}.wav"
        return replace(
            mic, track=Track(mic.performance, mic.name, AudioHeader(path, "WAV", "PCM_24", rate, 1, frames, 24))
        )

    return replace(song.with_mics(recorded), rate=rate, frames=frames, folder=folder)


def with_signals(song: Song, takes: Mapping[str, FloatArray], rate: int, *, all_pairs: bool = False) -> Song:
    """The song with the levels and spectra of `takes`: performance -> signals (M, n), rows as the recipe's mics.

    all_pairs: of many mics too.
    """
    performances = []
    for performance in song.performances:
        rows = dict(zip((mic.name for mic in performance.mics), takes[performance.name], strict=True))
        judged = [mic.name for mic in performance.judged]
        signals = np.stack([rows[mic] for mic in judged])
        partners = None if all_pairs else partners_of(performance, song.reference)
        spectra = spectra_of(signals, rate, judged, len(performance.close), partners)
        mics = tuple(replace(mic, levels=levels_of(rows[mic.name], mic)) for mic in performance.mics)
        performances.append(replace(performance, mics=mics, spectra=replace(spectra, performance=performance.name)))
    frames = max(signals.shape[1] for signals in takes.values())
    return replace(song, performances=tuple(performances), rate=rate, frames=frames)


def with_windows(song: Song, takes: Mapping[str, FloatArray], folder: Path) -> Song:
    """The song of `with_signals` whose performances were also collected window by window, in files of the folder."""
    performances = []
    for performance in song.performances:
        rows = dict(zip((mic.name for mic in performance.mics), takes[performance.name], strict=True))
        signals = np.stack([rows[mic.name] for mic in performance.judged])
        path = folder / f"{performance.name}.windows"
        collector = collected(signals, song.rate, len(performance.close), path)
        assert collector.windows is not None
        collector.windows.flush(last=True)
        names = [mic.name for mic in performance.judged]
        windows = collector.windows.record(performance.name, names, 0.0, collector.riff_db)
        performances.append(replace(performance, windows=windows))
    return replace(song, performances=tuple(performances))


def levels_of(signal: FloatArray, mic: Mic) -> TrackLevels:
    """Levels of a signal (n) without any damage."""
    peak, rms = float(np.abs(signal).max()), float(np.sqrt(np.mean(signal**2)))
    return TrackLevels(mic.performance, mic.name, len(signal), peak, rms, float(signal.mean()), 0, (), (), "")


def collected(
    signals: FloatArray, rate: int, close: int, path: Path | None = None, partners: Sequence[int] | None = None
) -> SpectraCollector:
    """A collector that took all frames of `signals` (M, n); path: where it keeps them by window."""
    collector = SpectraCollector(rate, len(signals), partners, path=path)
    frame, hop = collector.frame, collector.hop
    for start in range(0, signals.shape[1] - frame + 1, hop):
        part = signals[:, start : start + frame]
        collector.take(part, median_level_db(levels_db((part[:close] ** 2).mean(axis=1))))
    return collector


def spectra_of(
    signals: FloatArray, rate: int, mics: Sequence[str], close: int, partners: Sequence[int] | None = None
) -> Spectra:
    """Spectra of `signals` (M, n); the level of a frame is judged on the first `close` mics."""
    collector = collected(signals, rate, close, partners=partners)
    frame, hop, found = collector.frame, collector.hop, collector.result()
    soft_sums, softest, n_softest = collector.softest()
    return Spectra(
        "left",
        tuple(mics),
        collector.freqs_hz,
        found.active,
        found.n_active,
        found.quiet,
        found.n_quiet,
        frame,
        hop,
        (0,) * len(signals),
        collector.partners,
        found.active_powers,
        found.quiet_powers,
        softest,
        n_softest,
        soft_sums,
    )


def keys_of(performance: str, powers: FloatArray, mics: Sequence[str], folder: Path, rate: int = 48000) -> KeyEnvelopes:
    """Key envelopes of mean squares (mics, frames), one a millisecond, in a file of the folder."""
    path = folder / f"{performance}.key"
    np.ascontiguousarray(powers.T).astype(np.float32).tofile(path)
    return KeyEnvelopes(performance, tuple(mics), rate, round(rate / 1000), powers.shape[1], path)


def with_keys(song: Song, keys: Mapping[str, KeyEnvelopes]) -> Song:
    """The song with the key envelopes of its performances, by name."""
    return replace(song, performances=tuple(replace(p, envelopes=keys[p.name]) for p in song.performances))


def with_decisions(song: Song, changes: Mapping[str, Settings] | None = None) -> Song:
    """The song with a decision beside every mic: as recorded, in the sum unless muted, heard at once.

    changes: fields of the decision, by mic name or label ('left/room').
    """

    def decided(mic: Mic) -> Mic:
        plain = MicDecision(
            mic.performance, mic.name, mic.role, song.reference, 0.0, 1, "auto", not mic.mute, arrival_samples=0.0
        )
        own = {**(changes or {}).get(mic.name, {}), **(changes or {}).get(mic.label, {})}
        return replace(mic, decision=replace(plain, **own))

    return song.with_mics(decided)


def rig_song(
    takes: Mapping[str, Rig],
    mics: Settings | None = None,
    sections: Settings | None = None,
    *,
    all_pairs: bool = False,
    **alignment: Any,
) -> Song:
    """The song of simulated cabinets of one set-up, a performance each, up to the analysis.

    mics: changes to the recipe's mics, which stand at 0 dB. sections: others of the recipe. alignment: changes to
    that section, in which refused mics are muted, not fatal. all_pairs: compare each of many mics with every other.
    """
    rig = next(iter(takes.values()))
    own = {m.name: {"role": m.role, **(mics or {}).get(m.name, {})} for m in rig.mics}
    recipe = recipe_of(own, tuple(takes), alignment={"refused": "mute", **alignment})
    signals = {p: take.signals for p, take in takes.items()}
    return with_signals(song_from({**recipe, **(sections or {})}), signals, rig.rate, all_pairs=all_pairs)


def decide_rig(rig: Rig, mics: Settings | None = None, sections: Settings | None = None, **alignment: Any) -> Song:
    """One simulated cabinet, aligned; settings as in `rig_song`."""
    return align(rig_song({"left_a": rig}, mics, sections, **alignment))


def decisions_of(song: Song) -> tuple[MicDecision, ...]:
    """Of all mics, in every performance its close mics before its rooms."""
    return tuple(mic.decision for mic in song.judged)


def told(song: Song, slug: str) -> list[Finding]:
    """The song's findings of one slug."""
    return [finding for finding in song.findings if finding.slug == slug]
