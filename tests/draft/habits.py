"""Habits of naming tracks: each turns a performance, a mic and a running number into a file's path.

The habits are invented, after how engineers in several languages label tracks; common practice, no source.
"""

import shutil
from collections.abc import Callable
from pathlib import Path

PERFORMANCES = ("left_a", "right_a", "centre")
MICS = ("dynamic", "condenser", "ribbon", "sub", "room")
Habit = Callable[[str, str, int], str]


def _said(pattern: str, performances: str, mics: str) -> Habit:
    """A habit from a pattern with {p}, {m} and {n}, and the words for each, divided by |."""
    p_words = dict(zip(PERFORMANCES, performances.split("|"), strict=True))
    m_words = dict(zip(MICS, mics.split("|"), strict=True))
    return lambda p, m, n: pattern.format(p=p_words[p], m=m_words[m], n=n)


def _word(of: str, words: str) -> str:
    """The word for a performance or a mic."""
    return words.split("|")[(PERFORMANCES if of in PERFORMANCES else MICS).index(of)]


HABITS: dict[str, Habit] = {
    "as the demo": lambda p, m, n: f"{p}_{m}.wav",
    "words, shared prefix": _said("GTR {p} {m}.wav", "L|R|C", "dyn in|dyn out|rib|sub|room"),
    "side and number": _said("{p}_{m}.wav", "left-1|right-1|centre-1", "dyn|cond|rib|sub|room"),
    "prefix and capitals": _said("Gtr_{p}_{m}.wav", "L1|R2|C3", "Dyn|Cond|Rib|Sub|Room"),
    "running number first": _said("{n:02d} Rhythm {p} {m}.wav", "Left|Right|Center", "Dyn|Cond|Ribbon|Sub|Room"),
    "running number last": _said("{p} {m}_{n:03d}.wav", "Left|Right|Mid", "Dyn|Cond|Ribbon|Sub|Room"),
    "numbered takes": _said("{p} {m}.wav", "Take 1|Take 2|Take 3", "dyn|cond|ribbon|sub|room"),
    "takes beside sides": _said("{m}.{p}.wav", "L.take04|R.take07|C.take11", "dyn|cond|ribbon|sub|room"),
    "mic before side": _said("{m}-{p}.wav", "L|R|C", "Dynamic|Condenser|Ribbon|Sub|Room"),
    "German": _said("Gitarre {p} {m}.wav", "links|rechts|mitte", "Dyn|Kondensator|Bändchen|Tieftöner|Raum"),
    "French": _said("{m} guitare {p}.wav", "gauche|droite|centre", "dynamique|statique|ruban|sub|ambiance"),
    "Spanish": _said("{p}_{m}.wav", "izq|der|cen", "dinámico|condensador|cinta|sub|sala"),
    "Italian": _said("chitarra {p} {m}.wav", "sx|dx|centro", "dinamico|condensatore|nastro|sub|stanza"),
    "Portuguese": _said("{p} {m}.wav", "esquerda|direita|meio", "dinamico|condensador|fita|sub|sala"),
    "Polish": _said("gitara {p} {m}.wav", "lewa|prawa|środek", "dyn|kond|wstęga|sub|pokój"),
    "Swedish": _said("{p}-{m}.wav", "vänster|höger|mitten", "dynamisk|kond|band|sub|rum"),
    "Russian": _said("{p} {m}.wav", "левая|правая|центр", "mic1|mic2|mic3|sub|комната"),
    "French letters": _said("{p}_{m}.wav", "G|D|C", "dyn|cond|ruban|sub|amb"),
    "camel case": _said("Gtr{p}{m}.wav", "Left|Right|Centre", "Dyn|Cond|Ribbon|Sub|Room"),
    "numbers for mics": _said("{p} {m}.wav", "L|R|C", "1|2|3|sub|room"),
    "inputs for mics": _said("{p} {m}.wav", "L1|R2|C3", "21|22|23|sub|room"),
    "letters for both": _said("{p}_{m}.wav", "L|R|C", "D|K|B|S|A"),
    "mics without words": _said("{p} mic {m}.wav", "L|R|C", "1|2|3|4|5"),
    "long prefix, suffix": _said(
        "Tidewater 148bpm - {p} - {m} (raw) [v2].wav", "Left|Right|Middle", "Dyn|Cond|Rib|Sub|Room"
    ),
    "a folder a side": _said("{p}/{m}.wav", "Left|Right|Centre", "dyn|cond|rib|sub|room"),
    "a folder a mic": _said("{m}/take_{p}.wav", "L|R|C", "dyn|cond|rib|sub|room"),
    "capitals only": _said("{p}{m}.WAV", "LEFT_|RIGHT_|CENTRE_", "DYN|COND|RIB|SUB|ROOM"),
    "decomposed accents": _said("{p} {m}.wav", "va\u0308nster|ho\u0308ger|mitten", "dyn|kond|ba\u0308ndchen|sub|rum"),
    "braces and brackets": _said("[{p}] {{{m}}}.wav", "L|R|C", "dyn|cond|rib|sub|room"),
    "letters of the sides joined": _said("{p} {m}.wav", "LA|RA|CA", "dyn|cond|rib|sub|room"),
    "numbers alone": lambda p, m, n: f"Audio {n}.wav",
    "numbers, mic after mic": lambda p, m, n: f"{1 + MICS.index(m) * 3 + PERFORMANCES.index(p):02d}.wav",
    "sides without mics": lambda p, m, n: f"{p.split('_')[0]} {n}.wav",
}
FROM_NOTHING: dict[str, Habit] = {
    "words of no table, two on one side": _said("{p}_{m}.wav", "left|left2|right", "dark|near|edge|low|hall"),
    "German in capitals, unlike separators": lambda p, m, n: (
        f"GIT{' _-'[n % 3]}{_word(p, 'LINKS|RECHTS|MITTE')}{'-_ '[n % 3]}{_word(m, 'NAH|KOND|BÄND|TIEF|RAUM')}.WAV"
    ),
    "Finnish, takes at the end": lambda p, m, n: (
        f"kitara {_word(p, 'vasen|oikea|keski')} {_word(m, 'dyn|kond|nauha|basso|huone')} otto{1 + n % 4}.wav"
    ),
    "Polish, the mic first": _said(
        "{m} - {p}.wav", "lewa gitara|prawa gitara|środek gitara", "dyn|poj|wstęga|dół|pokój"
    ),
    "Russian": _said("гитара {p} {m}.wav", "левая|правая|центр", "динамик|конденсатор|лента|низ|комната"),
    "Japanese": _said("{p}_{m}.wav", "左|右|中央", "マイク1|マイク2|マイク3|低音|部屋"),
    "humps, numbers in front": _said("{n:02d}RhyGtr{p}{m}Mic.wav", "Left|Right|Mid", "Dyn|Cond|Ribbon|Sub|Room"),
    "date, side, input and take": lambda p, m, n: (
        f"2031-04-{n % 3 + 2:02d} {_word(p, 'L|R|C')} in{_word(m, '21|22|23|24|25')} T{1 + n % 3}.wav"
    ),
    "song and tempo in front": _said("Undertow_142_{p}_{m}.wav", "r1|l1|c1", "Dn|Kn|Rb|Sb|Far"),
    "French letters, a folder a take": _said(
        "{p}/{m}.wav", "Prise 3 G|Prise 5 D|Prise 8 C", "dyn|stat|ruban|grave|sal"
    ),
    "Spanish, the side in the middle": _said("GTR.{m}.{p}.edit.wav", "izq|der|ctr", "din|con|cin|gra|lejos"),
    "letters and numbers alone": _said("{p}{m}.wav", "A|B|C", "1|2|3|4|5"),
}
"""Twelve that no table of words was made for."""
WITHOUT_SIDES = ("numbered takes", "numbers alone", "numbers, mic after mic")


def rename(tracks: Path, folder: Path, habit: Habit) -> dict[str, tuple[str, str]]:
    """The demo's tracks under other names; file -> (performance, mic) as they are in truth."""
    truth: dict[str, tuple[str, str]] = {}
    for number, (performance, mic) in enumerate(((p, m) for p in PERFORMANCES for m in MICS), 1):
        name = habit(performance, mic, number)
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(tracks / f"{performance}_{mic}.wav", folder / name)
        truth[name] = (performance, mic)
    return truth
