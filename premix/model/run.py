"""A finished run: the records of all its stages together, for what is written about it."""

from dataclasses import dataclass

from premix.model.alignment import Alignment, Sheet
from premix.model.analysis import Analysis
from premix.model.finding import Finding
from premix.model.gate import Gating
from premix.model.mix import MixPlan, Rendering
from premix.model.recipe import MergedRecipe
from premix.model.tracks import TrackSet


@dataclass(frozen=True, slots=True)
class FinishedRun:
    """What the stages of one song left, in their order."""

    merged: MergedRecipe
    tracks: TrackSet
    analysis: Analysis
    alignment: Alignment
    gating: Gating
    plan: MixPlan
    rendering: Rendering
    sheet: Sheet | None = None

    def findings(self) -> tuple[Finding, ...]:
        """Every finding in the order of the stages, each once."""
        stages = (
            self.tracks.findings,
            self.analysis.findings,
            self.alignment.findings,
            tuple(finding for riff in self.gating.riffs for finding in riff.findings),
            self.gating.findings,
            self.rendering.findings,
        )
        return tuple(dict.fromkeys(finding for stage in stages for finding in stage))
