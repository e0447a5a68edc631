"""Stage 2: the trials together, weighted by how well each knows its means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from trialkit.gardens.first import Failed, FirstStage, Scale
from trialkit.models.results import MethodNote

NEW_GARDEN = 3
"""Gardens from which on it is said what another garden may see."""


@dataclass(frozen=True, eq=False)
class SeasonAnswer:
    """What several trials say together; frozen and picklable.

    firsts: the trials used.  failed: folders without a result.  aside: trials that cannot be put
    together with the rest, and why.  check: the variety the others are set against; None, and
    then it is the mean of all varieties.  scale: "log" (`overall` holds ratios) or "linear"
    (differences in `unit`).
    overall: one row a variety, best first: variety, check (bool), gardens, years, trials, group
    (0, 1, ...: varieties of different groups cannot be compared), mean (model scale), estimate
    (ratio or difference to the check), low, high, p, df (simultaneous over the varieties),
    new_low, new_high (in a garden not among these), best (chance of being the best one there).
    by_garden: one row a variety and trial: trial, garden, year, variety, estimate, low, high
    (that trial alone, against the check), chance_reversed.
    stability: variety, trials, slope, slope_se, slope_low, slope_high, deviation (sd about the
    line), variance (Shukla 1972), words.
    flips: trial, garden, year, variety, estimate, low, high, chance, supported, words.
    variances: standard deviations by term, on the model's scale.
    supported: intervals of `overall` hold; if not, `why_not`.  new_supported: those of a new
    garden; if not, `new_why_not`.  Where unsupported the columns are NaN.
    answer: two sentences.  how_sure, next_step: sentences.  cannot_tell: what stays open.
    state: "settled", "open", "description only", "nothing".
    """

    firsts: tuple[FirstStage, ...]
    failed: tuple[Failed, ...]
    aside: tuple[Failed, ...]
    crop: str
    trait: str
    label: str
    unit: str
    scale: Scale
    check: str | None
    overall: pd.DataFrame
    by_garden: pd.DataFrame
    stability: pd.DataFrame
    flips: pd.DataFrame
    groups: tuple[tuple[str, ...], ...]
    shared: pd.DataFrame
    variances: dict[str, float]
    supported: bool
    why_not: str
    new_supported: bool
    new_why_not: str
    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str
    method: MethodNote
    fingerprint: str = ""
    notes: tuple[str, ...] = field(default=())


def second_stage(
    firsts: Sequence[FirstStage], failed: Sequence[Failed] = (), seed: int = 20
) -> SeasonAnswer:
    """Put the trials together.  Never raises for what they hold."""
    raise NotImplementedError
