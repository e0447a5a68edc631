"""What a trial cannot tell, in plain sentences."""

from __future__ import annotations

from trialkit.decide.looks import SETTLED
from trialkit.decide.series import Looks
from trialkit.models.analysis import Analysis
from trialkit.models.position import MATTERS
from trialkit.models.results import Missing, TraitResult
from trialkit.records.schema import TRAITS
from trialkit.wording import counted, few


def cannot_tell(analysis: Analysis, looks: Looks | None) -> tuple[str, ...]:
    """What is left open: the design's limits first, then the season's, then missing records."""
    return tuple(_design(analysis) + _pairs(looks) + _place(analysis) + _general(analysis)
                 + _missing(analysis))


def _design(analysis: Analysis) -> list[str]:
    ground = analysis.ground
    return [] if ground.supported else [
        f"Whether any variety is better: {ground.why_not.rstrip('.')}."]


def _pairs(looks: Looks | None) -> list[str]:
    if looks is None:
        return []
    alike = [pair for pair, r in looks.results.items() if r.state != SETTLED]
    if not alike:
        return []
    if looks.against_check:
        names = [a for a, _ in alike]
        verb = "differs" if len(names) == 1 else "differ"
        return [f"Whether {few(names)} {verb} from {alike[0][1]} at all."]
    return [f"Which is better in {counted(len(alike), 'pair')} of the {len(looks.results)}."]


def _place(analysis: Analysis) -> list[str]:
    position = analysis.position
    if isinstance(position, Missing):
        if isinstance(analysis.pods, Missing) or not analysis.ground.supported:
            return []
        return [f"How much of the difference is the place in the bed: {position.reason}."]
    if position.differs:
        side = position.side_by_side
        moved = [str(v) for v in side.loc[side["change"].abs() > MATTERS, "variety"]]
        return [f"How much of the difference of {few(moved)} is the place in the bed: with "
                "the place allowed for the ratio changes by more than a tenth."]
    return []


def _general(analysis: Analysis) -> list[str]:
    one = ["Whether it would be so in another year or another garden: this is one season in one "
           "garden."]
    if isinstance(analysis.pods, Missing):
        return one
    counted = analysis.counted
    weights = analysis.weights
    if isinstance(weights, TraitResult):
        if weights.supported:
            return [*one, "How they taste."]
        return [*one, f"How they taste, and which gives most by weight: {weights.why_not}."]
    if analysis.records.picks["weight_g"].notna().any():
        return [*one, f"How they taste, and which gives most by weight: {weights.reason}."]
    return [*one, f"How they taste, and which gives most by weight: {counted} were counted, not "
            "weighed."]


def _missing(analysis: Analysis) -> list[str]:
    if isinstance(analysis.pods, Missing):
        return []
    out = []
    for trait in TRAITS:
        result = analysis.trait(trait) if trait.question else None
        if isinstance(result, Missing):
            out.append(f"{trait.question}: {result.reason}.")
    height = analysis.height
    if isinstance(height, TraitResult) and not analysis.records.trial.reach_cm:
        out.append("When they pass reach: the trial gives no reach.")
    return out
