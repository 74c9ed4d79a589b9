"""The usual mistakes: what is wrong, the command, and a folder of a small song in which it is made."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from tests.contract.command import Said, premix_here
from tests.contract.session import FRAMES, RATE, read_track, session, write_track

RECIPE = """\
format: 1
song: Sandpiper
mics:
  dynamic: {}
  condenser: {gain_db: -3}
  room: {role: room, gain_db: -10}
performances:
  left: {bus: left}
  right: {bus: right}
"""
RENDER = ("render", "recipe.yaml", "tracks", "--out", "out", "--no-report")
LENGTH = 60_000


@dataclass(frozen=True, slots=True)
class Mistake:
    """spoil: makes it in the song's folder; words: the command that meets it."""

    spoil: Callable[[Path], object]
    words: tuple[str, ...] = RENDER


def make_song(folder: Path) -> None:
    """Two performances of three mics, 1.25 s, and the recipe for them."""
    (folder / "tracks").mkdir(parents=True)
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    for name, samples in session(folder / "plain").items():
        performance, mic = name.split("_")
        if performance != "centre" and mic in ("dynamic", "condenser", "room"):
            write_track(folder / "tracks" / f"{name}.wav", samples[: min(LENGTH, FRAMES)])


def told(song: Path, folder: Path, name: str) -> Said:
    """Make a mistake in a copy of the song, and give what was said of it."""
    mistake = MISTAKES[name]
    shutil.copytree(song, folder)
    mistake.spoil(folder)
    return premix_here(folder, *mistake.words)


def _nothing(folder: Path) -> None:
    pass


def _say(old: str, new: str) -> Mistake:
    """The recipe's text with one change."""

    def spoil(folder: Path) -> None:
        assert old in RECIPE
        (folder / "recipe.yaml").write_text(RECIPE.replace(old, new, 1), "utf-8")

    return Mistake(spoil)


def _add(text: str) -> Mistake:
    """The recipe with something below it."""
    return Mistake(lambda folder: _write(folder / "recipe.yaml", RECIPE + text))


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")


def _set(*settings: str) -> Mistake:
    return Mistake(_nothing, (*RENDER, *(word for setting in settings for word in ("--set", setting))))


def _track(spoil: Callable[[Path], object], mic: str = "condenser") -> Mistake:
    """Something is wrong with one track of the left performance."""
    return Mistake(lambda folder: spoil(folder / "tracks" / f"left_{mic}.wav"))


def _floats(path: Path, value: float) -> None:
    samples = read_track(path) / 2.0**23
    samples[5000] = value
    soundfile.write(path, samples, RATE, "FLOAT")


def _two_sides(path: Path) -> None:
    samples = read_track(path).astype(np.int32) << 8
    soundfile.write(path, np.stack([samples, samples[::-1]], axis=1), RATE, "PCM_24")


def _sheet(text: str) -> Mistake:
    return Mistake(lambda folder: _write(folder / "sheet.yaml", text), (*RENDER, "--alignment", "sheet.yaml"))


def _entry(more: str = "", mic: str = "condenser", head: str = "rate: 48000") -> str:
    return (
        f"sheet: 1\n{head}\nreference: dynamic\nperformances:\n"
        f"  left:\n    {mic}: {{polarity: normal, delay_samples: 3.5{more}}}\n"
    )


def _empty_folder(folder: Path) -> None:
    shutil.rmtree(folder / "tracks")
    (folder / "tracks").mkdir()


def _twice(path: Path) -> None:
    shutil.copy(path, path.with_suffix(".WAV"))


_RECIPES = {
    "typo_in_a_key": _say("gain_db: -3", "gian_db: -3"),
    "unknown_key_at_the_top": _add("gata: {hold_ms: 40}\n"),
    "duplicate_key": _add("song: Other\n"),
    "yaml_1_1_no": _say("dynamic: {}", "dynamic: {mute: no}"),
    "yaml_1_1_sexagesimal": _say("gain_db: -3", "gain_db: 1:30"),
    "number_as_text": _say("song: Sandpiper", "song: 1999"),
    "wrong_type": _say("gain_db: -3", "gain_db: loud"),
    "out_of_range": _say("gain_db: -3", "gain_db: 300"),
    "not_a_number": _say("gain_db: -3", "gain_db: .nan"),
    "empty_value": _say("dynamic: {}", "dynamic:"),
    "tab": _say("  dynamic: {}", "\tdynamic: {}"),
    "broken_yaml": _say("{role: room", "{role: [room"),
    "two_documents": _add("---\nformat: 1\n"),
    "merge_key": _say("dynamic: {}", "dynamic: {<<: {mute: true}}"),
    "tag": _say("gain_db: -3", "gain_db: !!float -3"),
    "no_format": _say("format: 1\n", ""),
    "other_format": _say("format: 1", "format: 2"),
    "no_performances": _say("performances:\n  left: {bus: left}\n  right: {bus: right}\n", ""),
    "bad_name": _say("  left: {bus: left}", "  left 1: {bus: left}"),
    "names_of_one_case": _say("  dynamic: {}", "  dynamic: {}\n  Dynamic: {}"),
    "extends_nothing": _add("extends: other.yaml\n"),
    "extends_itself": _add("extends: recipe.yaml\n"),
    "unknown_mic": _say("left: {bus: left}", "left: {bus: left, mics: {condensor: {mute: true}}}"),
    "unknown_bus": _say("bus: left", "bus: lfet"),
    "unknown_reference": _add("alignment: {reference: ribbon}\n"),
    "room_as_reference": _add("alignment: {reference: room}\n"),
    "gate_on_a_close_mic": _say("dynamic: {}", "dynamic: {gate: {hold_ms: 30}}"),
    "unknown_gate_mode": _add("gate: {mode: gated}\n"),
    "band_the_wrong_way_round": _add("gate: {band_hz: [5000, 80]}\n"),
    "filters_cross": _say("dynamic: {}", "dynamic: {high_pass_hz: 900, low_pass_hz: 300}"),
    "delay_in_two_units": _say("dynamic: {}", "dynamic: {delay: {ms: 1, cm: 3}}"),
    "all_muted": _say("dynamic: {}\n  condenser: {gain_db: -3}", "dynamic: {mute: true}\n  condenser: {mute: true}"),
    "flac_of_32_bits": _add("deliver: {format: flac, bits: 32}\n"),
    "dither_on_float": _add("deliver: {bits: 32, dither: tpdf}\n"),
    "unknown_file_kind": _add("deliver: {files: [stems, mixes]}\n"),
    "no_files": _add("deliver: {files: []}\n"),
    "name_without_part": _add('deliver: {name: "{song}"}\n'),
    "name_with_another_field": _add('deliver: {name: "{take}_{part}"}\n'),
    "unknown_processor": _say("dynamic: {}", "dynamic: {chain: [{hi_pass: {cutoff_hz: 80}}]}"),
    "processor_in_the_wrong_place": _say("dynamic: {}", "dynamic: {chain: [{mid_side: {side_gain_db: 2}}]}"),
    "unknown_parameter": _say("dynamic: {}", "dynamic: {chain: [{high_pass: {cutof_hz: 80}}]}"),
    "parameter_out_of_range": _say("dynamic: {}", "dynamic: {chain: [{compressor: {threshold_db: 5}}]}"),
    "parameter_missing": _say("dynamic: {}", "dynamic: {chain: [high_pass]}"),
    "slope_that_is_none": _say("dynamic: {}", "dynamic: {chain: [{low_pass: {cutoff_hz: 900, slope_db_oct: 20}}]}"),
    "two_processors_in_one_step": _say(
        "dynamic: {}", "dynamic: {chain: [{gain: {gain_db: 1}, notch: {frequency_hz: 50}}]}"
    ),
    "chain_is_no_list": _say("dynamic: {}", "dynamic: {chain: {gain: {gain_db: 1}}}"),
    "no_impulse_response": _say("dynamic: {}", "dynamic: {chain: [{convolution: {file: none.wav}}]}"),
    "unknown_key_of_a_processor": _say(
        "dynamic: {}", "dynamic: {chain: [{expander: {threshold_db: -30, key: dynamik}}]}"
    ),
    "corner_above_the_tracks": _say("dynamic: {}", "dynamic: {chain: [{low_pass: {cutoff_hz: 40000}}]}"),
    "group_of_an_unknown_mic": _add("groups: {bright: {mics: [dynamic, ribon]}}\n"),
    "group_of_none": _add("groups: {bright: {mics: []}}\n"),
    "group_with_a_bad_name": _add('groups: {"a b": {mics: [dynamic]}}\n'),
    "group_with_an_unknown_key": _add("groups: {bright: {mics: [dynamic], mute: true}}\n"),
    "group_of_one_mic_alone": _add("groups: {bright: {mics: dynamic}}\n"),
    "variant_of_an_unknown_mic": _add("variants: {other: {mics: {ribbon: {mute: true}}}}\n"),
    "variant_of_an_unknown_bus": _add("variants: {other: {buses: {middle: {mute: true}}}}\n"),
    "variant_without_sound": Mistake(
        lambda folder: _write(
            folder / "recipe.yaml", RECIPE + "variants: {none: {buses: {left: {mute: true}, right: {mute: true}}}}\n"
        ),
        ("compare", *RENDER[1:]),
    ),
    "variant_with_an_unknown_key": _add("variants: {other: {widht: 1.2}}\n"),
    "width_out_of_range": _add("guitar_bus: {width: 3}\n"),
    "unknown_pan_law": _add("guitar_bus: {pan_law_db: -5}\n"),
    "unknown_limit": _add("limits: {loudness: -9}\n"),
    "over_the_ceiling": _add("deliver: {trim: none, ceiling_dbtp: -40}\n"),
    "several_faults": Mistake(
        lambda folder: _write(
            folder / "recipe.yaml",
            RECIPE.replace("-3", "soft").replace(": right", ": rihgt").replace("song", "sogn") + "gate: {hold: 1}\n",
        )
    ),
    "no_recipe": Mistake(lambda folder: (folder / "recipe.yaml").unlink()),
    "recipe_is_a_folder": Mistake(_nothing, ("render", "tracks", *RENDER[2:])),
    "song_file_extends": Mistake(lambda folder: _write(folder / "tracks" / "song.yaml", "extends: ../recipe.yaml\n")),
    "song_file_with_a_new_mic": Mistake(
        lambda folder: _write(folder / "tracks" / "song.yaml", "mics: {ribbon: {gain_db: -3}}\n")
    ),
    "song_file_takes_nothing_away": Mistake(
        lambda folder: _write(folder / "tracks" / "song.yaml", "mics: {ribbon: null}\n")
    ),
}

_TRACKS = {
    "missing_file": _track(Path.unlink),
    "two_files_for_one_mic": _track(_twice),
    "one_file_for_two_mics": _say("condenser: {gain_db: -3}", "condenser: {aliases: [dynamic]}"),
    "rates_differ": _track(lambda path: write_track(path, read_track(path), 44_100)),
    "empty_folder": Mistake(_empty_folder),
    "no_folder": Mistake(lambda folder: shutil.rmtree(folder / "tracks")),
    "silent_mic": _track(lambda path: write_track(path, np.zeros(LENGTH, np.int64))),
    "silent_reference": _track(lambda path: write_track(path, np.zeros(LENGTH, np.int64)), "dynamic"),
    "other_take": _track(lambda path: write_track(path, read_track(path)[::-1].copy())),
    "empty_file": _track(lambda path: path.write_bytes(b"")),
    "text_for_audio": _track(lambda path: _write(path, "take 3 was better\n" * 40)),
    "cut_off_file": _track(lambda path: path.write_bytes(path.read_bytes()[:90_000])),
    "not_finite_sample": _track(lambda path: _floats(path, float("nan"))),
    "two_channels_that_differ": _track(_two_sides),
    "eight_bits": _track(lambda path: soundfile.write(path, read_track(path) / 2.0**23, RATE, "PCM_U8")),
}

_COMMANDS = {
    "out_inside_the_tracks": Mistake(_nothing, (*RENDER[:3], "--out", "tracks/out")),
    "out_is_the_folder_above": Mistake(_nothing, (*RENDER[:3], "--out", ".", "--force")),
    "out_without_a_manifest": Mistake(lambda folder: _write(folder / "out" / "notes.txt", "mine\n")),
    "out_is_a_file": Mistake(lambda folder: _write(folder / "out", "mine\n")),
    "set_without_a_value": _set("gate.hold_ms"),
    "set_of_an_unknown_key": _set("gate.hold=60"),
    "set_of_a_wrong_value": _set("deliver.bits=20"),
    "set_of_broken_yaml": _set("song=[a"),
    "set_of_an_unknown_mic": _set("mics.ribbon.mute=true"),
    "no_sheet": Mistake(_nothing, (*RENDER, "--alignment", "sheet.yaml")),
    "sheet_that_is_none": _sheet("format: 1\n"),
    "sheet_of_another_rate": _sheet(_entry(head="rate: 44100")),
    "sheet_of_an_unknown_mic": _sheet(_entry(mic="ribbon")),
    "sheet_that_lacks_mics": _sheet(_entry()),
    "sheet_with_a_typo": _sheet(_entry(", dely: 3")),
    "sheet_of_other_audio": _sheet(_entry(f', sha256: "{"0" * 64}"')),
    "no_out": Mistake(_nothing, RENDER[:3]),
    "no_arguments": Mistake(_nothing, ("render",)),
    "unknown_command": Mistake(_nothing, ("rendr", "recipe.yaml", "tracks")),
    "unknown_option": Mistake(_nothing, (*RENDER, "--treads", "2")),
    "no_threads": Mistake(_nothing, (*RENDER, "--threads", "0")),
    "pictures_without_a_page": Mistake(_nothing, (*RENDER, "--pictures", "shown")),
    "expect_without_a_manifest": Mistake(_nothing, (*RENDER, "--expect", "tracks")),
    "null_of_a_file_and_a_folder": Mistake(_nothing, ("null", "tracks", "tracks/left_dynamic.wav")),
    "null_of_folders_without_a_manifest": Mistake(_nothing, ("null", "tracks", "tracks")),
    "null_of_nothing": Mistake(_nothing, ("null", "tracks/left_dynamic.wav", "tracks/none.wav")),
    "compare_without_variants": Mistake(_nothing, ("compare", *RENDER[1:])),
    "batch_of_nothing": Mistake(_nothing, ("batch", "recipe.yaml", "none", "--out", "out")),
    "batch_of_no_list": Mistake(_nothing, ("batch", "recipe.yaml", "@none.txt", "--out", "out")),
    "batch_of_a_song_twice": Mistake(_nothing, ("batch", "recipe.yaml", "tracks", "./tracks", "--out", "out")),
    "batch_into_its_song": Mistake(_nothing, ("batch", "recipe.yaml", "tracks", "--out", "tracks/out")),
    "batch_without_a_sheet": Mistake(
        _nothing, ("batch", "recipe.yaml", "tracks", "--out", "out", "--jobs", "1", "--no-report", "--alignment", ".")
    ),
    "draft_of_an_empty_folder": Mistake(_empty_folder, ("draft", "tracks")),
    "draft_of_no_folder": Mistake(_nothing, ("draft", "none")),
    "draft_over_a_file": Mistake(_nothing, ("draft", "tracks", "--save", "recipe.yaml")),
    "align_over_a_file": Mistake(_nothing, ("align", "recipe.yaml", "tracks", "--save", "recipe.yaml")),
    "align_of_a_missing_file": Mistake(
        lambda folder: (folder / "tracks" / "right_room.wav").unlink(), ("align", "recipe.yaml", "tracks")
    ),
    "inspect_of_a_missing_file": Mistake(
        lambda folder: (folder / "tracks" / "right_room.wav").unlink(), ("inspect", "recipe.yaml", "tracks")
    ),
    "demo_over_files": Mistake(_nothing, ("demo", "tracks", "--seconds", "3")),
    "demo_of_no_length": Mistake(_nothing, ("demo", "new", "--seconds", "0")),
}

MISTAKES: dict[str, Mistake] = {**_RECIPES, **_TRACKS, **_COMMANDS}
