"""Many mics: each is compared with a few partners, and what comes out is what all pairs would have given."""

from typing import Any

import numpy as np
import pytest
from scipy.signal import csd

from premix.alignment import solver
from premix.alignment.decide import align
from premix.alignment.lag import find_peaks
from premix.analysis.spectra import MOST_PAIRED, SpectraCollector, frame_length, partner_count
from premix.audio.bands import band_slices, third_octave_bands
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decisions_of, rig_song


def cabinet(seed: int, close: int = 12) -> Rig:
    """Twelve close mics and a sub mic, nearly without noise, so that what is summed is guitar."""
    return random_cabinet(
        seed, n_close=close, colour="strong", noise_db=-90.0, hum_db=-120.0, bleed_db=None, seconds=4.0
    )


def efficiency_db(rig: Rig, signals: np.ndarray) -> float:
    """Sum efficiency from its definition: scipy's Welch densities of the sum and of every mic, by third octave.

    Bands are those that at least two mics hold; the sub mic counts to 250 Hz (IEC 61260-1 bands; the definition is
    this project's own).
    """
    frame = frame_length(rig.rate)

    def density(x: np.ndarray) -> np.ndarray:
        return np.real(csd(x, x, rig.rate, "hann", nperseg=frame, noverlap=frame // 2, detrend=False)[1])

    freqs = np.asarray(np.fft.rfftfreq(frame, 1.0 / rig.rate), np.float64)
    shares = []
    for band, part in zip((bands := third_octave_bands(40.0, 6300.0)), band_slices(freqs, bands), strict=True):
        heard = [x for x, role in zip(signals, rig.roles, strict=True) if role == "close" or band.centre_hz < 255.0]
        limit = (sum(np.sqrt(density(x)[part]) for x in heard) ** 2).sum()
        shares.append(density(np.sum(heard, axis=0))[part].sum() / limit)
    return float(10.0 * np.log10(np.mean(shares)))


def test_few_partners_say_what_all_pairs_say() -> None:
    """Of strongly coloured mics before several speakers every polarity is right, the sum is as good within 0.15 dB, and
    the efficiency as recorded, for which a part of the pairs is inferred, within 0.01 dB."""
    rig = cabinet(3, 10)
    few, all_pairs = align(rig_song({"left": rig})), align(rig_song({"left": rig}, all_pairs=True))
    assert [d.polarity for d in decisions_of(few)] == rig.polarities.tolist()
    mine, theirs = (song.performances[0].efficiency for song in (few, all_pairs))
    assert mine.before_db == pytest.approx(theirs.before_db, abs=0.01)
    assert mine.after_db == pytest.approx(theirs.after_db, abs=0.15)
    assert mine.before_db < -3.0 < mine.after_db


def test_efficiency_of_many_mics_is_that_of_their_sum() -> None:
    """What is told of thirteen mics as recorded is what their sum has, within 0.1 dB: frames that are neither riff nor
    stop are left out by the one and not by the other."""
    rig = cabinet(1)
    told = align(rig_song({"left": rig})).performances[0].efficiency
    assert told.before_db == pytest.approx(efficiency_db(rig, rig.signals), abs=0.1)


@pytest.mark.parametrize("place", [2, 10])
def test_another_take_s_file_among_many_mics_is_refused(place: int) -> None:
    """As one of the partners, and as one of the others; nobody else is."""
    rig = cabinet(3)
    other = random_cabinet(3, n_close=12, colour="strong", take=1, seconds=4.0)
    song = align(rig_song({"left": rig.with_channel(place, other.signals[place])}))
    assert [d.mic for d in decisions_of(song) if d.refusal] == [rig.names[place]]


def test_the_partners_are_the_reference_and_close_mics_that_are_summed() -> None:
    rig = cabinet(0)
    mics = {rig.names[0]: {"mute": True}, rig.names[1]: {"mute": True}}
    song = rig_song({"left": rig}, mics, reference=rig.names[11])
    partners = [rig.names[m] for m in song.performances[0].spectra.partners]
    assert rig.names[11] in partners
    assert not {rig.names[0], rig.names[1], "sub"} & set(partners)
    assert len(partners) == partner_count(13) < 13


def test_work_grows_no_faster_than_the_square_of_the_mics(monkeypatch: pytest.MonkeyPatch) -> None:
    """Curves that the solver looks at, and products a frame, with 9 and with 18 close mics."""
    looked: list[object] = []

    def counted(*words: Any) -> Any:
        looked.append(words)
        return find_peaks(*words)

    monkeypatch.setattr(solver, "find_peaks", counted)
    counts = []
    for close in (9, 18):
        align(rig_song({"left": cabinet(0, close)}))
        counts.append(len(looked))
        looked.clear()
    assert counts[1] <= 4 * counts[0]
    assert [partner_count(mics) for mics in (2, MOST_PAIRED)] == [2, MOST_PAIRED]
    assert 64 * partner_count(64) <= 4 * 32 * partner_count(32)


def test_sums_of_partners_are_those_of_all_pairs() -> None:
    """Column a is the mic partners[a]; in single precision, so within 1e-5."""
    rng = np.random.default_rng(5)
    signals = rng.standard_normal((10, frame_length(48000)))
    whole, few = SpectraCollector(48000, 10), SpectraCollector(48000, 10, (1, 4, 7))
    for collector in (whole, few):
        collector.take(signals, -10.0)
    all_pairs, some = whole.result(), few.result()
    scale = np.abs(all_pairs.active).max()
    np.testing.assert_allclose(some.active, all_pairs.active[:, :, [1, 4, 7]], atol=1e-5 * scale)
    np.testing.assert_allclose(some.active_powers, all_pairs.active_powers, atol=1e-5 * scale)
