"""The page of a comparison: all variants in one player, what each changes, and how its tone differs."""

from pathlib import Path
from typing import Any

from premix.audiofile.writer import storage_error
from premix.report.clips import make_listening
from premix.report.excerpt import FileExcerpt
from premix.report.facts import Figures, flat
from premix.report.figures.tone import band_levels_db, tone_picture
from premix.report.html_page import html_page
from premix.report.listening import Listening, Player, Source, Version, Voice
from premix.report.page import MOST_BYTES
from premix.report.saved_pictures import shown
from premix.report.window import Window
from premix.units import db_to_gain, s_to_samples

SECTIONS = (("listen", "Listen"), ("variants", "Variants"), ("tone", "Tone"))


def write_compare_page(
    document: dict[str, Any], folder: Path, path: Path, stretch_s: tuple[float, float], *, most_bytes: int = MOST_BYTES
) -> None:
    """Write the page of a comparison to `path`. Needs the extra `report`.

    document: its manifest; folder: where its files lie; stretch_s: what is heard, from and to, in seconds. Raises
    DeliveryError where the page cannot be written.
    """
    rate, start = document["rate"], round(s_to_samples(stretch_s[0], document["rate"]))
    window = Window(start, min(round(s_to_samples(stretch_s[1], rate)), document["variants"][0]["frames"]) - start)
    levels = [(v["variant"], band_levels_db(folder / v["path"], window, rate)) for v in document["variants"]]
    facts = {
        "m": document,
        "n": Figures(document).number,
        "sections": SECTIONS,
        "changes": [_spoken(variant["changes"]) for variant in document["variants"]],
        "tone": [shown(tone_picture(levels))],
    }
    silent = html_page("compare.html", Listening((), (), 0.0, 0.0), rate, **facts)
    size = sum(len(piece.encode()) for piece in silent)
    sources = [source for variant in document["variants"] for source in _sources(variant, folder)]
    player = Player("variants", "Guitar bus", tuple(_version(variant) for variant in document["variants"]))
    listening = make_listening(sources, [player], window, rate, most_bytes - size, folder)
    try:
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(html_page("compare.html", listening, rate, **facts))
    except OSError as error:
        raise storage_error(path, error) from None


def _sources(variant: dict[str, Any], folder: Path) -> list[Source]:
    path, peak_dbfs = folder / variant["path"], variant["sample_peak_dbfs"]
    peak = db_to_gain(peak_dbfs) if peak_dbfs is not None else 0.0

    def opener(channel: int) -> Any:
        return lambda start: FileExcerpt(path, channel, start)

    return [Source(f"{variant['variant']}_{side}", opener(channel), peak) for channel, side in enumerate("lr")]


def _version(variant: dict[str, Any]) -> Version:
    name = variant["variant"]
    return Version(name, (Voice(f"{name}_l", 1.0, 0.0), Voice(f"{name}_r", 0.0, 1.0)))


def _spoken(changes: dict[str, Any]) -> list[str]:
    """What a variant changes, a line for each thing that is said: 'mics, mute true: ribbon, room'."""
    said: dict[str, list[str]] = {}
    for table, entries in changes.items():
        if not isinstance(entries, dict):
            said[f"{table} {entries}"] = []
            continue
        for name, fields in entries.items():
            for line in flat(fields):
                said.setdefault(f"{table}, {' '.join(line)}", []).append(name)
    return [f"{what}: {', '.join(names)}" if names else what for what, names in said.items()]
