"""The demo session: five takes of one riff through one set-up, written as tracks with their truth."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.demo import files
from premix.demo.amp import amplify, hiss_and_hum
from premix.demo.mics import MICS, REFERENCE, DemoMic, impulse_response, record
from premix.demo.score import TEMPO_BPM, perform
from premix.demo.strings import HAND_S, play
from premix.demo.truth import DemoTruth, PerformanceTruth, TrackTruth
from premix.errors import DeliveryError, Problem
from premix.messages.demo import SLUGS
from premix.units import REFERENCE_TEMPERATURE_C, gain_to_db, s_to_samples

FloatArray = npt.NDArray[np.float64]

SONG = "Tidewater"
BAND = "The Harbour Engines"
PERFORMANCES = ("left_a", "left_b", "right_a", "right_b", "centre")
CENTRE_SEMITONES = 12
"""The centre plays the riff an octave up."""
SHORTEST_S, LONGEST_S = 3.0, 600.0
RATES = (44100, 48000, 88200, 96000)
DEPTHS = (16, 24)


def write_demo(
    folder: Path,
    *,
    seconds: float = 24.0,
    rate: int = 48000,
    seed: int = 1,
    file_format: files.FileFormat = "wav",
    performances: Sequence[str] = PERFORMANCES,
    bits: int = 24,
) -> DemoTruth:
    """Write `<performance>_<mic>.<file_format>` of every track, truth.json, song.yaml and README.txt into folder.

    The same settings give the same samples: every random number comes from `seed` and the performance's name.
    Between machines a sample may differ by one step of the last bit, where two libraries round differently.
    The folder may be new, empty, or hold an earlier demo session; it is complete or untouched.
    Raises DeliveryError for settings out of range and for a folder that cannot be used.
    """
    _check(seconds, rate, file_format, performances, bits)
    with files.staged(folder) as stage:
        tracks: list[TrackTruth] = []
        takes: list[PerformanceTruth] = []
        for take, recorded in perform_session(seconds, rate, seed, performances):
            takes.append(take)
            for mic, signal in recorded:
                name = f"{take.performance}_{mic.name}.{file_format}"
                written = files.write_mono(stage / name, signal, rate, bits, file_format)
                tracks.append(_track_truth(take.performance, mic, name, rate, written.sample_peak))
        truth = DemoTruth(
            1, SONG, BAND, rate, round(seconds * rate), bits, seed, TEMPO_BPM, REFERENCE_TEMPERATURE_C,
            REFERENCE, tuple(tracks), tuple(takes))
        (stage / "truth.json").write_text(truth.to_json(), encoding="utf-8", newline="\n")
        (stage / "README.txt").write_text(files.readme(truth), encoding="utf-8", newline="\n")
        (stage / "song.yaml").write_text(f"song: {SONG}\n", encoding="utf-8", newline="\n")
    return truth


def perform_session(
    seconds: float, rate: int, seed: int, performances: Sequence[str] = PERFORMANCES
) -> Iterator[tuple[PerformanceTruth, list[tuple[DemoMic, FloatArray]]]]:
    """Play and record one performance after the other; signals before the quantiser, shape (frames)."""
    impulses = [impulse_response(mic, rate) for mic in MICS]
    for name in performances:
        rng = np.random.default_rng([seed, PERFORMANCES.index(name)])
        truth, amp = _play(name, seconds, rate, rng)
        yield truth, [
            (mic, record(amp, mic, impulse, rng)) for mic, impulse in zip(MICS, impulses, strict=True)
        ]


def _play(
    name: str, seconds: float, rate: int, rng: np.random.Generator
) -> tuple[PerformanceTruth, FloatArray]:
    """One take, from the score to the amp's output."""
    frames = round(seconds * rate)
    take = perform(seconds, rng)
    cents, drive_db = float(rng.normal(0.0, 4.0)), float(rng.normal(0.0, 1.0))
    hiss_db, hum_db = float(rng.uniform(-50.0, -40.0)), float(rng.uniform(-58.0, -52.0))
    guitar = play(take, frames, rate, rng, cents=cents, semitones=CENTRE_SEMITONES if name == "centre" else 0)
    guitar += hiss_and_hum(frames, rate, rng, hiss_db=hiss_db, hum_db=hum_db)
    late_s = next(mic for mic in MICS if mic.name == REFERENCE).delay_s()
    riff = tuple((on + late_s, off + HAND_S + late_s) for on, off in take.passages)
    truth = PerformanceTruth(name, riff, cents, drive_db, hiss_db, hum_db)
    return truth, amplify(guitar, rate, drive_db=drive_db)


def _track_truth(performance: str, mic: DemoMic, path: str, rate: int, peak: float) -> TrackTruth:
    reference = next(m for m in MICS if m.name == REFERENCE)
    return TrackTruth(
        performance=performance,
        mic=mic.name,
        role=mic.role,
        path=path,
        delay_samples=s_to_samples(mic.delay_s() - reference.delay_s(), rate),
        arrival_samples=s_to_samples(mic.delay_s(), rate),
        converter_samples=s_to_samples(mic.converter_s, rate),
        polarity=mic.polarity * reference.polarity,
        distance_cm=mic.distance_cm,
        gain_db=mic.gain_db,
        noise_dbfs=mic.noise_dbfs,
        peak_dbfs=round(gain_to_db(peak), 2),
    )


def _check(seconds: float, rate: int, file_format: str, performances: Sequence[str], bits: int) -> None:
    """Raise DeliveryError with every setting that is out of range."""
    wrong = (
        ("seconds", seconds, SHORTEST_S <= seconds <= LONGEST_S, f"{SHORTEST_S:g} to {LONGEST_S:g}"),
        ("rate", rate, rate in RATES, ", ".join(map(str, RATES))),
        ("bits", bits, bits in DEPTHS, ", ".join(map(str, DEPTHS))),
        ("format", file_format, file_format in files.FORMATS, ", ".join(files.FORMATS)),
        ("performances", ", ".join(performances), bool(performances) and
         set(performances) <= set(PERFORMANCES), "some of " + ", ".join(PERFORMANCES)),
    )
    problems = [
        Problem("demo-settings", name, f"{value} cannot be made", allowed, SLUGS["demo-settings"])
        for name, value, fine, allowed in wrong
        if not fine
    ]
    if problems:
        raise DeliveryError(problems)
