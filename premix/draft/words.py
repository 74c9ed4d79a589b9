"""The words of file names: sides, mics, words that say nothing, and words of tracks that are no mic of a guitar.

Keys are folded as tokens are: case and accents off. The words are common practice, no source.
"""

from typing import Literal

from premix.model.recipe import Role

Side = Literal["left", "right", "centre"]


def _table(rows: dict[str, str]) -> dict[str, str]:
    return {word: name for name, words in rows.items() for word in words.split()}


SIDES: dict[str, str] = _table({
    "left": "left lft lt lhs links gauche gch izquierda izquierdo izq sinistra sinistro sin sx esquerda esquerdo esq "
            "lewy lewa lewo vanster venstre vasen stanga sol balra levo leva levy лево левый левая лев 左",
    "right": "right rgt rght rt rhs rechts rechte droite drt drte derecha derecho dcha der destra destro dx direita "
             "direito dir prawy prawa prawo hoger hogra hojre hoyre oikea dreapta sag jobb pravo prava pravy право "
             "правый правая прав 右",
    "centre": "centre center central centro ctr cntr cen cent mid middle mitte mittig milieu medio meio mezzo midden "
              "mitten keski srodek kozep stred orta центр середина 中 中央",
})
"""Word -> side."""

LETTERS: tuple[dict[str, str], ...] = (
    {"l": "left", "r": "right", "c": "centre", "m": "centre"},
    {"g": "left", "d": "right", "c": "centre", "m": "centre"},
    {"i": "left", "d": "right", "c": "centre", "m": "centre"},
    {"s": "left", "d": "right", "c": "centre", "m": "centre"},
    {"e": "left", "d": "right", "c": "centre", "m": "centre"},
)
"""Letters that stand for sides; a set of letters counts where both its left and its right letter are found."""

MICS: dict[str, str] = _table({
    "dynamic": "dynamic dyn dynamics dynamisch dynamique dinamico dinamica dynamiczny dynamisk dynaaminen",
    "condenser": "condenser cond con cnd kond kondensator condensateur condensador condensatore statique capacitor ldc "
                 "sdc kondensaattori",
    "ribbon": "ribbon rib rbn rb bandchen baendchen bandchenmikro ruban cinta nastro fita band wstega nauha",
    "sub": "sub subs subkick lf woofer tieftoner caisson subgrave",
    "room": "room rm rooms raum ambience ambient ambiance ambiente amb sala salle piece stanza pokoj rum rom huone far "
            "fern loin lejos oh overhead overheads комната 部屋",
    "close": "close near nah proche cerca vicino",
})
"""Word -> name of the mic."""

ROLES: dict[str, Role] = {"sub": "sub", "room": "room"}
"""Mics whose name says their role; all others are close mics as far as names go."""

FILLER: frozenset[str] = frozenset(_table({
    "guitar": "gtr gtrs git gits guitar guitars guit gitarre gitarren guitare guitarra chitarra gitara gitarr kitara",
    "part": "rhythm rhythms rhy rtm lead riff song side part dist distorted heavy hi gain",
    "recording": "track tracks trk audio take takes tk prise toma raw rec recording dry edit edited comp final new old",
    "place": "mic mics mik micro mikro microphone mikrofon microfono amp cab cabinet box speaker spk ch channel input",
    "file": "wav flac file export bounce bip stem mono",
}))
"""Words that tell neither performance nor mic, unless files cannot be told apart without them."""

NO_MIC: dict[str, str] = _table({
    "a direct signal": "di direct direkt clean",
    "a mix or a guide": "mix mixdown premix rough master mastered click metronome guide scratch demo bounced",
    "another instrument": "bass drum drums kick snare tom toms hihat cymbal vox vocal vocals voice synth keys piano",
})
"""Word -> what such a track is; it is left out of the recipe, with a question."""
