"""File names split into tokens: the words for sides and mics, words that say nothing, and what each token is.

A token's kind is side, mic, number, letter, word or filler. Words are folded as tokens are: case and accents off. The
words are common practice, no source.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from premix.model.settings import Role


def _table(rows: dict[str, str]) -> dict[str, str]:
    return {word: name for name, words in rows.items() for word in words.split()}


SIDES: dict[str, str] = _table(
    {
        "left": "left lft lt lhs links gauche gch izquierda izquierdo izq sinistra sinistro sin sx esquerda esquerdo "
        "esq lewy lewa lewo vanster venstre vasen stanga sol balra levo leva levy лево левый левая лев 左",
        "right": "right rgt rght rt rhs rechts rechte droite drt drte derecha derecho dcha der destra destro dx "
        "direita direito dir prawy prawa prawo hoger hogra hojre hoyre oikea dreapta sag jobb pravo prava pravy "
        "право правый правая прав 右",
        "centre": "centre center central centro ctr cntr cen cent mid middle mitte mittig milieu medio meio mezzo "
        "midden mitten keski srodek kozep stred orta центр середина 中 中央",
    }
)
"""Word -> side."""
SIDE_NAMES = tuple(dict.fromkeys(SIDES.values()))
"""left, right, centre"""

LETTERS: tuple[dict[str, str], ...] = tuple(
    {left: "left", right: "right", "c": "centre", "m": "centre"} for left, right in ("lr", "gd", "id", "sd", "ed")
)
"""Letters that stand for sides; a set of letters counts where both its left and its right letter are found."""

MICS: dict[str, str] = _table(
    {
        "dynamic": "dynamic dyn dynamics dynamisch dynamique dinamico dinamica dynamiczny dynamisk dynaaminen",
        "condenser": "condenser cond con cnd kond kondensator condensateur condensador condensatore statique "
        "capacitor ldc sdc kondensaattori",
        "ribbon": "ribbon rib rbn rb bandchen baendchen bandchenmikro ruban cinta nastro fita band wstega nauha",
        "sub": "sub subs lf woofer tieftoner caisson subgrave",
        "room": "room rm rooms raum ambience ambient ambiance ambiente amb sala salle piece stanza pokoj rum rom "
        "huone oh overhead overheads комната 部屋",
        "far": "far fern weit loin lejos lontano",
        "close": "close near nah proche cerca vicino",
        "di": "di direct direkt directa directe diretta dibox clean",
    }
)
"""Word -> name of the mic."""

FAR = "far"
"""A weak word: a room mic, or the farther of two close mics, as the audio says."""
ROLES: dict[str, Role] = {"di": "di", "room": "room", FAR: "room", "sub": "sub"}
"""Mics whose name says their role; all others are close mics as far as names go."""

AMPS: frozenset[str] = frozenset(("amp", "cab", "cabinet", "head", "top", "stack", "combo", "rig"))
"""Words beside the letter, number or name of one of several amps."""
TAKES: frozenset[str] = frozenset(
    ("take", "takes", "tk", "t", "prise", "toma", "ripresa", "tomada", "ujecie", "tagning", "otto", "opname", "дубль")
)
"""Words before the number of a take."""
FILLER: frozenset[str] = (TAKES - {"t"}) | frozenset(
    _table(
        {
            "guitar": "gtr gtrs git gits guitar guitars guit gitarre gitarren guitare guitarra chitarra gitara gitarr "
            "kitara",
            "part": "rhythm rhythms rhy rtm lead riff song side part dist distorted heavy hi gain",
            "recording": "track tracks trk audio raw rec recording dry edit edited comp final new old",
            "place": "mic mics mik micro mikro microphone mikrofon microfono amp cab cabinet box speaker spk ch "
            "channel input",
            "file": "wav flac file export bounce bip stem mono",
        }
    )
)
"""Words that tell neither performance nor mic, unless files cannot be told apart without them."""

NO_MIC: dict[str, str] = _table(
    {
        "a mix or a guide": "mix mixdown premix rough master mastered click metronome guide scratch demo bounced",
        "another instrument": "bass drum drums kick snare tom toms hihat cymbal vox vocal vocals voice synth keys "
        "piano",
    }
)
"""Word -> what such a track is; it is left out of the recipe, with a question."""


_KNOWN = {*SIDES, *MICS, *FILLER}
_RUN = re.compile(r"[^\W\d_]+|\d+")
_HUMP = re.compile(r"(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=[A-ZÀ-ÖØ-Þ])(?=[A-ZÀ-ÖØ-Þ][a-zß-öø-ÿ]{2})")
_SIDE_AND_LETTER = re.compile(r"([lrc])([a-d])")
_MOST_SIDED = 2


@dataclass(frozen=True, slots=True)
class Token:
    """A run of letters or digits of a name. text: folded; start, end: where it stands; kind; means: what it says."""

    text: str
    start: int
    end: int
    kind: str = "word"
    means: str = ""


@dataclass(frozen=True, slots=True)
class Named:
    """A file. name: its path below the folder as it is; text: that in NFC; length: of text without its extension."""

    name: str
    text: str
    length: int
    tokens: tuple[Token, ...]

    @property
    def is_di(self) -> bool:
        """Whether the name says that this is no mic, but the guitar itself."""
        return any(token.means == "di" for token in self.tokens)

    @property
    def side(self) -> str | None:
        """The side that the name tells."""
        return next((token.means for token in self.tokens if token.kind == "side"), None)


def plain(text: str) -> str:
    """Text as tokens are compared: case, accents and Unicode form off."""
    split = unicodedata.normalize("NFKD", text.casefold().replace("ø", "o").replace("ł", "l"))
    return "".join(char for char in split if not unicodedata.combining(char))


def readings(names: Sequence[str]) -> Iterator[tuple[Named, ...]]:
    """The ways to read a folder's names, the likeliest first: they differ in which single letter is the side."""
    files = _sides_with_letters(tuple(_split(name) for name in names))
    letters = _side_letters(files)
    everywhere = (
        set.intersection(*({token.text for token in file.tokens} for file in files)) if len(files) > 1 else set()
    )
    for which in (0, -1) if letters else (None,):
        yield tuple(_kinds(file, letters, which, everywhere) for file in files)


def not_a_mic(name: str) -> str | None:
    """What a track is whose name says that it is nothing of a guitar: 'a mix or a guide'; None for all others."""
    return next((NO_MIC[token.text] for token in _split(name).tokens if token.text in NO_MIC), None)


def _split(name: str) -> Named:
    text = unicodedata.normalize("NFC", name)
    stem, dot, _ = text.rpartition(".")
    length = len(stem) if dot else len(text)
    tokens: list[Token] = []
    for run in _RUN.finditer(text[:length]):
        cuts = [0, *(hump.start() for hump in _HUMP.finditer(run.group())), len(run.group())]
        for begin, end in pairwise(cuts):
            if end > begin:
                start, stop = run.start() + begin, run.start() + end
                tokens += _known_parts(Token(plain(text[start:stop]), start, stop))
    return Named(name, text, length, tuple(tokens))


def _known_parts(token: Token) -> list[Token]:
    """'gtrleft' as 'gtr' and 'left': a token that is two known words written together."""
    if token.text in _KNOWN or len(token.text) != token.end - token.start:
        return [token]
    for cut in range(len(token.text) - 1, 2, -1):
        first, second = token.text[:cut], token.text[cut:]
        is_letter = second in ("l", "r") and first in FILLER
        if is_letter or (len(second) > 2 and first in _KNOWN and second in _KNOWN):
            return _cut(token, cut)
    return [token]


def _cut(token: Token, at: int) -> list[Token]:
    middle = token.start + at
    return [Token(token.text[:at], token.start, middle), Token(token.text[at:], middle, token.end)]


def _sides_with_letters(files: Sequence[Named]) -> tuple[Named, ...]:
    """'la' and 'rb' as side and letter, where both sides are written like that."""
    fitting = {token.text for file in files for token in file.tokens if _SIDE_AND_LETTER.fullmatch(token.text)}
    if not {text[0] for text in fitting} >= {"l", "r"}:
        return tuple(files)
    return tuple(
        replace(file, tokens=tuple(part for t in file.tokens for part in (_cut(t, 1) if t.text in fitting else [t])))
        for file in files
    )


def _side_letters(files: Sequence[Named]) -> dict[str, str]:
    """The letters that stand for sides here; none where the names do not hold a left and a right one."""
    bare = [
        {token.text for token in file.tokens} for file in files if not any(token.text in SIDES for token in file.tokens)
    ]
    if not bare:
        return {}

    def sided(letters: dict[str, str]) -> int:
        return sum(any(text in letters for text in texts) for texts in bare)

    everything = set().union(*bare)
    fitting = [s for s in LETTERS if {s.get(text) for text in everything} >= {"left", "right"}]
    if not fitting and len(bare) < len(files):
        return {}
    fitting = fitting or [s for s in LETTERS[:1] if sided({k: v for k, v in s.items() if v != "centre"}) == len(bare)]
    return max(fitting, key=sided) if fitting else {}


def _kinds(file: Named, letters: dict[str, str], which: int | None, everywhere: set[str]) -> Named:
    """The file with the kind of each token; which: the first (0) or last (-1) letter of a side is the side.

    everywhere: what stands in all files; a word among it tells nothing.
    """
    side = next((index for index, token in enumerate(file.tokens) if token.text in SIDES), None)
    if side is None and which is not None:
        candidates = [index for index, token in enumerate(file.tokens) if token.text in letters]
        firm = [index for index in candidates if letters[file.tokens[index].text] != "centre"]
        candidates = firm if which == 0 and firm and len(firm) < _MOST_SIDED else candidates
        side = candidates[which] if candidates else None
    tokens = []
    for index, token in enumerate(file.tokens):
        kind, means = _kind(token.text)
        if index == side:
            kind, means = "side", SIDES.get(token.text) or letters[token.text]
        elif token.text in SIDES:
            kind, means = "word", token.text
        if kind == "word" and token.text in everywhere:
            kind = "filler"
        tokens.append(replace(token, kind=kind, means=means))
    return replace(file, tokens=tuple(tokens))


def _kind(text: str) -> tuple[str, str]:
    if text in MICS:
        return "mic", MICS[text]
    if text.isdigit():
        return "number", text.lstrip("0") or "0"
    if text in FILLER:
        return "filler", text
    return ("letter" if len(text) == 1 else "word"), text
