"""The comparison as it stood after every pick, from the totals of the plots up to that day.

Produce stays on the plant until somebody looks, so what a plot had given by a day is known
whoever skipped which look, and what is compared is that: picked a plant planted, up to the newest
day that all varieties had been looked at (`models.totals`). Nothing about the pace of a date is
estimated from the varieties it would be used to compare. A look is judged by its own figures: no
claim of an earlier one is carried on. The ratio of totals, one number a plot, has the degrees of
freedom the layout gives, so that the theory behind the boundaries applies
(tests/decide/season_study.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.decide.looks import Look, LooksResult, evaluate_family
from trialkit.decide.ratio import NONE, FittedPlots, fit_plots
from trialkit.decide.rest import Rest, rests
from trialkit.models.analysis import Analysis
from trialkit.models.plot_totals import layout_columns
from trialkit.models.totals import PlotTotals

Pair = tuple[str, str]


@dataclass(frozen=True)
class Looks:
    """totals: looks of each pair (left, right) from plot totals, one a round of picking. results:
    the judgement of each pair. against_check: pairs are each variety with the check, else all
    pairs. season_over: no look will follow. as_of: the day the newest look's totals are up to.
    rest: of settled comparisons, what could still turn them by the last planned look."""

    totals: dict[Pair, list[Look]]
    results: dict[Pair, LooksResult]
    against_check: bool
    season_over: bool = False
    as_of: pd.Timestamp | None = None
    rest: dict[Pair, Rest] = field(default_factory=dict)


@dataclass(frozen=True)
class Quantity:
    """What the answer is about: its label and unit for a heading, and whether varieties may be
    compared. what: its noun in a sentence ("pods", "kg"); scale: what values are divided by."""

    label: str
    unit: str
    supported: bool
    what: str = ""
    scale: float = 1.0


def looks_so_far(analysis: Analysis, totals: PlotTotals | None) -> Looks | None:
    """Judge every comparison after the picks so far; None where there is none to be made.

    A look is a round of picking with a count. What is said of a look rests on the records up to
    it alone. The error is shared among the comparisons of all varieties planted, whichever have
    borne yet. None where the layout supports no comparison, and where nobody wrote a zero though
    plants were passed over, until trial.toml says what a blank is.
    """
    if totals is None or not analysis.ground.supported or totals.zeros_unsure:
        return None
    check, trial = analysis.check, analysis.records.trial
    planted = [v for v in analysis.order if v in set(totals.plots["variety"])]
    against, over = check in planted, analysis.season_over
    looks = pair_looks(totals, planted, check if against else None)
    if not looks:
        return None
    within = None if trial.worthwhile is None else float(np.log(trial.worthwhile))
    results = evaluate_family(
        looks, trial.looks, varieties=len(planted), against_check=against, last=over,
        alike_within=within, unit="",
    )
    return Looks(looks, results, against, over, totals.day[-1], rests(results, totals.day))


def pair_looks(
    totals: PlotTotals, varieties: Sequence[str], check: str | None
) -> dict[Pair, list[Look]]:
    """Each comparison at each look: log ratio a plant planted, standard error, df.

    varieties: those planted, in order. check: pairs are each variety with it; None for all pairs.
    """
    pairs = ([(v, check) for v in varieties if v != check] if check is not None
             else list(combinations(varieties, 2)))
    out: dict[Pair, list[Look]] = {(str(a), str(b)): [] for a, b in pairs}
    name = totals.plots["variety"].astype(str).to_numpy()
    planted = totals.plots["planted"].to_numpy(float)
    blocks = layout_columns(totals.plots)
    for k, known in enumerate(totals.known):
        fit, there = _fit_look(totals.pods[:, k], planted, name, blocks, varieties)
        for (left, right), series in out.items():
            ratio = NONE
            if fit is not None and left in there and right in there:
                ratio = fit.ratio(there.index(left), there.index(right),
                                  in_all=check is not None)
            series.append(Look(pd.Timestamp(known).date(), *ratio))
    return out


def _fit_look(
    pods: npt.NDArray[np.float64], planted: npt.NDArray[np.float64], name: npt.NDArray[np.object_],
    blocks: npt.NDArray[np.float64], varieties: Sequence[str],
) -> tuple[FittedPlots | None, list[str]]:
    """The plots known at one look, fitted, and the varieties among them by code."""
    known = np.isfinite(pods) & np.isin(name, list(varieties))
    there = [v for v in varieties if (name[known] == v).any()]
    code = np.array([there.index(v) for v in name[known]], dtype=np.int64)
    return fit_plots(pods[known], planted[known], code, blocks[known]), there


def means_so_far(totals: PlotTotals, supported: bool) -> pd.DataFrame:
    """Picked a plant planted up to the newest look: variety, estimate, low, high.

    low, high: 95 % for a single look, from how plots of one variety differ (pooled over
    varieties, in proportion; blocks are not taken out, as this is what the bed gave), t on plots
    less varieties; NaN where the layout supports none.
    """
    pods, planted = totals.pods[:, -1], totals.plots["planted"].to_numpy(float)
    known = np.isfinite(pods)
    frame = totals.plots.loc[known, ["variety"]].assign(
        pods=pods[known], planted=planted[known], each=pods[known] / planted[known])
    by = frame.groupby("variety", sort=False)
    out = by[["pods", "planted"]].sum()
    out["estimate"] = out["pods"] / out["planted"]
    number = by.size()
    relative = frame["each"] / frame["variety"].map(by["each"].mean()).replace(0.0, np.nan) - 1.0
    df = float(relative.notna().sum() - frame.loc[relative.notna(), "variety"].nunique())
    half = np.full(len(out), np.nan)
    if supported and df >= 1:
        half = stats.t.isf(0.025, df) * np.sqrt(float((relative**2).sum()) / df / number)
    out["low"], out["high"] = out["estimate"] * np.exp(-half), out["estimate"] * np.exp(half)
    return out.reset_index()[["variety", "estimate", "low", "high"]]
