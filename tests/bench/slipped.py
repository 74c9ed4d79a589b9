"""The table of slips: where, what stands there, what a slip makes of it, and which tests must notice."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Slip:
    """file: from the top. old: as it stands, exactly once in the file. tests: pytest's names of those that notice."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


SLIPS = (
    Slip(
        "mixdown: a key at the gain of its mic",
        "premix/mixdown/inserts.py",
        "return [replace(path, gain=1.0, polarity=1)]",
        "return [replace(path, polarity=1)]",
        ("tests/processors/test_mix.py::test_a_key_is_the_mic_at_unity",),
    ),
    Slip(
        "mixdown: the key's time of a delayed mic's chain",
        "premix/mixdown/mic_sum.py",
        "self._insert.first = start - delay",
        "self._insert.first = start",
        ("tests/processors/test_mix.py::test_the_key_of_a_delayed_mics_chain_is_in_time",),
    ),
    Slip(
        "mixdown: an advanced mic's filter is not warmed up",
        "premix/mixdown/mic_sum.py",
        "if self._filter is not None or self._insert is not None:",
        "if self._insert is not None:",
        ("tests/mixdown/test_mic_sum.py::test_the_filter_of_a_mic_has_heard_all_of_its_file",),
    ),
    Slip(
        "mixdown: the room in stops, as a mean of the riff's frames",
        "premix/mixdown/performance.py",
        "edges_s = list(chain.from_iterable(riff))[1:-1]",
        "edges_s = list(chain.from_iterable(riff))",
        ("tests/mixdown/test_room_in_stops.py",),
    ),
    Slip(
        "mixdown: the room in stops, in half the dB",
        "premix/mixdown/performance.py",
        "np.minimum(-10.0 * np.log10(left[heard] / energy[heard]), MOST_DB)",
        "np.minimum(-5.0 * np.log10(left[heard] / energy[heard]), MOST_DB)",
        ("tests/mixdown/test_room_in_stops.py",),
    ),
    Slip(
        "batch: the count of inputs is not compared",
        "premix/batch/work.py",
        "and len(manifest.inputs) == len(song.mics)",
        "and len(manifest.inputs) >= len(song.mics)",
        ("tests/batch/test_batch_render.py::test_a_song_that_lost_its_last_optional_track_is_rendered_again",),
    ),
    Slip(
        "batch: a relative sheet for a cluster",
        "premix/batch/order.py",
        "sheet=place(sheet_of[song.name]) if sheet_of else None,",
        "sheet=sheet_of[song.name] if sheet_of else None,",
        ("tests/batch/test_batch_engines.py::test_other_machines_are_given_whole_paths",),
    ),
    Slip(
        "delivery: a zero gain in dB",
        "premix/delivery/documents.py",
        "return gain_to_db(gain) if gain > 0.0 else None",
        "return gain_to_db(gain)",
        ("tests/processors/test_mix.py::test_a_file_that_counts_nothing_in_its_bus_has_no_gain_to_it",),
    ),
    Slip(
        "delivery: cells that begin with @",
        "premix/delivery/track_sheet.py",
        'if text[:1] in ("=", "@")',
        'if text[:1] in ("=",)',
        ("tests/delivery/test_track_sheet.py::test_file_names_are_no_formulas",),
    ),
    Slip(
        "recipe: equal corners of the filters",
        "premix/recipe/cross_checks.py",
        "_is_number(low) and _is_number(high) and low >= high:",
        "_is_number(low) and _is_number(high) and low > high:",
        ("tests/recipe/test_recipe_checks.py::test_a_high_pass_and_a_low_pass_at_one_corner_leave_nothing",),
    ),
    Slip(
        "recipe: a standing bus over the recipe's own",
        "premix/recipe/read.py",
        "standing[name] = standing.get(name, {}) | bus if isinstance(bus, dict) else bus",
        "standing[name] = bus | standing.get(name, {}) if isinstance(bus, dict) else bus",
        ("tests/recipe/test_recipe_checks.py::test_standing_buses_lie_under_what_the_recipe_says",),
    ),
    Slip(
        "recipe: one parent too many",
        "premix/recipe/layers.py",
        "len(layers) > MOST_PARENTS:",
        "len(layers) > MOST_PARENTS + 1:",
        ("tests/recipe/test_recipe_layers.py::test_a_recipe_has_at_most_sixteen_parents",),
    ),
    Slip(
        "recipe: one parent too few",
        "premix/recipe/layers.py",
        "len(layers) > MOST_PARENTS:",
        "len(layers) >= MOST_PARENTS:",
        ("tests/recipe/test_recipe_layers.py::test_a_recipe_has_at_most_sixteen_parents",),
    ),
    Slip(
        "measures: the gate of the loudness range 2 LU lower",
        "premix/measures/loudness.py",
        "RANGE_GATE_LU = -20.0",
        "RANGE_GATE_LU = -22.0",
        ("tests/measures/test_loudness_ebu.py::test_what_lies_20_lu_under_the_mean_is_no_part_of_the_range",),
    ),
    Slip(
        "audio: a narrower window of the fractional delay",
        "premix/audio/filters.py",
        "window = np.i0(KAISER_BETA * np.sqrt(",
        "window = np.i0((KAISER_BETA - 1.0) * np.sqrt(",
        ("tests/audio/test_delays.py::test_shift_is_exact_to_minus_134_db_up_to_nine_tenths_of_nyquist",),
    ),
)
