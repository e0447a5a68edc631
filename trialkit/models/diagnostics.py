"""Can the answer be trusted: spread of the counts, odd plots, doubtful records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.counting import counted_looks, unit_index
from trialkit.models.plot_totals import plot_contrasts, without_each
from trialkit.models.pods import PodsResult
from trialkit.models.support import Support

if TYPE_CHECKING:
    from trialkit.records import Records


@dataclass(frozen=True)
class Diagnostics:
    """residuals: what the randomised quantile residuals show, a row a check: check, value,
    expected, words.  influence: unit, variety, ratio (headline ratio without that plot), change
    (share), words.  doubts: variety, ratio, without (ratio with the doubtful picks left out),
    change.  remarks: sentences for a grower."""

    residuals: pd.DataFrame = field(default_factory=pd.DataFrame)
    influence: pd.DataFrame = field(default_factory=pd.DataFrame)
    doubts: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantile: np.ndarray = field(default_factory=lambda: np.zeros(0), repr=False, compare=False)
    remarks: tuple[str, ...] = ()


def diagnose(
    records: Records, pods: PodsResult, ground: Support, headline: str | None, check: str | None
) -> Diagnostics:
    """Diagnostics of the pods model; empty where no model was fitted.

    headline: the variety whose ratio to the check the answer names.
    """
    if pods.fit is None:
        return Diagnostics(remarks=("No model was fitted, so there is nothing to diagnose.",))
    quantile = pods.fit.residuals(kind="quantile", seed=1)
    residuals, remarks = _residuals(pods, quantile)
    influence, doubts = pd.DataFrame(), pd.DataFrame()
    if headline is not None and check is not None and headline != check:
        influence = leave_one_out(pods, headline, check)
        doubts = without_doubtful(records, pods, ground, check)
        remarks += _said(influence, doubts, headline, check)
    return Diagnostics(residuals, influence, doubts, quantile, tuple(remarks))


def _residuals(pods: PodsResult, quantile: np.ndarray) -> tuple[pd.DataFrame, list[str]]:
    fit = pods.fit
    assert fit is not None
    zeros = float((fit.y == 0).mean())
    expected = float(np.mean(fit.family.cdf(np.zeros(fit.n), fit.mode.eta, fit.log_size)))
    spread, far = float(quantile.std()), float((np.abs(quantile) > 3).mean())
    rows = [
        ("spread of the residuals", spread, 1.0),
        ("residuals beyond 3", far, float(2 * stats.norm.sf(3))),
        ("picks with nothing", zeros, expected),
    ]
    remarks = []
    if zeros > expected + 3 * np.sqrt(expected * (1 - expected) / fit.n) + 0.01:
        remarks.append("There are more empty picks than the model expects: something stopped "
                       "whole plants at times.")
    if far > 0.01:
        remarks.append("Some picks are far from anything expected; see the doubtful records.")
    if not remarks:
        remarks.append("The counts vary about as the model says they should.")
    return pd.DataFrame(rows, columns=["check", "value", "expected"]), remarks


def leave_one_out(pods: PodsResult, headline: str, check: str) -> pd.DataFrame:
    """The headline ratio without each plot in turn, from the plots' totals."""
    index = unit_index(pods.looks, "unit")
    ratio = np.exp(without_each(index, headline, check))
    out = index[["unit", "variety"]].assign(
        ratio=ratio, change=ratio / _ratio(index, headline, check) - 1.0)
    return out.reindex(out["change"].abs().sort_values(ascending=False).index).reset_index(
        drop=True)


def without_doubtful(
    records: Records, pods: PodsResult, ground: Support, check: str
) -> pd.DataFrame:
    """Ratios to the check with and without the picks listed as doubtful."""
    doubtful = doubtful_picks(records)
    if not len(doubtful):
        return pd.DataFrame()
    kept = records.picks.drop(index=doubtful)
    looks = counted_looks(_Picks(records.plants, kept))  # type: ignore[arg-type]
    looks = ground.located(looks[looks["variety"].isin(pods.varieties)])
    with_all, without = unit_index(pods.looks, "unit"), unit_index(looks, "unit")
    rows = []
    for variety in pods.varieties:
        if variety != check:
            a, b = _ratio(with_all, variety, check), _ratio(without, variety, check)
            rows.append((variety, a, b, b / a - 1.0))
    return pd.DataFrame(rows, columns=["variety", "ratio", "without", "change"])


@dataclass(frozen=True)
class _Picks:
    plants: pd.DataFrame
    picks: pd.DataFrame


def doubtful_picks(records: Records) -> pd.Index:
    """Rows of the picks frame that a doubt names by line (the heading is line 1).

    A doubt whose quoted value does not stand there (blank lines in the file, rows left out) is
    passed over.
    """
    doubts = records.doubts
    if doubts.empty:
        return pd.Index([])
    own = doubts[doubts["file"].astype(str).str.startswith("picks")]
    picks = records.picks
    rows = []
    for line, column, value in zip(own["line"], own["column"], own["value"], strict=True):
        at = int(line) - 2 if pd.notna(line) else -1
        if 0 <= at < len(picks) and column in picks and _says(picks[column].iloc[at], value):
            rows.append(picks.index[at])
    found: pd.Index = pd.Index(sorted(set(rows)))
    return found


def _says(found: object, said: object) -> bool:
    """Whether a cell of the frame is what a doubt quotes, so that a shifted line is not taken."""
    if isinstance(found, pd.Timestamp):
        return found.strftime("%Y-%m-%d") == str(said)
    try:
        return float(str(found)) == float(str(said))
    except ValueError:
        return str(found) == str(said)


def _ratio(index: pd.DataFrame, left: str, right: str) -> float:
    contrast = plot_contrasts(index)
    if left not in contrast.varieties or right not in contrast.varieties:
        return float("nan")
    at = contrast.varieties.index
    return float(np.exp(contrast.estimate[at(left)] - contrast.estimate[at(right)]))


def _said(
    influence: pd.DataFrame, doubts: pd.DataFrame, headline: str, check: str
) -> list[str]:
    out = []
    if len(influence) and np.isfinite(influence["change"].iloc[0]):
        top = influence.iloc[0]
        whole = top["ratio"] / (1 + top["change"])
        out.append(
            f"The plot that matters most is {top['unit']} ({top['variety']}): without it "
            f"{headline} would stand at {top['ratio']:.2g} times {check} instead of {whole:.2g}."
        )
    if len(doubts):
        most = float(doubts["change"].abs().max())
        out.append("Leaving out the doubtful picks changes no ratio by more than "
                   f"{max(most, 0.001):.1%}.")
    return out
