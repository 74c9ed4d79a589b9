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
        "is_number(low) and is_number(high) and low >= high:",
        "is_number(low) and is_number(high) and low > high:",
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
    Slip(
        "sessions: a group's stem goes where its performance goes",
        "premix/recipe/resolve.py",
        'said = _stated(here.groups.get(group)).get("bus", recipe.groups[group].bus)',
        'said = _stated(here.groups.get(group)).get("bus")',
        ("tests/recipe/test_routing.py::test_a_mic_goes_where_its_group_or_performance_goes",),
    ),
    Slip(
        "sessions: the stem of a group holds the gain of another bus",
        "premix/mixdown/performance.py",
        'yield f"stem_{stem.label}", stem.bus, block',
        'yield f"stem_{stem.label}", own_bus, block',
        (
            "tests/mixdown/test_own_stems.py::test_everything_nulls_against_its_bus_and_the_buses_against_the_guitar_bus",
        ),
    ),
    Slip(
        "sessions: rooms on the bus of their performance",
        "premix/mixdown/performance.py",
        "self._add(room.bus or self._performance.bus, after[:count], so_far, into)",
        "self._add(self._performance.bus, after[:count], so_far, into)",
        ("tests/mixdown/test_own_stems.py",),
    ),
    Slip(
        "sessions: a DI under the common trim",
        "premix/model/mix.py",
        'return self.kind != "di"',
        "return True",
        ("tests/mixdown/test_own_stems.py",),
    ),
    Slip(
        "sessions: a DI read ahead for the chains of the buses",
        "premix/mixdown/performance.py",
        "part: mics((path,), first, 1.0)",
        "part: mics((path,), first + ahead, 1.0)",
        ("tests/mixdown/test_own_stems.py::test_a_di_keeps_its_place_on_the_time_line_beside_chains_that_are_late",),
    ),
    Slip(
        "sessions: a DI is part of the sum",
        "premix/model/song.py",
        'if mic.role in ("close", "sub"))',
        'if mic.role != "room")',
        ("tests/recipe/test_routing.py::test_a_di_is_neither_close_nor_room_nor_judged",),
    ),
    Slip(
        "sessions: any DI will do",
        "premix/analysis/di_check.py",
        "PLAYS = 0.45",
        "PLAYS = 0.15",
        ("tests/analysis/test_di_check.py::test_dis_that_were_swapped_are_named_with_whose_they_are",),
    ),
    Slip(
        "sessions: a DI that is late is early",
        "premix/analysis/di_check.py",
        "samples_to_ms((at - lags) * hop, rate)",
        "samples_to_ms((lags - at) * hop, rate)",
        ("tests/analysis/test_di_check.py::test_a_di_from_another_start_is_told_with_how_much",),
    ),
    Slip(
        "sessions: two mics on one channel of a file",
        "premix/tracks/intake.py",
        "if channel == key or not _apart(channel, key)",
        "if False",
        ("tests/tracks/test_channels.py::test_one_channel_for_two_mics_is_refused",),
    ),
    Slip(
        "sessions: the mix of channels is their sum",
        "premix/audio/reader.py",
        "out /= channels",
        "out /= 1",
        ("tests/tracks/test_channels.py::test_a_channel_is_read_alone_and_mix_is_the_mean",),
    ),
    Slip(
        "sessions: seconds of a converted file without their neighbours",
        "premix/audio/reader.py",
        "_MARGIN_MS = 100",
        "_MARGIN_MS = 0",
        ("tests/tracks/test_resampled.py::test_noise_is_converted_as_soxr_and_scipy_convert_it",),
    ),
    Slip(
        "sessions: a start time of another rate as it is",
        "premix/tracks/intake.py",
        "given = [None if (own := t.header.time_reference) is None else t.at_song_rate(own) for t in tracks]",
        "given = [t.header.time_reference for t in tracks]",
        ("tests/tracks/test_resampled.py::test_a_start_time_is_counted_in_the_songs_samples",),
    ),
    Slip(
        "sessions: the roll-call forgets single mics",
        "premix/tracks/roll_call.py",
        "left += [LeftOut(performance.name, m.name, wanted_name(song, m), near(performance, [m])) for m in missing]",
        "left += []",
        ("tests/pipeline/test_fuzzed_folders.py::test_no_folder_is_taken_without_telling_what_differs",),
    ),
    Slip(
        "sessions: the other side has what this one lacks",
        "premix/tracks/roll_call.py",
        "if side and having(one.mic, side) < having(one.mic, -side):",
        "if side and having(one.mic, side) <= having(one.mic, -side):",
        ("tests/tracks/test_roll_call.py::test_what_one_side_has_and_the_other_has_not",),
    ),
    Slip(
        "batch: an unchanged song keeps an old roll-call",
        "premix/batch/work.py",
        "and manifest.roll_call == song.roll_call",
        "and manifest.roll_call is not None",
        ("tests/batch/test_batch_render.py::test_a_file_more_in_the_folder_is_in_the_roll_call",),
    ),
)
