"""The page on which a balance is set by ear: every aligned mic as a clip, and what they share as matrices.

The page plays sums of the clips and works out their figures itself; it writes the recipe's lines for what is set.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from premix.errors import DeliveryError, Problem
from premix.mixdown.plan import plan_mix
from premix.model.mix import MixPlan
from premix.model.settings import CENTRE_BUS
from premix.model.song import Mic, Song
from premix.recipe.balance_layer import LAYER_MARK
from premix.report.balance_matrix import MOST_GATED, matrix_of
from premix.report.html_page import Page, script_safe
from premix.report.listening import Listening, Player, Source, Version, Voice, clip_rate, make_listening
from premix.report.song_players import MixStream
from premix.report.window import SECONDS, Window, busiest_window, fullest_window
from premix.units import s_to_samples

MOST_BALANCE_BYTES = 30_000_000
"""Of the whole page."""
_SECTIONS = (("listen", "Listen"), ("set", "Balance"), ("seen", "What it makes of the sound"), ("lines", "The lines"))
_GENERATOR = b'<meta name="generator" content="premix">'
_HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class BalanceSignal:
    """A mic of one performance on the page. part: of the mix."""

    mic: Mic
    part: str

    @property
    def clip(self) -> str:
        return f"{self.mic.performance}_{self.mic.name}"


def check_page(path: Path) -> None:
    """Raise DeliveryError where `path` is something else than a page that premix made, or nothing."""
    if not path.exists() and not path.is_symlink():
        return
    head = b""
    with suppress(OSError):
        if path.is_file():
            with path.open("rb") as file:
                head = file.read(_HEAD_BYTES)
    if _GENERATOR not in head:
        allowed = "a new name, or a page that premix made"
        raise DeliveryError(Problem("save-exists", str(path), "something else is there", allowed))


def opened(song: Song) -> Song:
    """The song with everything on that the recipe mutes: on the page it may be turned on."""

    def summed(mic: Mic) -> Mic:
        if mic.is_di or mic.decision.refusal is not None:
            return mic
        return replace(mic, decision=replace(mic.decision, summed=True))

    song = song.with_mics(summed)
    performances = tuple(replace(performance, heard=True) for performance in song.performances)
    return replace(song, performances=performances, buses=tuple(replace(bus, mute=False) for bus in song.buses))


def bare_plan(song: Song) -> MixPlan:
    """The song's mix up to the mics: gains of 1, without the chains of performances and buses."""
    plan = plan_mix(opened(song))
    performances = tuple(
        replace(
            p,
            gain=1.0,
            chain=(),
            close=tuple(replace(path, gain=1.0) for path in p.close),
            rooms=tuple(replace(path, gain=1.0) for path in p.rooms),
        )
        for p in plan.performances
    )
    buses = tuple(replace(bus, gain=1.0, chain=()) for bus in plan.buses)
    guitar_bus = replace(plan.guitar_bus, gain=1.0, width=1.0, chain=(), limit=None)
    return replace(
        plan, performances=performances, buses=buses, guitar_bus=guitar_bus, room_in_stem=False, in_files=False
    )


def signals_of(song: Song, plan: MixPlan) -> tuple[BalanceSignal, ...]:
    """Every mic of the plan, in the order of the song."""
    found = []
    for performance in plan.performances:
        own = song.performance(performance.performance)
        for path in performance.mics:
            mic = own.mic(path.track.mic)
            assert mic is not None
            label = performance.room_label(mic.name)
            part = f"room_{label}" if mic.is_room else f"mic_{own.name}_{mic.name}"
            found.append(BalanceSignal(mic, part))
    return tuple(found)


def passages_of(song: Song, span_s: tuple[float, float] | None) -> tuple[tuple[str, Window], ...]:
    """What is heard: the stretch that is asked for, else the fullest and the one of most starts and stops."""
    if span_s is not None:
        start, end = (round(s_to_samples(at_s, song.rate)) for at_s in span_s)
        return (("As asked for", Window(start, min(end, song.frames) - start)),)
    fullest, busiest = fullest_window(song, SECONDS), busiest_window(song, SECONDS)
    apart = abs(fullest.start - busiest.start) > busiest.frames // 4
    return (("Fullest", fullest), ("Stop and go", busiest)) if apart else (("Stop and go", busiest),)


def write_balance_page(
    song: Song,
    plan: MixPlan,
    base: Mapping[str, Any],
    sheet: str,
    path: Path,
    *,
    span_s: tuple[float, float] | None = None,
    folder: Path | None = None,
    most_bytes: int = MOST_BALANCE_BYTES,
) -> None:
    """Write the page to `path`, whole or not at all. Needs the extra `report`.

    plan: the song's mix as the recipe has it. base: the recipe's own figures (`balance_base`). sheet: the alignment, to
    be saved from the page. span_s: what is heard, else two stretches are chosen. folder: for clips on the way.
    Raises DeliveryError where the page cannot be written.
    """
    check_page(path)
    bare = bare_plan(song)
    signals = signals_of(song, bare)
    passages = passages_of(song, span_s)
    data = _data(song, plan, base, signals, sheet)
    page = Page(
        "balance.html",
        None,
        song.rate,
        {"sections": _SECTIONS, "song": song.name},
        ("player.js", "page.js", "balance.js"),
        ("page.css", "balance.css"),
    )
    left = most_bytes - page.size(base=data | {"passages": []}, balance="") - 4 * len(sheet)
    heard = []
    for number, (title, window) in enumerate(passages):
        made, told = _passage(number, title, window, bare, signals, left // (len(passages) - number), folder)
        heard.append(made)
        data["passages"].append(told)
        left -= sum(len(clip.flac) for clip in made.clips) * 4 // 3
    clips = tuple(clip for made in heard for clip in made.clips)
    part = path.with_name(f".{path.name}.part")
    try:
        page.write(part, Listening((), clips, 0.0, 0.0), base=data, balance=_markup(data))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _markup(data: Any) -> Any:
    from markupsafe import Markup

    return Markup(script_safe(data))


def _passage(
    number: int,
    title: str,
    window: Window,
    plan: MixPlan,
    signals: Sequence[BalanceSignal],
    most_bytes: int,
    folder: Path | None,
) -> tuple[Listening, dict[str, Any]]:
    """One passage's clips, and what the page knows of it."""
    places = {f"p{number}_{signal.clip}": ((signal.part, 0),) for signal in signals}
    stream = partial(MixStream, plan, places)
    voices = tuple(Voice(clip, 1.0, 1.0) for clip in places)
    player = Player("all", title, (Version("all", voices),))
    matrix_bytes = (
        0 if len(signals) > MOST_GATED else 6 * (len(signals) + 1) ** 2 * (window.frames * 10 // plan.rate + 60) // 2
    )
    budget = max(1_000_000, most_bytes - min(matrix_bytes, most_bytes // 2))
    listening = make_listening([Source(tuple(places), stream)], [player], window, plan.rate, budget, folder)
    seconds = listening.end_s - listening.start_s
    heard = Window(window.start, round(s_to_samples(seconds, plan.rate)))
    scales = {clip.name: clip.scale for clip in listening.clips}
    told = {
        "title": title,
        "start": listening.start_s,
        "seconds": seconds,
        "clips": [{"name": clip, "scale": scales[clip]} for clip in places],
        **matrix_of(stream, len(signals), heard, plan.rate).packed(),
    }
    return listening, told


def _data(
    song: Song, plan: MixPlan, base: Mapping[str, Any], signals: Sequence[BalanceSignal], sheet: str
) -> dict[str, Any]:
    """What the page's script goes by; its passages are added."""
    names = list(dict.fromkeys(signal.mic.name for signal in signals))
    heard = {signal.mic.performance for signal in signals}
    muted = {name for name, mic in base["mics"].items() if mic["mute"]}
    buses = {bus.name: bus for bus in song.buses}
    sent = {signal.mic.bus for signal in signals}
    return {
        "mark": LAYER_MARK,
        "extends": base["extends"],
        "clip_rate": clip_rate(song.rate),
        "gain": plan.guitar_bus.gain,
        "width": plan.guitar_bus.width,
        "limited": plan.guitar_bus.limit is not None,
        "mics": {name: base["mics"][name] for name in names},
        "performances": {name: own for name, own in base["performances"].items() if name in heard},
        "buses": {
            name: {"left": buses[name].left, "right": buses[name].right, **base["buses"][name]} for name in sorted(sent)
        },
        "rooms": any(signal.mic.is_room for signal in signals),
        "centre": CENTRE_BUS if CENTRE_BUS in sent else "",
        "signals": [
            {
                "performance": signal.mic.performance,
                "mic": signal.mic.name,
                "bus": signal.mic.bus,
                "room": signal.mic.is_room,
                "gain": signal.mic.gain,
                "off": (signal.mic.mute and signal.mic.name not in muted)
                or (base["buses"][signal.mic.bus]["mute"] and signal.mic.bus != CENTRE_BUS),
                "clip": number,
            }
            for number, signal in enumerate(signals)
        ],
        "sheet": sheet,
        "notes": list(_notes(plan, len(signals))),
        "passages": [],
    }


def _notes(plan: MixPlan, signals: int) -> Sequence[str]:
    """What a listener must know of what is heard here and is not what a render makes."""
    notes = [
        "16-bit FLAC of each mic after its delay, polarity, filters and chain; everything after that is done here. "
        "Equal loudness is that of the recipe's own balance in the passage."
    ]
    if any(p.chain for p in plan.performances) or any(b.chain for b in plan.buses) or plan.guitar_bus.chain:
        notes.append("The chains of performances, buses and guitar bus are not heard here; a render has them.")
    if signals > MOST_GATED:
        notes.append("Of so many tracks the loudness is told without the gates of BS.1770.")
    return notes
