"""What several trials say together: the season's answer, as figures and in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

import pandas as pd

from trialkit.gardens.stage_one import Failed, Scale, TrialMeans
from trialkit.models.results import MethodNote

SETTLED, OPEN, DESCRIPTION = "settled", "open", "description only"
SHOWN = ("variety", "gardens", "trials", "estimate", "low", "high", "new_low", "new_high")
"""Columns of `SeasonAnswer.overall` that a notebook shows."""


@dataclass(frozen=True, eq=False, repr=False)
class SeasonAnswer:
    """What several trials say together; frozen and picklable.

    trials: the trials used.  failed: folders without a result.  aside: trials that cannot be put
    together with the rest, and why.  check: the variety the others are set against; None, and
    then it is the mean of all varieties.  scale: "log" (`overall` holds ratios) or "linear"
    (differences in `unit`).
    overall: one row a variety, best first: variety, check (bool), gardens, years, trials, group
    (0, 1, ...: varieties of different groups cannot be compared), mean (model scale), estimate
    (ratio or difference to the check), low, high, p, df (simultaneous over the varieties),
    new_low, new_high (in a garden not among these), best (chance of being the best one there),
    best_here (of being the best on average over these gardens); both chances NaN where nothing
    is settled.
    by_garden: one row a variety and trial, that trial alone, as `order.by_garden` gives it, but
    ratios where `overall` holds ratios.
    stability: variety, trials, slope, slope_se, slope_low, slope_high, deviation (sd about the
    line), variance (Shukla 1972), words.
    flips: trial, garden, year, variety, estimate, low, high, chance, supported, words; see
    `order.flips`.
    groups: varieties that trials link; only those of the first can be compared with the check.
    shared: who shares varieties with whom, see `rows.shared_varieties`.
    variances: standard deviations by term, on the model's scale.  levels: trial, level (the mean
    of all varieties there, model scale) and means: trial, variety, y, for the picture of them.
    supported: intervals of `overall` hold; if not, `why_not`.  new_supported: those of a new
    garden; if not, `new_why_not`.  Where unsupported the columns are NaN.
    answer: two sentences.  how_sure, next_step: sentences.  cannot_tell: what stays open.
    state: "settled", "open", "description only", "nothing".
    """

    trials: tuple[TrialMeans, ...]
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
    levels: pd.DataFrame
    means: pd.DataFrame
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

    def __repr__(self) -> str:
        return f"{self.answer}\n{self.how_sure}"

    def _repr_html_(self) -> str:
        table = self.overall[[name for name in SHOWN if name in self.overall]]
        return (f"<p><b>{escape(self.answer)}</b></p><p>{escape(self.how_sure)}</p>"
                f"{table.to_html(index=False, escape=True)}")
