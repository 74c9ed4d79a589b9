"""Values: each wrong one is told at its place, with what is allowed and the nearest word, in the recipe's words."""

import re
from pathlib import Path

import pytest

from premix.model.settings import DelayByHand
from premix.recipe.record import PAN_LAWS_DB

from .recipe_files import BASE, read, said

HEAD = "format: 1\nmics:\n  dynamic: {}\n"
TAIL = "performances: {left: {bus: left}}\n"
ONE_LINE = {
    "gate: {hold_ms: -3}": "4:17 gate.hold_ms: -3 is out of range; allowed: a number from 0 to 10000 ms",
    "gate: {threshold_db: 3}": "4:22 gate.threshold_db: 3 is out of range; allowed: auto, or a number from -120 to",
    "gate: {threshold_db: atuo}": "4:22 gate.threshold_db: 'atuo' cannot stand here; allowed: auto, or a number "
    "from -120 to 0 dB; did you mean 'auto'?",
    "gate: {hold_ms: 40 ms}": "4:17 gate.hold_ms: '40 ms' cannot stand here; allowed: a number from 0 to 10000 ms; "
    "write the number alone: 40",
    "gate: {hold_ms: '0,5'}": "4:17 gate.hold_ms: '0,5' cannot stand here; allowed: a number from 0 to 10000 ms; "
    "write the number alone: 0.5",
    "gate: {hold_ms: true}": "4:17 gate.hold_ms: true cannot stand here; allowed: a number from 0 to 10000 ms",
    "gate: {invert: yes}": "4:16 gate.invert: 'yes' cannot stand here; allowed: true or false; write true",
    "gate: {mode: floow}": "4:14 gate.mode: 'floow' cannot stand here; allowed: gate, follow or off; "
    "did you mean 'follow'?",
    "gate: {band_hz: [1, 2, 3]}": "4:17 gate.band_hz: 3 entries are too many; allowed: a list of 2, each a number "
    "above 0, at most 192000 Hz",
    "gate: {band_hz: [80, x]}": "4:22 gate.band_hz[1]: 'x' cannot stand here; allowed: a number above 0,",
    "gate: {hodl_ms: 3}": "4:8 gate.hodl_ms: unknown key 'hodl_ms'; allowed: mode, key, threshold_db,",
    "gate: {reference: a}": "4:8 gate.reference: unknown key 'reference'; allowed: mode",
    "gate: 3": "4:7 gate: 3 cannot stand here; allowed: a mapping with mode, key,",
    "song: 1999": "4:7 song: 1999 cannot stand here; allowed: text of 1 to 100 characters; write it in quotes: '1999'",
    "format: 2": "4:1 format: 'format' stands twice, first in line 1",
    "guitar_bus: {pan_law_db: -2}": "4:26 guitar_bus.pan_law_db: -2 cannot stand here; allowed: 0, -3, -4.5 or -6",
    "guitar_bus: {pan_law_db: false}": "4:26 guitar_bus.pan_law_db: false cannot stand here; allowed: 0, -3,",
    "deliver: {bits: 20}": "4:17 deliver.bits: 20 cannot stand here; allowed: 16, 24 or 32",
    "deliver: {rate: 22050}": "4:17 deliver.rate: 22050 cannot stand here; allowed: keep, 44100, 48000,",
    "deliver: {files: []}": "4:18 deliver.files: 0 entries are too few; allowed: a list (1 or more) of: stems, rooms,",
    "deliver: {files: [stems, rom]}": "4:26 deliver.files[1]: 'rom' cannot stand here; allowed: stems, rooms,",
    "deliver: {files: stems}": "4:18 deliver.files: 'stems' cannot stand here; allowed: a list (1 or more) of: stems",
    "limits: {refused_mics: 1.5}": "4:24 limits.refused_mics: 1.5 cannot stand here; allowed: a whole number from 0 to",
    "buses: {a b: {pan: 1}}": "4:9 buses.a b: 'a b' cannot be a name; allowed: letters, digits, _ and -",
    "buses: {left: 3}": "4:15 buses.left: 3 cannot stand here; allowed: a mapping with pan, gain_db, mute and chain",
    "buses: []": "4:8 buses: a list cannot stand here; allowed: a mapping of names, 1 to 64 of them",
    "xyzzy: 1": "4:1 xyzzy: unknown key 'xyzzy'; allowed: format, extends, song, tracks, mics, performances,",
    "perfomances: {}": "4:1 perfomances: unknown key 'perfomances'; allowed: format,",
}  # fmt: skip


@pytest.mark.parametrize("line", ONE_LINE)
def test_a_wrong_value_is_told_with_its_place_and_what_is_allowed(tmp_path: Path, line: str) -> None:
    """One line for one wrong value, whatever alternatives its key has."""
    lines = said(tmp_path, HEAD.replace("\n  dynamic: {}", " {dynamic: {}}\n#") + line + "\n" + TAIL)
    assert lines[0].startswith("recipe.yaml:" + ONE_LINE[line])
    assert len(lines) == 1


DELAYS = {
    "{mss: 1}": "unknown key 'mss'; allowed: ms, samples, cm; did you mean 'ms'?",
    "atuo": "'atuo' cannot stand here; allowed: auto or none, or a mapping with exactly one of ms, samples or cm; "
    "did you mean 'auto'?",
    "{ms: 1, cm: 3}": "a delay by hand has 2 units here; allowed: exactly one of ms, samples and cm, as in {ms: 0.35}",
    "{}": "a delay by hand has 0 units here; allowed: exactly one of ms, samples and cm",
    "{ms: 5000}": "5000 is out of range; allowed: a number from -2000 to 2000 ms",
    "{samples: a}": "'a' cannot stand here; allowed: a number from -400000 to 400000 samples",
    "3": "3 cannot stand here; allowed: auto or none, or a mapping with exactly one of ms, samples or cm",
    "[1]": "a list cannot stand here; allowed: auto or none, or a mapping with exactly one of ms, samples or cm",
}


@pytest.mark.parametrize("where", ["mic", "exception", "variant"])
@pytest.mark.parametrize("delay", DELAYS)
def test_a_wrong_delay_is_one_message(tmp_path: Path, delay: str, where: str) -> None:
    """The alternatives of a delay never show as several messages, wherever a delay may stand."""
    text = {
        "mic": f"format: 1\nmics: {{dynamic: {{delay: {delay}}}}}\n{TAIL}",
        "exception": HEAD + f"performances: {{left: {{bus: left, mics: {{dynamic: {{delay: {delay}}}}}}}}}\n",
        "variant": BASE + f"variants: {{v: {{mics: {{dynamic: {{delay: {delay}}}}}}}}}\n",
    }[where]
    lines = said(tmp_path, text)
    assert len(lines) == 1
    assert DELAYS[delay] in lines[0]


@pytest.mark.parametrize(("text", "unit"), [("{ms: 0.35}", "ms"), ("{samples: -2}", "samples"), ("{cm: 12}", "cm")])
def test_a_delay_by_hand_is_read(tmp_path: Path, text: str, unit: str) -> None:
    """Each unit is a form of its own; nothing is converted while reading."""
    delay = read(tmp_path, f"format: 1\nmics: {{d: {{delay: {text}}}}}\n{TAIL}").recipe.mics["d"].delay
    assert isinstance(delay, DelayByHand)
    assert [name for name in ("ms", "samples", "cm") if getattr(delay, name) is not None] == [unit]


@pytest.mark.parametrize("law", PAN_LAWS_DB)
def test_every_pan_law_is_read(tmp_path: Path, law: float) -> None:
    """As a whole number or with a point."""
    for text in (f"{law:g}", str(law)):
        assert read(tmp_path, BASE + f"guitar_bus: {{pan_law_db: {text}}}\n").recipe.guitar_bus.pan_law_db == law


def test_a_missing_key_is_told_at_its_section(tmp_path: Path) -> None:
    """Nothing stands where the key should be, so the section's own key is the place."""
    lines = said(tmp_path, HEAD + "performances:\n  left: {gain_db: 3}\n")
    assert lines == [
        "recipe.yaml:5:3 performances.left.bus: 'bus' is missing; allowed: a name of letters, digits, _ and - "
        "(at most 64, a letter or digit first) [recipe-missing-key]"
    ]
    assert [line.split(";")[0] for line in said(tmp_path, "song: x\n")] == [
        "recipe.yaml:1:1 format: 'format' is missing",
        "recipe.yaml:1:1 mics: 'mics' is missing",
        "recipe.yaml:1:1 performances: 'performances' is missing",
    ]


def test_a_key_that_stands_in_the_wrong_section_is_sent_home(tmp_path: Path) -> None:
    """Where a key belongs is said when it belongs in one place only."""
    assert "it belongs under 'alignment:'" in said(tmp_path, BASE + "pool: true\n")[0]
    assert "'deliver:' belongs at the left margin" in said(tmp_path, BASE + "gate: {deliver: {}}\n")[0]
    assert "belongs" not in said(tmp_path, BASE + "gain_db: 3\n")[0]


def test_everything_wrong_is_told_at_once_in_file_order(tmp_path: Path) -> None:
    """YAML faults, wrong values and faults between values come in one list, by line and column."""
    text = """format: 1
song: 12
mics:
  dynamic: {gian_db: 0, gain_db: -500}
  ribbon: {polarity: invreted, mute: yes}
  dynamic: {}
performances:
  left: {bus: lfet}
  right: {bus: right, mics: {ribon: {mute: true}}}
gate: {hold_ms: .nan, threshold_db: 3}
alignment: {reference: dynamc, refused: maybe}
deliver: {bits: 32, format: flac, name: x}
"""
    lines = said(tmp_path, text)
    places = [tuple(map(int, re.match(r"recipe\.yaml:(\d+):(\d+) ", line).groups())) for line in lines]  # type: ignore[union-attr]
    assert places == sorted(places)
    assert [line for line, _ in places] == [2, 4, 4, 5, 5, 6, 8, 9, 10, 10, 11, 11, 12, 12]


@pytest.mark.parametrize("line", ["song:", "gate: {hold_ms: .inf, attack_ms: 1}", "deliver: {bits: !x 20}"])
def test_one_value_is_told_once(tmp_path: Path, line: str) -> None:
    """What follows from a fault that is told (its stand-in does not fit either) is not told as well."""
    assert len(said(tmp_path, BASE.replace("{left: {bus: left}}", "{left: {bus: left, gain_db: }}") + line)) == 2


@pytest.mark.parametrize("name", ["dict", "tuple", "float", "str", "int", "model", "Section", "DelayByHand", "Input"])
def test_no_message_speaks_of_types_of_a_library(tmp_path: Path, name: str) -> None:
    """A list, a mapping, a text and a number at every key: no word of the program's inside shows."""
    values = ("[1]", "{a: 1}", "word", "3.5", "true")
    keys = ("song", "tracks", "gate", "buses", "deliver", "limits", "variants", "alignment", "guitar_bus", "groups")
    for value in values:
        text = BASE + "".join(f"{key}: {value}\n" for key in keys)
        assert not [line for line in said(tmp_path, text) if re.search(rf"\b{name}\b", line)]


def test_many_problems_are_cut_short(tmp_path: Path) -> None:
    """Ten thousand wrong mics do not make ten thousand lines."""
    mics = "".join(f"  m{n}: {{gian_db: 0}}\n" for n in range(10_000))
    lines = said(tmp_path, f"format: 1\nmics:\n{mics}{TAIL}")
    assert len(lines) == 51
    assert lines[-1] == "recipe.yaml: there are more problems than these; mend these first [recipe-more-problems]"


def test_too_many_mics_are_one_problem(tmp_path: Path) -> None:
    """Ten thousand mics with nothing else wrong."""
    mics = "".join(f"  m{n}: {{}}\n" for n in range(10_000))
    lines = said(tmp_path, f"format: 1\nmics:\n{mics}{TAIL}")
    assert len(lines) == 1
    assert lines[0].startswith("recipe.yaml:3:3 mics: 10000 entries are too many; allowed: a mapping of names, 1 to 64")


def test_what_the_user_wrote_is_cut_and_made_harmless(tmp_path: Path) -> None:
    """A message repeats at most a piece of a long text, and no line breaks or escape sequences."""
    (line,) = said(tmp_path, BASE + "gate: {mode: '" + "x" * 5000 + "'}\n")
    assert len(line) < 300
    (line,) = said(tmp_path, BASE + 'gate: {mode: "a\\n\\e[31m"}\n')
    assert "\n" not in line and "\x1b" not in line
