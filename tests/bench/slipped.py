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
        "alignment: coherence or agreement lets in",
        "premix/alignment/case.py",
        "return coherence >= MIN_COHERENCE and halves_agreement",
        "return coherence >= MIN_COHERENCE or halves_agreement",
        (
            "tests/alignment/test_evidence_truth.py::test_a_guest_that_is_steady_but_hardly_coherent_is_refused",
            "tests/alignment/test_evidence_truth.py::test_a_guest_that_is_coherent_but_not_steady_is_refused",
        ),
    ),
    Slip(
        "alignment: coherence alone lets in",
        "premix/alignment/case.py",
        " and halves_agreement(evidence) >= MIN_AGREEMENT, coherence",
        ", coherence",
        ("tests/alignment/test_evidence_truth.py::test_a_guest_that_is_coherent_but_not_steady_is_refused",),
    ),
    Slip(
        "alignment: agreement by magnitude",
        "premix/alignment/evidence.py",
        "product += float(np.real(np.dot(first, second.conj()))) / norm",
        "product += float(np.abs(np.dot(first, second.conj()))) / norm",
        ("tests/alignment/test_evidence_truth.py::test_a_guest_that_is_coherent_but_not_steady_is_refused",),
    ),
    Slip(
        "evidence: the spread off by the root of 2",
        "premix/alignment/evidence.py",
        "return 2.0 * signal.stretches * signal.omega**2",
        "return signal.stretches * signal.omega**2",
        ("tests/alignment/test_evidence_truth.py::test_spread_is_the_scatter_of_the_answers",),
    ),
    Slip(
        "evidence: the margin halved",
        "premix/alignment/whole_song.py",
        "after = before - 2.0 * answer.height + 2.0 * answer.rival",
        "after = before - answer.height + answer.rival",
        ("tests/alignment/test_evidence_truth.py::test_margin_is_what_the_other_polarity_costs_the_sum",),
    ),
    Slip(
        "evidence: coherence with its bias",
        "premix/alignment/evidence.py",
        "np.clip((share - signal.chance) / (1.0 - signal.chance), 0.0, MAX_COHERENCE)",
        "np.clip(share, 0.0, MAX_COHERENCE)",
        ("tests/alignment/test_evidence_truth.py::test_coherence_of_a_short_take_is_not_flattered",),
    ),
    Slip(
        "evidence: noise by the count of the riff's frames",
        "premix/alignment/kernel.py",
        "spectra.quiet_powers / spectra.n_quiet * own",
        "spectra.quiet_powers / sum(spectra.n_active) * own",
        ("tests/alignment/test_evidence_truth.py::test_hiss_is_taken_out_by_its_own_measure",),
    ),
    Slip(
        "evidence: the threshold of chance under chance",
        "premix/alignment/kernel.py",
        "threshold = chance * (1.0 + 4.0 /",
        "threshold = chance * (1.0 - 4.0 /",
        ("tests/alignment/test_evidence_truth.py::test_unrelated_mics_share_no_band",),
    ),
    Slip(
        "decisions: the temperature left out",
        "premix/alignment/case.py",
        "_by_hand(mic, rate, song.alignment.temperature_c)",
        "_by_hand(mic, rate, 20.0)",
        (
            "tests/alignment/test_evidence_truth.py::test_a_delay_in_centimetres_is_that_of_sound_at_the_recipe_s_temperature",
        ),
    ),
    Slip(
        "decisions: ten times the tolerance of moved mics",
        "premix/alignment/agreement.py",
        '{"close": 25e-6,',
        '{"close": 250e-6,',
        ("tests/alignment/test_evidence_truth.py::test_a_mic_that_moved_by_a_centimetre_is_told",),
    ),
    Slip(
        "decisions: an unclear room's polarity applied",
        "premix/alignment/outside_sum.py",
        "polarity=hand.polarity or (place.polarity if place.clear else 1),",
        "polarity=hand.polarity or place.polarity,",
        ("tests/alignment/test_evidence_truth.py::test_a_room_whose_polarity_is_unclear_stays_as_recorded",),
    ),
    Slip(
        "decisions: a muted refused mic back in the sum",
        "premix/alignment/whole_song.py",
        'summed = recorded.summed and self.settings.refused == "keep"',
        'summed = self.settings.refused == "keep"',
        ("tests/alignment/test_evidence_truth.py::test_a_muted_mic_that_is_refused_stays_out_of_the_sum",),
    ),
    Slip(
        "decisions: rotation without a limit of group delay",
        "premix/alignment/rotation.py",
        "candidates = [(shape, response) for shape, response in responses if _harmless(response, state.freqs_hz)]",
        "candidates = responses",
        ("tests/alignment/test_evidence_truth.py::test_a_rotation_never_smears_what_is_above_500_hz",),
    ),
    Slip(
        "decisions: the larger scatter is pooled",
        "premix/alignment/agreement.py",
        "-float(np.std([e.delay_samples for e in near]))",
        "float(np.std([e.delay_samples for e in near]))",
        ("tests/alignment/test_whole_answers.py::test_of_two_groups_as_large_the_closer_one_is_believed",),
    ),
    Slip(
        "decisions: no restart of all mics together",
        "premix/alignment/solver.py",
        "else (1, 2, len(movable))",
        "else (1, 2)",
        ("tests/alignment/test_whole_answers.py::test_mics_that_sit_on_a_wrong_ridge_together_leave_it_together",),
    ),
)
