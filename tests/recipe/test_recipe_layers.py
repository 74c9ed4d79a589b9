"""Layers: parents, the recipe, the song's own file and --set, merged by one rule, each value with its origin.

The rule for mappings, null and everything else is that of RFC 7396 (JSON Merge Patch); its appendix A gives cases.
"""

import os
from pathlib import Path

import pytest

from premix.errors import RecipeError
from premix.model.settings import DelayByHand
from premix.recipe.faults import Mark
from premix.recipe.layers import merge
from premix.recipe.read import read_recipe
from premix.recipe.record import MergedRecipe
from premix.recipe.yaml import plain, read_nodes

from .recipe_files import said, write

HOUSE = """format: 1
mics:
  dynamic: {gain_db: 0}
  ribbon: {gain_db: -2, delay: {ms: 0.5}}
  room: {role: room}
performances:
  left: {bus: left}
  right: {bus: right}
gate: {hold_ms: 40, release_ms: 60}
deliver: {files: [stems, buses]}
"""


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A folder with a house recipe and an empty song folder."""
    write(tmp_path, HOUSE, "house.yaml")
    (tmp_path / "song").mkdir()
    return tmp_path


def layered(folder: Path, recipe: str = "", song: str = "", settings: tuple[str, ...] = ()) -> MergedRecipe:
    """house.yaml < a recipe of this text < song.yaml of this text < settings."""
    path = write(folder, f"format: 1\nextends: house.yaml\n{recipe}")
    if song:
        write(folder / "song", song, "song.yaml")
    return read_recipe(path, song_folder=folder / "song", settings=settings)


def told(folder: Path, **layers: object) -> list[str]:
    """The problems of these layers, one line each, without the folder's path."""
    with pytest.raises(RecipeError) as caught:
        layered(folder, **layers)  # type: ignore[arg-type]
    return [problem.line().replace(f"{folder}/", "") for problem in caught.value.problems]


# RFC 7396, appendix A: (original, patch, result); cases whose patch or result is no mapping do not arise here, and
# null over nothing, which the RFC ignores, is a fault here.
APPENDIX_A = [
    ("{a: b}", "{a: c}", {"a": "c"}),
    ("{a: b}", "{b: c}", {"a": "b", "b": "c"}),
    ("{a: b}", "{a: null}", {}),
    ("{a: b, b: c}", "{a: null}", {"b": "c"}),
    ("{a: [b]}", "{a: c}", {"a": "c"}),
    ("{a: c}", "{a: [b]}", {"a": ["b"]}),
    ("{a: {b: c}}", "{a: {b: d, }}", {"a": {"b": "d"}}),
    ("{a: [{b: c}]}", "{a: [1]}", {"a": [1]}),
    ("{a: foo}", "{a: {b: c}}", {"a": {"b": "c"}}),
]


@pytest.mark.parametrize(("below", "above", "result"), APPENDIX_A)
def test_mappings_merge_as_the_standard_says(below: str, above: str, result: object) -> None:
    """The cases of RFC 7396, appendix A."""
    roots = [read_nodes(text, "x", []) for text in (below, above)]
    assert roots[0] is not None and roots[1] is not None
    assert plain(merge(merge(None, roots[0], []), roots[1], [])) == result


def test_each_layer_lies_over_the_one_before(house: Path) -> None:
    """extends < recipe < song.yaml < --set, for one value that all of them set."""
    gate = "gate: {{hold_ms: {}}}\n"
    assert layered(house).recipe.gate.hold_ms == 40
    assert layered(house, gate.format(50)).recipe.gate.hold_ms == 50
    assert layered(house, gate.format(50), gate.format(60)).recipe.gate.hold_ms == 60
    merged = layered(house, gate.format(50), gate.format(60), ("gate.hold_ms=70", "gate.hold_ms=80"))
    assert merged.recipe.gate.hold_ms == 80
    assert merged.recipe.gate.release_ms == 60


def test_origins_name_the_file_and_place_of_every_value(house: Path) -> None:
    """Files are named from the recipe's folder; a list is one value; what is a default is absent."""
    (house / "songs").mkdir()
    path = write(house / "songs", "format: 1\nextends: ../house.yaml\ngate:\n  hold_ms: 50\n")
    write(house / "song", "mics:\n  ribbon: {delay: {cm: 3}}\n", "song.yaml")
    origins = read_recipe(path, song_folder=house / "song", settings=["mics.room.mute=true"]).text.origins
    assert origins == {
        "format": "recipe.yaml:1:9",
        "mics.dynamic.gain_db": "../house.yaml:3:22",
        "mics.ribbon.gain_db": "../house.yaml:4:21",
        "mics.ribbon.delay.cm": "song.yaml:2:24",
        "mics.room.role": "../house.yaml:5:16",
        "mics.room.mute": "--set",
        "performances.left.bus": "../house.yaml:7:15",
        "performances.right.bus": "../house.yaml:8:16",
        "gate.hold_ms": "recipe.yaml:4:12",
        "gate.release_ms": "../house.yaml:9:33",
        "deliver.files": "../house.yaml:10:18",
    }


def test_source_is_the_merged_recipe_without_defaults(house: Path) -> None:
    """What the manifest shows: plain data as given, without `extends`."""
    source = layered(house, "deliver: {files: [stems]}\n").text.merged
    assert source["deliver"] == {"files": ["stems"]}
    assert source["mics"]["dynamic"] == {"gain_db": 0}
    assert "extends" not in source and "alignment" not in source


def test_the_hash_is_of_the_meaning(house: Path) -> None:
    """Layers that come to the same recipe have the same hash, and a changed value another."""
    same = layered(house, "gate: {hold_ms: 41}\n", "gate: {hold_ms: 40.0, attack_ms: 2}\n").text.sha256
    assert same == layered(house, song="{}\n").text.sha256
    assert same != layered(house, settings=("gate.hold_ms=41",)).text.sha256


def test_the_hash_knows_the_order_of_the_mics(house: Path) -> None:
    """The first close mic is the reference, so another order is another recipe; the order of settings is none."""
    whole = layered(house).text.sha256
    first, second = "  dynamic: {gain_db: 0}\n", "  ribbon: {gain_db: -2, delay: {ms: 0.5}}\n"
    write(house, HOUSE.replace(first + second, second + first), "house.yaml")
    assert layered(house).text.sha256 != whole
    write(house, HOUSE.replace("hold_ms: 40, release_ms: 60", "release_ms: 60, hold_ms: 40"), "house.yaml")
    assert layered(house).text.sha256 == whole


def test_a_delay_by_hand_is_replaced_whole(house: Path) -> None:
    """{cm: 3} over {ms: 0.5} is {cm: 3}, not both."""
    delay = layered(house, "mics: {ribbon: {delay: {cm: 3}}}\n").recipe.mics["ribbon"].delay
    assert delay == DelayByHand(cm=3)


def test_null_takes_away_a_mic_a_value_and_a_section(house: Path) -> None:
    """What is taken away is as if it had never been given; order of the rest stays."""
    recipe = layered(house, "mics: {ribbon: null}\ngate: null\n", "performances: {right: ~}\n").recipe
    assert list(recipe.mics) == ["dynamic", "room"]
    assert recipe.gate.hold_ms == 40
    assert list(recipe.performances) == ["left"]


def test_new_entries_are_told_from_typos(house: Path) -> None:
    """An entry that does not exist below must state what makes it one."""
    recipe = layered(
        house,
        "mics: {di: {role: close}}\nbuses: {far: {pan: 0.2}}\n",
        "performances: {extra: {bus: far}}\n",
        ("mics.sub2.role=sub", "mics.sub2.gain_db=-3"),
    ).recipe
    assert list(recipe.mics) == ["dynamic", "ribbon", "room", "di", "sub2"]
    assert recipe.performances["extra"].bus == "far"
    assert told(house, recipe="mics: {ribon: {gain_db: 1}}\n")[0] == (
        "recipe.yaml:3:8 mics.ribon: 'ribon' does not exist in the mics in house.yaml:3:3; allowed: dynamic, ribbon, "
        "room; or a new one that states its 'role'; did you mean 'ribbon'? [recipe-nothing-to-override]"
    )


@pytest.mark.parametrize(
    ("layers", "expected"),
    [
        ({"song": "mics: {ribon: {gain_db: 1}}\n"}, "song/song.yaml:1:8 mics.ribon: 'ribon' does not exist"),
        ({"settings": ("mics.ribon.mute=true",)}, "--set mics.ribon.mute=true: 'ribon' does not exist in the mics in"),
        ({"settings": ("performances.lfet.mute=true",)}, "--set performances.lfet.mute=true: 'lfet' does not exist"),
        ({"song": "performances: {left: {mics: {ribon: {mute: true}}}}\n"}, "song/song.yaml:1:30 performances.left"),
        ({"song": "mics: {ribon: null}\n"}, "song/song.yaml:1:15 mics.ribon: null takes an inherited value away"),
        ({"song": "gate: {attack_ms: null}\n"}, "song/song.yaml:1:19 gate.attack_ms: null takes an inherited"),
        ({"song": "gate: {hodl_ms: 3}\n"}, "song/song.yaml:1:8 gate.hodl_ms: unknown key 'hodl_ms'"),
        ({"song": "gate: 3\n"}, "song/song.yaml:1:7 gate: 3 cannot stand here"),
        ({"song": "extends: house.yaml\n"}, "song/song.yaml:1:1 extends: a song's file extends nothing"),
        ({"song": "gate: [\n"}, "song/song.yaml:2:1: a value is missing before the end; write the value"),
        ({"song": "- a\n"}, "song/song.yaml:1:1: the file holds no keys"),
        ({"settings": ("gate.hodl_ms=3",)}, "--set gate.hodl_ms=3: unknown key 'hodl_ms'"),
        ({"settings": ("gate.hold_ms=x",)}, "--set gate.hold_ms=x: 'x' cannot stand here; allowed: a number from 0"),
        ({"settings": ("gate.hold_ms",)}, "--set gate.hold_ms: this sets nothing; allowed: key=value"),
        ({"settings": ("gate.hold_ms=",)}, "--set gate.hold_ms=: this sets nothing"),
        ({"settings": ("=3",)}, "--set =3: this sets nothing"),
        ({"settings": ("gate..hold_ms=3",)}, "--set gate..hold_ms=3: this sets nothing"),
        ({"settings": ("extends=x.yaml",)}, "--set extends=x.yaml: this sets nothing"),
        ({"settings": ("gate.hold_ms=[1",)}, "--set gate.hold_ms=[1: the list opened in line 1, column 1"),
        ({"settings": ("gate={ratio: 1, ratio: 2}",)}, "--set gate={ratio: 1, ratio: 2}: 'ratio' stands twice"),
        ({"settings": ("song=a\udcffb",)}, "--set song=a\\udcffb: the character U+DCFF is no text"),
        ({"settings": ("gate.hold_ms.x=3",)}, "--set gate.hold_ms.x=3: a mapping cannot stand here"),
        ({"settings": ("mics=3",)}, "--set mics=3: 3 cannot stand here; allowed: a mapping of names"),
    ],
)  # fmt: skip
def test_a_fault_of_any_layer_is_told_at_its_own_place(house: Path, layers: dict[str, object], expected: str) -> None:
    """Each layer's faults carry that layer's file, line and column, or the --set text."""
    assert told(house, **layers)[0].startswith(expected)


def test_faults_of_all_layers_come_in_order(house: Path) -> None:
    """Parents first, then the recipe, the song and --set."""
    write(house, HOUSE.replace("hold_ms: 40", "hodl_ms: 40"), "house.yaml")
    lines = told(house, recipe="gate: {x: 1}\n", song="gate: {y: 1}\n", settings=("gate.z=1",))
    assert [line.split(":")[0] for line in lines] == ["house.yaml", "recipe.yaml", "song/song.yaml", "--set gate.z=1"]


def test_a_chain_of_parents_is_read_from_each_files_own_folder(tmp_path: Path) -> None:
    """`extends` is a path from the folder of the file that says so, however the recipe was reached."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    write(tmp_path / "b", HOUSE, "base.yaml")
    write(tmp_path / "b", "extends: base.yaml\nformat: 1\ngate: {hold_ms: 1}\n", "middle.yaml")
    path = write(tmp_path / "a", "extends: ../b/middle.yaml\nformat: 1\n", "top.yaml")
    (tmp_path / "link.yaml").symlink_to(path)
    assert read_recipe(path).recipe.gate.hold_ms == 1
    assert read_recipe(path).text.origins["gate.hold_ms"] == "../b/middle.yaml:3:17"


EXTENDS = {
    "missing.yaml": "recipe.yaml:2:10 extends: there is no such file 'missing.yaml'",
    "hous.yaml": "recipe.yaml:2:10 extends: there is no such file 'hous.yaml'; did you mean 'house.yaml'?",
    "recipe.yaml": "recipe.yaml:2:10 extends: 'recipe.yaml' leads back to a recipe that is already part of this one "
    "(recipe.yaml:1:1)",
    "loop.yaml": "loop.yaml:1:10 extends: 'recipe.yaml' leads back to a recipe that is already part of this one "
    "(recipe.yaml:1:1)",
    "song": "recipe.yaml:2:10 extends: this is no file 'song'; allowed: a YAML file",
    "''": "recipe.yaml:2:10 extends: this names no file; allowed: the path of one other recipe",
    "[a.yaml]": "recipe.yaml:2:10 extends: this names no file",
    "3": "recipe.yaml:2:10 extends: this names no file",
    "null": "recipe.yaml:2:10 extends: this names no file",
    '"a\\0b"': "recipe.yaml:2:10 extends: the character U+0000 is no text",
}


@pytest.mark.parametrize("parent", EXTENDS)
def test_a_faulty_extends_is_told_with_both_places(house: Path, parent: str) -> None:
    """Missing parents, cycles, folders and things that are no path."""
    write(house, "extends: recipe.yaml\nformat: 1\n", "loop.yaml")
    lines = said(house, f"format: 1\nextends: {parent}\n")
    assert lines[0].startswith(EXTENDS[parent])


SECRETS = {
    "a word a line": "hunter2\n",
    "names and values": "token: hunter2\nhost: example\n",
    "users": "root:x:0:0:hunter2:/root:/bin/sh\n: - hunter2\n",
    "settings": "{'auths': {'hunter2': [1, 2]}}",
    "no YAML": "hunter2: [a\n  hunter2 b: : c\n",
    "twice": "hunter2: 1\nhunter2: 2\n",
    "bytes": "hunter2: \x07\n",
}


@pytest.mark.parametrize("secret", SECRETS)
def test_nothing_is_shown_of_a_file_that_is_no_recipe(house: Path, secret: str) -> None:
    """Whatever an `extends` names, only a recipe is repeated from, in the one line that says so."""
    write(house, SECRETS[secret], "secret")
    (line,) = said(house, "format: 1\nextends: secret\n")
    assert line.startswith("recipe.yaml:2:10 extends: 'secret' is no recipe; allowed: a file that begins with")
    assert "hunter2" not in line and "auths" not in line


def test_a_faulty_parent_that_is_a_recipe_is_told_as_ever(house: Path) -> None:
    """By its own places: a typo, YAML that is broken, a parent without `format`."""
    for text, expected in (
        ("format: 1\nmics: {dynamic: {gian_db: 1}}\n", "gian_db"),
        ("format: 1\nmics: {dynamic: [\n", "a value is missing"),
        ("mics: {dynamic: {gain_db: loud}}\n", "gain_db"),
    ):
        write(house, text, "parent.yaml")
        lines = said(house, "format: 1\nextends: parent.yaml\n")
        assert any(expected in line and line.startswith("parent.yaml:") for line in lines), lines


def test_a_long_chain_of_parents_stops(tmp_path: Path) -> None:
    """Recipes that extend each other without end (a hundred files) are stopped."""
    for n in range(100):
        write(tmp_path, f"format: 1\nextends: r{n + 1}.yaml\n", f"r{n}.yaml")
    with pytest.raises(RecipeError, match="recipe-extends"):
        read_recipe(tmp_path / "r0.yaml")


@pytest.mark.parametrize(("parents", "allowed"), [(16, True), (17, False)])
def test_a_recipe_has_at_most_sixteen_parents(parents: int, allowed: bool, tmp_path: Path) -> None:
    """As the message says: 'more than 16 recipes extend each other' is told of the seventeenth."""
    for n in range(parents):
        write(tmp_path, f"extends: r{n + 1}.yaml\n", f"r{n}.yaml")
    whole = "format: 1\nmics: {dynamic: {}}\nperformances: {left: {bus: left}}\n"
    write(tmp_path, whole, f"r{parents}.yaml")
    if allowed:
        assert list(read_recipe(tmp_path / "r0.yaml").recipe.mics) == ["dynamic"]
    else:
        with pytest.raises(RecipeError, match="more than 16 recipes extend each other"):
            read_recipe(tmp_path / "r0.yaml")


def test_a_file_that_is_not_there_is_one_clear_line(house: Path) -> None:
    """No such recipe, a folder, and a name that no system can hold."""
    for name, expected in (
        ("hose.yaml", "there is no such file; did you mean 'house.yaml'? [recipe-no-file]"),
        ("song", "this is no file; allowed: a YAML file [recipe-not-a-file]"),
        ("house.yaml/x", "there is no such file"),
        ("x" * 5000, "the file cannot be read: file name too long"),
        ("a\0b", "the file cannot be read: its name is not possible here"),
    ):
        with pytest.raises(RecipeError) as caught:
            read_recipe(house / name)
        (problem,) = caught.value.problems
        assert expected in problem.line()


def test_a_special_file_is_never_waited_for(tmp_path: Path) -> None:
    """A named pipe would block a reader for ever."""
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(RecipeError, match="this is no file"):
        read_recipe(tmp_path / "pipe.yaml")


def test_a_mark_says_where_it_is() -> None:
    """file:line:column, or the file alone where there is no line."""
    assert str(Mark("a.yaml", 3, 4)) == "a.yaml:3:4"
    assert str(Mark("--set a=b", 0, 0)) == "--set a=b"
