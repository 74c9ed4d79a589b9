"""Messages of the recipe room: every slug that is listed can be provoked, and none is given that is not listed."""

import re
from pathlib import Path

import pytest

import premix.recipe
from premix.errors import RecipeError
from premix.messages import STAGES
from premix.recipe.read import read_recipe

from .recipe_files import BASE, write

TRIGGERS: dict[str, str | bytes] = {
    "recipe-no-file": "format: 1\nextends: no.yaml\n",
    "recipe-not-a-file": "format: 1\nextends: .\n",
    "recipe-unreadable": f"format: 1\nextends: {'a' * 300}\n",
    "recipe-too-large": BASE + "#" * 1_000_000,
    "recipe-not-utf8": BASE.encode("utf-16"),
    "recipe-not-text": BASE + "song: \x01\n",
    "recipe-yaml": BASE + "x: [\n",
    "recipe-tab": "format: 1\nmics:\n\td: {}\n",
    "recipe-no-mapping": "",
    "recipe-several-documents": BASE + "---\n" + BASE,
    "recipe-too-deep": BASE + "x: " + "[" * 50,
    "recipe-tag": BASE + "song: !x y\n",
    "recipe-alias": BASE + "song: *x\n",
    "recipe-merge-key": BASE + "gate: {<<: {}}\n",
    "recipe-key": BASE + "[a]: 1\n",
    "recipe-duplicate-key": BASE + "mics: {d: {}}\n",
    "recipe-empty-value": BASE + "gate:\n",
    "recipe-not-finite": BASE + "gate: {hold_ms: .inf}\n",
    "recipe-extends": "format: 1\nextends: 3\n",
    "recipe-extends-cycle": "format: 1\nextends: recipe.yaml\n",
    "recipe-set": BASE,
    "recipe-null": BASE + "gate: null\n",
    "recipe-nothing-to-override": "format: 1\nextends: base.yaml\nmics: {x: {}}\n",
    "recipe-unknown-key": BASE + "x: 1\n",
    "recipe-missing-key": "format: 1\n",
    "recipe-wrong-value": BASE + "gate: x\n",
    "recipe-out-of-range": BASE + "gate: {hold_ms: -1}\n",
    "recipe-count": BASE + "deliver: {files: []}\n",
    "recipe-bad-name": BASE + "buses: {a b: {}}\n",
    "recipe-chain-step": BASE + "guitar_bus: {chain: [3]}\n",
    "recipe-unknown-processor": BASE + "guitar_bus: {chain: [invert]}\n",
    "recipe-unknown-mic": BASE + "alignment: {reference: x}\n",
    "recipe-unknown-performance": BASE + "variants: {v: {performances: {x: {}}}}\n",
    "recipe-unknown-group": BASE.replace("{bus: left}", "{bus: left, groups: {x: {}}}"),
    "recipe-unknown-bus": BASE + "variants: {v: {buses: {x: {}}}}\n",
    "recipe-reference": BASE + "alignment: {reference: room}\n",
    "recipe-gate-not-room": BASE.replace("dynamic: {}", "dynamic: {gate: {}}"),
    "recipe-stem-gate": BASE.replace("room: {role: room", "room: {stem_gate: {}, role: room"),
    "recipe-gate-spans": BASE.replace("bus: left", "bus: left, gate: {spans: [[2, 1]]}", 1),
    "recipe-di-touched": BASE.replace("dynamic: {}", "dynamic: {}, di: {role: di, gain_db: 1}"),
    "recipe-group-stem": BASE + "groups: {g: {mics: [room], stem: own}}\n",
    "recipe-own-bus": BASE.replace("dynamic: {}", "dynamic: {bus: right}"),
    "recipe-without": BASE.replace("{bus: left}", "{bus: left, without: [room], mics: {room: {mute: true}}}"),
    "recipe-room-in-stem": BASE + "groups: {g: {mics: [dynamic], stem: own}}\ndeliver: {room: stem}\n",
    "recipe-filters-cross": BASE.replace("dynamic: {}", "dynamic: {high_pass_hz: 2, low_pass_hz: 1}"),
    "recipe-width": BASE + "guitar_bus: {width: {mono_fold_db: -2, correlation: 0}}\n",
    "recipe-level": BASE + "deliver: {level: {peak_dbfs: -6, loudness_lufs: -18}}\n",
    "recipe-delay-units": BASE.replace("dynamic: {}", "dynamic: {delay: {}}"),
    "recipe-nothing-heard": BASE.replace("dynamic: {}", "dynamic: {mute: true}"),
    "recipe-band": BASE + "gate: {band_hz: [2, 1]}\n",
    "recipe-flac-bits": BASE + "deliver: {format: flac, bits: 32}\n",
    "recipe-float-dither": BASE + "deliver: {bits: 32, dither: tpdf}\n",
    "recipe-stands-twice": BASE + "deliver: {files: [stems, stems]}\n",
    "recipe-name-pattern": BASE + "deliver: {name: x}\n",
    "recipe-names-collide": BASE.replace("dynamic: {}", "dynamic: {}, Dynamic: {}"),
    "recipe-more-problems": BASE + "".join(f"x{n}: 1\n" for n in range(60)),
}
SETTINGS = {"recipe-set": ["nothing"]}
PRINTED = {
    "recipe-not-utf8",
    "recipe-not-text",
    "recipe-tab",
    "recipe-several-documents",
    "recipe-tag",
    "recipe-merge-key",
    "recipe-duplicate-key",
    "recipe-empty-value",
    "recipe-null",
    "recipe-gate-not-room",
    "recipe-stem-gate",
    "recipe-di-touched",
    "recipe-own-bus",
    "recipe-without",
    "recipe-stands-twice",
    "recipe-names-collide",
    "recipe-more-problems",
}
"""Messages that print the table's remedy."""


@pytest.mark.parametrize("slug", TRIGGERS)
def test_a_message_can_be_provoked(tmp_path: Path, slug: str) -> None:
    """The smallest file for each slug gives it, with a place in the file, and no empty words."""
    write(tmp_path, BASE, "base.yaml")
    path = write(tmp_path, TRIGGERS[slug])
    with pytest.raises(RecipeError) as caught:
        read_recipe(path, settings=SETTINGS.get(slug, []))
    given = {problem.slug: problem for problem in caught.value.problems}
    assert slug in given
    assert given[slug].what
    assert set(given) <= set(STAGES["recipe"])


@pytest.mark.parametrize("slug", TRIGGERS)
def test_a_remedy_is_the_tables_unless_the_value_gives_a_nearer_one(tmp_path: Path, slug: str) -> None:
    """As the last part of a line: no capital, no stop. What `allowed` already says is not said twice."""
    write(tmp_path, BASE, "base.yaml")
    with pytest.raises(RecipeError) as caught:
        read_recipe(write(tmp_path, TRIGGERS[slug]), settings=SETTINGS.get(slug, []))
    remedy = next(problem.remedy for problem in caught.value.problems if problem.slug == slug)
    listed = STAGES["recipe"][slug]
    if slug in PRINTED:
        assert remedy == listed[0].lower() + listed[1:-1]
    elif slug == "recipe-yaml":
        assert remedy == "write the value, or close the bracket before it"
    else:
        assert remedy == "" or remedy.startswith("did you mean '")


def test_every_listed_message_is_provoked_here() -> None:
    """A slug without a trigger above would be a dead entry of the message list."""
    assert set(TRIGGERS) == set(STAGES["recipe"])


def test_the_source_gives_no_message_that_is_not_listed() -> None:
    """Every slug that is written in the recipe room's code stands in the list (unknown-<kind> is put together)."""
    source = "".join(path.read_text() for path in Path(premix.recipe.__file__).parent.glob("*.py"))
    written = set(re.findall(r'"(recipe-[a-z0-9-]+[a-z0-9])"', source))
    assert written <= set(STAGES["recipe"])
    kinds = ("mic", "bus", "group", "performance")
    assert {f"recipe-unknown-{kind}" for kind in kinds} == set(STAGES["recipe"]) - written
