"""The demo session: five takes of one riff through one set-up, written as tracks with what is true of them.

The folder is complete or untouched; truth.json holds delay, polarity, distance and noise of each mic, and the riff.
"""

import json
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.audio.writer import PartWriter, storage_error
from premix.demo.faulty import FAULTS, FaultKind, FaultTruth, fault_of, spoiled
from premix.demo.line_ups import LINE_UPS, PERFORMANCES, Naming, RigName, file_stem
from premix.demo.nudged import ALBUM, MOST_SONGS, Nudge, nudged, score_of
from premix.demo.playing import HAND_S, perform, play
from premix.demo.rig import REFERENCE_MIC, DemoMic, amplify, hiss_and_hum, impulse_response, record, recorded_di
from premix.errors import DeliveryError, Problem
from premix.model.gate import Span
from premix.model.settings import Role
from premix.units import REFERENCE_TEMPERATURE_C, gain_to_db, s_to_samples

SONG = ALBUM[0]
BAND = "The Harbour Engines"
SECOND_AMP_DB = 9.0
"""How much less the second of two amps is driven."""
CENTRE_SEMITONES = 12
"""The centre plays the riff an octave up."""
SHORTEST_S, LONGEST_S = 3.0, 600.0
RATES = (44100, 48000, 88200, 96000)
DEPTHS = (16, 24)
FileFormat = Literal["wav", "flac"]
FORMATS: tuple[FileFormat, ...] = ("wav", "flac")
_README = """{song} - demo session

The song and the band, {band}, are invented; every sound in here is synthesised.
{performances} takes of one riff ({seconds:g} s at {tempo:g} bpm) through {through}, each heard by:

{mics}

The mics stand at different distances, one has a converter of its own, and some are wired upside down.
truth.json says by how much, and when the guitar plays. Turn the volume down before you listen.
"""
_NUDGED = """
Since an earlier song of the album: {words}.
"""
_FAULT = """
One thing went wrong on purpose: {words}.
"""


@dataclass(frozen=True, slots=True)
class TrackTruth:
    """One file.

    delay_samples: how much later the amp's sound reaches this file than the reference mic's file of the same
    performance (positive: late): distance and converter. The mic's own colour is not in it; its group delay
    comes on top, for the sub mic most of all. arrival_samples: the same, after the speaker moved.
    polarity: 1 or -1 against the reference. noise_dbfs: rms of the mic's own noise. peak_dbfs: of the file. channel: of
    the file, from 1.
    """

    performance: str
    mic: str
    role: Role
    path: str
    delay_samples: float
    arrival_samples: float
    converter_samples: float
    polarity: int
    distance_cm: float
    gain_db: float
    noise_dbfs: float
    peak_dbfs: float
    channel: int = 1


@dataclass(frozen=True, slots=True)
class PerformanceTruth:
    """One take. riff: (on_s, off_s) of every played passage.

    on: the sound of the pick reaches the reference mic. off: the hand has killed the strings (60 dB down 5 ms
    after its touch), as heard there; clipping and cabinet let the mic fall by 20 to 30 dB only 3 to 10 ms
    after that. The stops between are never shorter than 60 ms.
    hiss_db, hum_db: what the amp makes of its input noise while nobody plays (rms, before its filters);
    played notes reach about 0 dB there.
    """

    performance: str
    riff: tuple[Span, ...]
    detune_cents: float
    drive_db: float
    hiss_db: float
    hum_db: float


@dataclass(frozen=True, slots=True)
class DemoTruth:
    """The whole session, as written to truth.json. fault: what went wrong on purpose; all else is as without it.

    nudged_mm: how much further mics stand than in the album's first song.
    """

    format: int
    song: str
    band: str
    rate: int
    frames: int
    bits: int
    seed: int
    tempo_bpm: float
    temperature_c: float
    reference: str
    tracks: tuple[TrackTruth, ...]
    performances: tuple[PerformanceTruth, ...]
    fault: FaultTruth | None = None
    nudged_mm: dict[str, float] = field(default_factory=dict)

    def track(self, performance: str, mic: str) -> TrackTruth:
        return next(t for t in self.tracks if (t.performance, t.mic) == (performance, mic))

    def riff(self, performance: str) -> tuple[Span, ...]:
        return next(p.riff for p in self.performances if p.performance == performance)

    def to_json(self) -> str:
        return json.dumps(asdict(self), indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> "DemoTruth":
        from pydantic import TypeAdapter

        return TypeAdapter(cls).validate_json(text)


def write_demo(
    folder: Path,
    *,
    seconds: float = 24.0,
    rate: int = 48000,
    seed: int = 1,
    file_format: FileFormat = "wav",
    performances: Sequence[str] | None = None,
    bits: int = 24,
    fault: FaultKind | None = None,
    rig: RigName = "house",
    names: Naming = "plain",
    song: int = 1,
    nudges: Sequence[Nudge] = (),
) -> DemoTruth:
    """Write `<performance>_<mic>.<file_format>` of every track, truth.json, song.yaml and README.txt into folder.

    song: which of the album: each has a riff of its own. nudges: mics that stand elsewhere from some song on.
    rig: what the guitar is heard by. names: what the files are called. performances: some of the rig's, all where none
    are named.

    The same settings give the same samples: every random number comes from `seed` and the performance's name.
    Between machines a sample may differ by one step of the last bit, where two libraries round differently.
    fault: something that goes wrong with one mic; all other files are as without it.
    The folder may be new, empty, or hold an earlier demo session; it is complete or untouched.
    Raises DeliveryError for settings out of range and for a folder that cannot be used.
    """
    line_up = LINE_UPS[rig]
    performances = line_up.performances if performances is None else performances
    _check(seconds, rate, file_format, performances, bits, line_up.performances, fault, rig)
    _check_album(song, nudges, line_up.mics)
    wrong = None if fault is None else fault_of(fault, seconds, rate)
    with _staged(folder) as stage:
        tracks: list[TrackTruth] = []
        takes: list[PerformanceTruth] = []
        for take, recorded in perform_session(seconds, rate, seed, performances, rig, song, nudges):
            takes.append(take)
            if wrong is not None and wrong.performance == take.performance:
                recorded = spoiled(wrong, recorded, rate)
            first = len({track.path for track in tracks}) + 1
            tracks += _write_tracks(stage, take.performance, recorded, rate, bits, file_format, names, first)
        truth = DemoTruth(
            1,
            ALBUM[song - 1],
            BAND,
            rate,
            round(seconds * rate),
            bits,
            seed,
            score_of(song)[1],
            REFERENCE_TEMPERATURE_C,
            line_up.mics[0].name,
            tuple(tracks),
            tuple(takes),
            wrong,
            {nudge.mic: nudge.mm for nudge in nudges if nudge.since <= song},
        )
        (stage / "truth.json").write_text(truth.to_json(), encoding="utf-8", newline="\n")
        (stage / "README.txt").write_text(_readme(truth, line_up.through), encoding="utf-8", newline="\n")
        (stage / "song.yaml").write_text(f"song: {ALBUM[song - 1]}\n", encoding="utf-8", newline="\n")
    return truth


def _write_tracks(
    stage: Path,
    performance: str,
    recorded: Sequence[tuple[DemoMic, FloatArray]],
    rate: int,
    bits: int,
    file_format: FileFormat,
    names: Naming,
    first: int,
) -> Iterator[TrackTruth]:
    """One take as files: a mic each, or as channels of one file that they share. The first mic is the reference.

    first: number of the first file among all takes'.
    """
    files: dict[str, list[tuple[DemoMic, FloatArray]]] = {}
    for mic, signal in recorded:
        files.setdefault(mic.file or mic.name, []).append((mic, signal))
    for number, (own, channels) in enumerate(files.items(), first):
        name = f"{file_stem(names, performance, own, number)}.{file_format}"
        signals = np.stack([signal for _, signal in channels])
        count, frames = signals.shape
        # No dither: the mics' noise is far above one step.
        with PartWriter(
            stage / name, rate=rate, channels=count, frames=frames, container=file_format, bits=bits
        ) as writer:
            writer.write(signals)
            peak = writer.close().sample_peak
        for mic, _ in channels:
            yield _track_truth(performance, mic, recorded[0][0], name, rate, peak)


def perform_session(
    seconds: float,
    rate: int,
    seed: int,
    performances: Sequence[str] | None = None,
    rig: RigName = "house",
    song: int = 1,
    nudges: Sequence[Nudge] = (),
) -> Iterator[tuple[PerformanceTruth, list[tuple[DemoMic, FloatArray]]]]:
    """Play and record one performance after the other; signals before the quantiser, shape (frames).

    performances, rig, song, nudges: as `write_demo` takes them.
    """
    line_up = LINE_UPS[rig]
    mics = nudged(line_up.mics, song, nudges)
    impulses = {mic.name: impulse_response(mic, rate) for mic in mics if mic.role != "di"}
    known = dict.fromkeys((*PERFORMANCES, *line_up.performances))
    for name in line_up.performances if performances is None else performances:
        rng = np.random.default_rng([seed, list(known).index(name), *([song] if song > 1 else [])])
        truth, guitar = _play(name, seconds, rate, rng, song)
        amps = [amplify(guitar, rate, drive_db=truth.drive_db)]
        if any(mic.amp for mic in mics):
            amps.append(amplify(guitar, rate, drive_db=truth.drive_db - SECOND_AMP_DB))
        recorded = []
        for mic in mics:
            is_di = mic.role == "di"
            own = recorded_di(guitar, mic, rng) if is_di else record(amps[mic.amp], mic, impulses[mic.name], rng)
            recorded.append((mic, own))
        yield truth, recorded


def _play(
    name: str, seconds: float, rate: int, rng: np.random.Generator, song: int
) -> tuple[PerformanceTruth, FloatArray]:
    """One take, from the score to what the amp is given."""
    frames = round(seconds * rate)
    bars, tempo_bpm = score_of(song)
    take = perform(seconds, rng, bars=bars, tempo_bpm=tempo_bpm)
    cents, drive_db = float(rng.normal(0.0, 4.0)), float(rng.normal(0.0, 1.0))
    hiss_db, hum_db = float(rng.uniform(-50.0, -40.0)), float(rng.uniform(-58.0, -52.0))
    guitar = play(take, frames, rate, rng, cents=cents, semitones=CENTRE_SEMITONES if name == "centre" else 0)
    guitar += hiss_and_hum(frames, rate, rng, hiss_db=hiss_db, hum_db=hum_db)
    late_s = REFERENCE_MIC.delay_s()
    riff = tuple((on + late_s, off + HAND_S + late_s) for on, off in take.passages)
    truth = PerformanceTruth(name, riff, cents, drive_db, hiss_db, hum_db)
    return truth, guitar


def _track_truth(performance: str, mic: DemoMic, reference: DemoMic, path: str, rate: int, peak: float) -> TrackTruth:
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
        channel=mic.channel,
    )


def _check(
    seconds: float,
    rate: int,
    file_format: str,
    performances: Sequence[str],
    bits: int,
    known_ones: Sequence[str],
    fault: FaultKind | None,
    rig: RigName,
) -> None:
    """Raise DeliveryError with every setting that is out of range."""
    known = bool(performances) and set(performances) <= set(known_ones)
    happens = fault is None or (fault in FAULTS and fault_of(fault, LONGEST_S, RATES[0]).performance in performances)
    settings = (
        ("seconds", seconds, SHORTEST_S <= seconds <= LONGEST_S, f"{SHORTEST_S:g} to {LONGEST_S:g}"),
        ("rate", rate, rate in RATES, ", ".join(map(str, RATES))),
        ("bits", bits, bits in DEPTHS, ", ".join(map(str, DEPTHS))),
        ("format", file_format, file_format in FORMATS, ", ".join(FORMATS)),
        ("performances", ", ".join(performances), known, "some of " + ", ".join(known_ones)),
        ("fault", fault, happens, f"{', '.join(FAULTS)}, with the performance that it happens to"),
        ("rig", rig, fault is None or rig == "house", "house, for a session with a fault"),
    )
    wrong = [(name, f"{value} cannot be made", allowed) for name, value, fine, allowed in settings if not fine]
    if wrong:
        raise DeliveryError(Problem("demo-settings", *told) for told in wrong)


def _check_album(song: int, nudges: Sequence[Nudge], mics: Sequence[DemoMic]) -> None:
    """Raise DeliveryError for a song that the album has not, and nudges that no mic can take."""
    wrong = [] if 1 <= song <= MOST_SONGS else [("songs", f"song {song} cannot be made", f"1 to {MOST_SONGS}")]
    wrong += [told for nudge in nudges if (told := nudge.fault(mics)) is not None]
    if wrong:
        raise DeliveryError(Problem("demo-settings", *told) for told in wrong)


def _readme(truth: DemoTruth, through: str) -> str:
    """The text of README.txt."""
    first = [t for t in truth.tracks if t.performance == truth.tracks[0].performance]
    return (
        _README.format(
            song=truth.song,
            band=truth.band,
            through=through,
            performances=len(truth.performances),
            seconds=truth.frames / truth.rate,
            tempo=truth.tempo_bpm,
            mics="\n".join(f"  {t.mic:<10} {t.distance_cm:6.1f} cm" for t in first),
        )
        + _moved_words(truth)
        + ("" if truth.fault is None else _FAULT.format(words=truth.fault.words(truth.rate)))
    )


def _moved_words(truth: DemoTruth) -> str:
    moved = ", ".join(f"{mic} moved by {mm:+g} mm" for mic, mm in truth.nudged_mm.items())
    return _NUDGED.format(words=moved) if moved else ""


@contextmanager
def _staged(folder: Path) -> Iterator[Path]:
    """A scratch folder whose files move into `folder` at the end, or vanish if anything goes wrong.

    Raises DeliveryError where folder holds anything but an earlier session, or cannot be written.
    """
    _check_folder(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            yield stage
            folder.mkdir(exist_ok=True)
            for old in folder.iterdir():
                old.unlink()
            for file in sorted(stage.iterdir()):
                file.replace(folder / file.name)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise storage_error(folder, error) from None


def _check_folder(folder: Path) -> None:
    """Refuse a folder in which something of the user's could be lost."""
    if folder.exists() and not folder.is_dir():
        raise DeliveryError(Problem("demo-folder", str(folder), "is a file"))
    names = {entry.name for entry in folder.iterdir()} if folder.is_dir() else set()
    if not names:
        return
    try:
        truth = DemoTruth.from_json((folder / "truth.json").read_text(encoding="utf-8"))
        ours = {t.path for t in truth.tracks} | {"truth.json", "song.yaml", "README.txt"}
    except (OSError, ValueError):
        ours = set()
    if foreign := sorted(names - ours):
        what = f"holds files that are not a demo session's ({foreign[0]}{' ...' if foreign[1:] else ''})"
        raise DeliveryError(Problem("demo-folder", str(folder), what))
