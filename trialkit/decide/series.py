"""The comparison as it stood after every pick, from the totals of the plots so far.

Why totals and not the model of every record decide. A comparison that is looked at twenty
times must say the same of a look whenever it is asked, and its error must be known over all
looks together. The logarithms of plot totals are one number a plot, and their analysis of
variance has exactly the degrees of freedom that the layout gives: the theory behind the
boundaries applies. The model of every record (`models.pods`) gives the same estimate within 2
or 3 %. Where it puts the plots' variance at zero, though, its standard error rests on all records
while its test keeps to the layout's few degrees of freedom: safe for one test, but how safe
differs from look to look (tests/decide/README.md; route_study.py --model).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np
import pandas as pd

from trialkit.decide.looks import Look, LooksResult, evaluate_family
from trialkit.models.analysis import Analysis
from trialkit.models.counting import ONE_LOOK, date_pace
from trialkit.models.plot_totals import layout_columns
from trialkit.models.results import Missing

Pair = tuple[str, str]

LEAST_SHARE = 0.01
"""At an early look two or three plots can agree to the pod, and a standard error of nothing would
settle anything; this much of chance stops that. The whole of it is too much where degrees of
freedom are few: with 3 blocks of two varieties it named a false winner in 0.1 % of 4000 seasons,
where 5 % are allowed, and power goes with it."""


@dataclass(frozen=True)
class Looks:
    """totals: looks of each pair (left, right) from plot totals, one a pick date.  results: the
    judgement of each pair.  against_check: pairs are each variety with the check, else all
    pairs.  season_over: no look will follow."""

    totals: dict[Pair, list[Look]]
    results: dict[Pair, LooksResult]
    against_check: bool
    season_over: bool = False


def looks_so_far(analysis: Analysis) -> Looks | None:
    """Judge every comparison after the picks so far; None where the design supports none.

    A look is a date with a count; a date without one is none.  All looks are those of the plots'
    totals up to their date, so that what was said at a look is said of it ever after.  The error
    is shared among the comparisons of all varieties planted, whichever have borne yet.
    """
    pods = analysis.pods
    if isinstance(pods, Missing) or not pods.supported:
        return None
    totals = plot_total_looks(pods.looks, list(pods.varieties), analysis.check)
    if not totals:
        return None
    against, over = analysis.check in pods.varieties, season_over(analysis)
    results = evaluate_family(
        totals, analysis.records.trial.looks,
        varieties=max(analysis.ground.units["variety"].nunique(), len(pods.varieties)),
        against_check=against, last=over, unit="",
    )
    return Looks(totals, results, against, over)


def season_over(analysis: Analysis) -> bool:
    """Whether no look will follow: trial.toml says when the trial ended, or no plant is left.

    A report of an earlier day (`until`) is not over, nor is a trial picked again after the day
    it is said to have ended.
    """
    records = analysis.records
    last = pd.Timestamp(analysis.looks["date"].max())
    ended = records.trial.ended
    if ended is not None and (records.until is None or records.until >= ended):
        return bool(last <= pd.Timestamp(ended))
    lost = records.plants.drop_duplicates("plant")["lost"]
    return bool(len(lost) and lost.notna().all())


def plot_total_looks(
    looks: pd.DataFrame, varieties: Sequence[str], check: str | None
) -> dict[Pair, list[Look]]:
    """Each comparison after each pick: log ratio, standard error, df of the layout.

    looks: as `models.pods.prepared` gives them.  varieties: those that have borne by the end.
    At each date the varieties that have borne by then are compared, by least squares on variety
    and block of log((pods + 1/2) / (expected + 1/2)), expected as in `counting.unit_index`.
    """
    looks = looks.assign(days=_days_known_then(looks))
    dates = np.sort(looks["date"].unique())
    bore = looks[looks["pods"] > 0].groupby("variety")["date"].min()
    pairs = ([(v, check) for v in varieties if v != check] if check in varieties
             else list(combinations(varieties, 2)))
    out: dict[Pair, list[Look]] = {(str(a), str(b)): [] for a, b in pairs}
    borne: list[str] = []
    for k, when in enumerate(dates):
        by_now = [v for v in varieties if v in bore.index and bore[v] <= when]
        if k == 0 or by_now != borne:
            borne, plots = by_now, _plots(looks[looks["variety"].isin(by_now)], dates)
        found = _one_date(plots, k, borne, pd.Timestamp(when).date())
        for (left, right), series in out.items():
            series.append(found(left, right))
    return out


@dataclass(frozen=True)
class _Plots:
    """variety (n,), blocks (n, any) the columns of what the layout takes out; seen, due and index
    (n, dates): pods picked and expected up to each date, and the logarithm of the one over the
    other."""

    variety: np.ndarray
    blocks: np.ndarray
    seen: np.ndarray
    due: np.ndarray
    index: np.ndarray


def _plots(looks: pd.DataFrame, dates: np.ndarray) -> _Plots:
    expected = looks.assign(expected=looks["days"] * date_pace(looks))
    seen, due = (
        expected.pivot_table(index="unit", columns="date", values=name, aggfunc="sum",
                             fill_value=0.0)
        .reindex(columns=dates, fill_value=0.0).cumsum(axis=1) for name in ("pods", "expected")
    )
    about = looks.drop_duplicates("unit").set_index("unit").loc[seen.index]
    picked, awaited = seen.to_numpy(float), due.to_numpy(float)
    return _Plots(about["variety"].astype(str).to_numpy(), layout_columns(about), picked, awaited,
                  np.log((picked + 0.5) / (awaited + 0.5)))


def _days_known_then(looks: pd.DataFrame) -> pd.Series:
    """Days of each look, a plant's first one having the usual gap as known on its own date."""
    days = looks["days"].astype(float).copy()
    for when in looks.loc[looks["first"], "date"].unique():
        known = looks.loc[~looks["first"] & (looks["date"] <= when), "days"]
        now = looks["first"] & (looks["date"] == when)
        days[now] = float(known.median()) if len(known) else ONE_LOOK
    return days


def _one_date(
    plots: _Plots, k: int, varieties: Sequence[str], when: date
) -> Callable[[str, str], Look]:
    """The look at any pair at date number k; NaN where there is no such comparison yet.

    The variance is that of the plots, but never less than LEAST_SHARE of what pods that fell by
    chance alone would give (Poisson: 1 / n for the logarithm of n).
    """
    def nothing(left: str, right: str) -> Look:
        return Look(when, np.nan, np.nan, np.nan)

    there = plots.due[:, k] > 0
    some = [v for v in varieties if (plots.variety[there] == v).any()]
    if len(some) < 2:
        return nothing
    x = np.hstack([plots.variety[there, None] == np.array(some), plots.blocks[there]])
    y = plots.index[there, k]
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    df = float(len(y) - rank)
    if df < 1:
        return nothing
    mean_square = float(((y - x @ beta) ** 2).sum()) / df
    inverse = np.linalg.pinv(x.T @ x)

    def look(left: str, right: str) -> Look:
        if left not in some or right not in some:
            return nothing(left, right)
        step = np.zeros(x.shape[1])
        step[some.index(left)], step[some.index(right)] = 1.0, -1.0
        weights = x @ inverse @ step  # of each plot in the difference
        if np.abs(x.T @ weights - step).max() > 1e-6:
            return nothing(left, right)  # no block among those picked holds the two together
        by_chance = float(weights**2 @ (1.0 / (plots.seen[there, k] + 0.5)))
        variance = max(float(weights @ weights) * mean_square, LEAST_SHARE * by_chance)
        return Look(when, float(step @ beta), float(np.sqrt(variance)), df)

    return look
