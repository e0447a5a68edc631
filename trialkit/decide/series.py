"""The comparison as it stood after every pick, from the totals of the plots so far."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np
import pandas as pd

from trialkit.decide.looks import Look, LooksResult, evaluate_family
from trialkit.models.analysis import Analysis
from trialkit.models.counting import date_pace
from trialkit.models.pods import PodsResult
from trialkit.models.results import Missing

Pair = tuple[str, str]


@dataclass(frozen=True)
class Looks:
    """totals: looks of each pair (left, right) from plot totals, one a pick date.  results: the
    judgement of each pair, its last look from the full model.  against_check: pairs are each
    variety with the check, else all pairs."""

    totals: dict[Pair, list[Look]]
    results: dict[Pair, LooksResult]
    against_check: bool


def looks_so_far(analysis: Analysis) -> Looks | None:
    """Judge every comparison after the picks so far; None where the design supports none.

    Earlier looks come from the plots' totals (variety and block on their logarithms): the same
    comparison as the full model's, at a cost that lets it be made again for every pick.  The
    newest is the full model's own.
    """
    pods = analysis.pods
    if isinstance(pods, Missing) or not pods.supported:
        return None
    totals = plot_total_looks(pods, analysis.check)
    if not totals:
        return None
    against = analysis.check in pods.varieties
    where = {v: i for i, v in enumerate(pods.varieties)}
    series = {}
    for (left, right), looks in totals.items():
        i, j = where[left], where[right]
        c = pods.covariance
        se = float(np.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0)))
        newest = Look(looks[-1].date, float(pods.log_rate[i] - pods.log_rate[j]), se, pods.df)
        series[left, right] = [*looks[:-1], newest]
    results = evaluate_family(
        series, analysis.records.trial.looks, varieties=len(pods.varieties),
        against_check=against, unit="",
    )
    return Looks(totals, results, against)


def plot_total_looks(pods: PodsResult, check: str | None) -> dict[Pair, list[Look]]:
    """Each comparison after each pick: log ratio, standard error, df of the layout."""
    looks = pods.looks
    expected = looks.assign(expected=looks["days"] * date_pace(looks))
    table = expected.pivot_table(index="unit", columns="date", values=["pods", "expected"],
                                 aggfunc="sum", fill_value=0.0)
    dates = [pd.Timestamp(d).date() for d in np.sort(looks["date"].unique())]
    seen = table["pods"].to_numpy(float).cumsum(axis=1)
    due = table["expected"].to_numpy(float).cumsum(axis=1)
    about = looks.drop_duplicates("unit").set_index("unit").loc[table.index]
    varieties = [str(v) for v in pods.varieties]
    x = np.array([[float(v == name) for name in varieties] for v in about["variety"]])
    z = pd.get_dummies(about["block"]).to_numpy(float)
    full = np.hstack([x, z[:, 1:] - z[:, :1]])
    index = np.log((seen + 0.5) / (due + 0.5))
    pairs = ([(v, check) for v in varieties if v != check] if check in varieties
             else list(combinations(varieties, 2)))
    out: dict[Pair, list[Look]] = {(str(a), str(b)): [] for a, b in pairs}
    for k, when in enumerate(dates):
        there = due[:, k] > 0
        for pair, look in _one_date(full[there], index[there, k], varieties, list(out), when):
            out[pair].append(look)
    return out


def _one_date(
    x: np.ndarray, y: np.ndarray, varieties: list[str], pairs: list[Pair], when: date
) -> list[tuple[Pair, Look]]:
    nothing = [(pair, Look(when, np.nan, np.nan, np.nan)) for pair in pairs]
    if len(y) == 0 or not (x[:, : len(varieties)].sum(axis=0) > 0).all():
        return nothing
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    df = float(len(y) - rank)
    if df < 1:
        return nothing
    variance = float(((y - x @ beta) ** 2).sum()) / df
    inverse = np.linalg.pinv(x.T @ x)
    out = []
    for left, right in pairs:
        step = np.zeros(x.shape[1])
        step[varieties.index(left)], step[varieties.index(right)] = 1.0, -1.0
        se = float(np.sqrt(np.maximum(step @ inverse @ step * variance, 0.0)))
        out.append(((left, right), Look(when, float(step @ beta), se, df)))
    return out
