"""What a batch keeps of a song's manifest: the figures of its summary, and its set-up as found."""

import statistics
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

_CLEAR_DB = 2.0
"""A room mic's polarity counts as found where the other one is this much worse."""


@dataclass(frozen=True, slots=True)
class MicFacts:
    """One mic of a song, the median of its performances; None: not found, or set by hand.

    arrival_ms: when it hears the guitar after the reference. polarity: 1 or -1 against the reference.
    level_db: its level as recorded against the reference mic's.
    """

    mic: str
    role: str
    arrival_ms: float | None
    polarity: int | None
    level_db: float | None


@dataclass(frozen=True, slots=True)
class SongFacts:
    """One rendered song.

    efficiency: of the performance that is worst aligned. loudness_lufs, true_peak_dbtp: of the guitar bus. refused:
    mics that could not be aligned. broken: messages of the limits that are broken. warnings: findings beside them.
    playing_db: level of the close mics while the guitar plays, median of the performances. report: its page's
    path in the song's output folder.
    """

    efficiency_before_db: float | None
    efficiency_after_db: float | None
    mono_fold_db: float | None
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    trim_db: float
    extra_trim_db: float
    refused: tuple[str, ...]
    broken: tuple[str, ...]
    warnings: int
    report: str | None
    reference: str
    mics: tuple[MicFacts, ...]
    playing_db: float | None

    @property
    def setup(self) -> tuple[str, tuple[tuple[str, str], ...]]:
        """What songs must have in common to be compared: the reference, and the mics with their roles."""
        return self.reference, tuple((mic.mic, mic.role) for mic in self.mics)


def facts_of(manifest: Mapping[str, Any]) -> SongFacts:
    """The facts of a song by its manifest (format 1)."""
    decisions: list[dict[str, Any]] = manifest["alignment"]
    worst = min(manifest["sum_efficiency_db"], key=lambda e: e["after"], default={"before": None, "after": None})
    guitars: dict[str, Any] = next((f for f in manifest["files"] if f["part"] == "guitars"), {})
    limits = [f for f in manifest["findings"] if f["slug"].startswith("limit-") and f["severity"] == "error"]
    others = [f for f in manifest["findings"] if f not in limits and f["severity"] != "info"]
    return SongFacts(
        efficiency_before_db=worst["before"],
        efficiency_after_db=worst["after"],
        mono_fold_db=(manifest["mono"] or {}).get("fold_db"),
        loudness_lufs=guitars.get("loudness_lufs"),
        true_peak_dbtp=guitars.get("true_peak_dbtp"),
        trim_db=manifest["trim_db"],
        extra_trim_db=manifest["extra_trim_db"],
        refused=tuple(f"{d['performance']}/{d['mic']}" for d in decisions if d["refusal"] is not None),
        broken=tuple(f"{f['subject']}: {f['message']}" for f in limits),
        warnings=len(others),
        report=next((path for path in manifest["written"] if path.endswith("_report.html")), None),
        reference=decisions[0]["reference"] if decisions else "",
        mics=_mics(manifest),
        playing_db=_median(gate["loud_db"] for gate in manifest["gate"]),
    )


def _mics(manifest: Mapping[str, Any]) -> tuple[MicFacts, ...]:
    decisions: list[dict[str, Any]] = manifest["alignment"]
    levels = {(i["performance"], i["mic"]): i["rms_dbfs"] for i in manifest["inputs"]}
    ms = 1000.0 / manifest["rate"]
    found = []
    for name in dict.fromkeys(d["mic"] for d in decisions):
        own = [d for d in decisions if d["mic"] == name]
        sure = [d for d in own if d["origin"] == "auto" and d["refusal"] is None]
        arrival = _median(d["arrival_samples"] for d in sure)
        found.append(
            MicFacts(
                mic=name,
                role=own[0]["role"],
                arrival_ms=None if arrival is None else arrival * ms,
                polarity=_polarity(sure),
                level_db=_median(
                    _difference(levels.get((d["performance"], name)), levels.get((d["performance"], d["reference"])))
                    for d in own
                ),
            )
        )
    return tuple(found)


def _polarity(decisions: Iterable[Mapping[str, Any]]) -> int | None:
    """The polarity that all performances agree on; None where they do not, or where nobody can tell."""
    clear = {
        d["polarity"] for d in decisions if d["role"] != "room" or (d["margin_db"] or 0.0) >= _CLEAR_DB
    }
    return clear.pop() if len(clear) == 1 else None


def _difference(level_db: float | None, reference_db: float | None) -> float | None:
    return None if level_db is None or reference_db is None else level_db - reference_db


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None
