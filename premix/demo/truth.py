"""What is true of a demo session: delay, polarity, distance and noise of each mic, and the riff."""

import json
from dataclasses import asdict, dataclass
from typing import Literal

from premix.model.gate import Span


@dataclass(frozen=True, slots=True)
class TrackTruth:
    """One file.

    delay_samples: how much later the amp's sound reaches this file than the reference mic's file of the same
    performance (positive: late): distance and converter. The mic's own colour is not in it; its group delay
    comes on top, for the sub mic most of all. arrival_samples: the same, after the speaker moved.
    polarity: 1 or -1 against the reference. noise_dbfs: rms of the mic's own noise. peak_dbfs: of the file.
    """

    performance: str
    mic: str
    role: Literal["close", "sub", "room"]
    path: str
    delay_samples: float
    arrival_samples: float
    converter_samples: float
    polarity: int
    distance_cm: float
    gain_db: float
    noise_dbfs: float
    peak_dbfs: float


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
    """The whole session, as written to truth.json."""

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

    def track(self, performance: str, mic: str) -> TrackTruth:
        return next(t for t in self.tracks if (t.performance, t.mic) == (performance, mic))

    def riff(self, performance: str) -> tuple[Span, ...]:
        return next(p.riff for p in self.performances if p.performance == performance)

    def to_json(self) -> str:
        return json.dumps(asdict(self), indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> "DemoTruth":
        data = json.loads(text)
        data["tracks"] = tuple(TrackTruth(**t) for t in data["tracks"])
        data["performances"] = tuple(
            PerformanceTruth(**{**p, "riff": tuple((on, off) for on, off in p["riff"])})
            for p in data["performances"]
        )
        return cls(**data)
