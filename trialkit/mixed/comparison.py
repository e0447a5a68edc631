"""Comparisons among the levels of a factor: all pairs, or each against one.

Tukey-Kramer for all pairs (Tukey 1953; Kramer 1956, Biometrics 12:307), each pair with its own
standard error and degrees of freedom.  Dunnett against one level (Dunnett 1955, J. Am. Stat.
Assoc. 50:1096) by the multivariate t with the comparisons' own correlations.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grid import marginal_rows
from trialkit.mixed.grouping import Floats
from trialkit.mixed.letters import minimal_letters
from trialkit.mixed.manymeans import LargestT, range_ppfs, range_sf
from trialkit.mixed.smallsample import check_level
from trialkit.mixed.threads import single_threaded

if TYPE_CHECKING:
    from trialkit.mixed.inference import FixedEffects


@dataclass(frozen=True)
class Comparison:
    """Compared levels.  ``table``: left, right, estimate (left - right) or ratio (left / right),
    se, df, statistic, p, low, high, reason; simultaneous over the family ``adjustment`` names."""

    table: pd.DataFrame
    factor: str
    adjustment: str
    level: float
    means: pd.DataFrame = field(repr=False)

    def __getitem__(self, column: str) -> pd.Series:
        """A column of the table."""
        return self.table[column]

    def __len__(self) -> int:
        return len(self.table)

    def to_frame(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        shown = self.table if (self.table["reason"] != "").any() else self.table.drop(
            columns="reason")  # fmt: skip
        what = "all pairs, Tukey-Kramer" if self.adjustment == "tukey" else "Dunnett"
        table = shown.to_html(index=False, float_format="{:.5g}".format)
        return f"<p>{html.escape(self.factor)}: {what}, level {self.level:g}</p>{table}"

    def letters(self, alpha: float | None = None) -> dict[str, str]:
        """Levels that share a letter are not told apart at ``alpha`` (default 1 - level).

        A cover of all such pairs with the fewest letters found; every level gets one at least.
        Raises MixedModelError for comparisons against one level only, or with missing pairs.
        """
        cut = 1.0 - self.level if alpha is None else alpha
        if self.adjustment != "tukey":
            raise MixedModelError("letters need all pairs; call compare without 'against'.")
        if self.table["p"].isna().any():
            raise MixedModelError("letters need every pair; some pairs are not estimable.")
        order = (
            self.means.sort_values("estimate", ascending=False)[self.factor].astype(str).tolist()
        )
        different = {
            frozenset((str(a), str(b)))
            for a, b, p in self.table[["left", "right", "p"]].itertuples(index=False)
            if p < cut
        }
        return minimal_letters(order, different)


@single_threaded
def compare_means(
    fit: FixedEffects,
    factor: str,
    against: str | None,
    *,
    df: str | float | None,
    level: float,
    by: str | None = None,
    ratio: bool = False,
    at: Mapping[str, float] | None = None,
) -> Comparison:
    from trialkit.mixed.inference import at_infinity

    labels, rows = marginal_rows(fit.part, factor, by, at)
    name = str(labels.columns[-1])
    method = fit.default_df if df is None else df
    check_level(level)
    pairs = _pairs(labels, name, against, by)
    contrast = np.array([rows[i] - rows[j] for i, j in pairs])
    table = fit._contrast_rows(contrast, method, level, limits=False)
    out = pd.DataFrame(
        {"left": [labels[name][i] for i, _ in pairs], "right": [labels[name][j] for _, j in pairs]}
    )
    if by is not None:
        out.insert(0, by, [labels.iloc[i, 0] for i, _ in pairs])
    estimate, se = table["estimate"].to_numpy(), table["se"].to_numpy()
    dof, t = table["df"].to_numpy(), table["t"].to_numpy()
    groups = out[by].to_numpy() if by is not None else np.zeros(len(out))
    p, half = np.full(len(out), np.nan), np.full(len(out), np.nan)
    for group in pd.unique(groups):
        here = np.flatnonzero((groups == group) & np.isfinite(t))
        if not len(here):
            continue
        if against is None:
            members = len({m for i in np.flatnonzero(groups == group) for m in pairs[i]})
            p[here], half[here] = _tukey(t[here], dof[here], members, level)
        else:
            kept, _ = fit._estimable(contrast[here])
            correlation = _correlation(fit._rows_covariance(kept, method))
            p[here], half[here] = _dunnett(t[here], dof[here], correlation, level)
    low, high = estimate - half * se, estimate + half * se
    kept, ok = fit._estimable(contrast)
    far = np.where(ok, fit._far(kept), 0.0)
    for i in np.flatnonzero(far != 0.0):
        low[i], high[i] = fit._far_limits(kept[i], far[i], half[i], dof[i])
    out["ratio" if ratio else "estimate"] = np.exp(estimate) if ratio else estimate
    out["se"] = se * np.exp(estimate) if ratio else se
    out["df"], out["statistic"], out["p"] = dof, t, p
    out["low"], out["high"] = (np.exp(low), np.exp(high)) if ratio else (low, high)
    out["reason"] = table["reason"].to_numpy()
    kept, ok = fit._estimable(rows)
    level_at = np.where(ok, kept @ fit._beta, np.nan)
    far = np.where(ok, fit._far(kept), 0.0)
    means = labels.assign(estimate=np.where(far == 0.0, level_at, at_infinity(far)))
    return Comparison(out, name, "tukey" if against is None else "dunnett", level, means)


def _pairs(
    labels: pd.DataFrame, name: str, against: str | None, by: str | None
) -> list[tuple[int, int]]:
    groups = labels[by] if by is not None and by in labels else pd.Series(0, index=labels.index)
    pairs: list[tuple[int, int]] = []
    for _, at in labels.groupby(groups.to_numpy(), sort=False).groups.items():
        members = list(at)
        if against is None:
            pairs += [(i, j) for k, i in enumerate(members) for j in members[k + 1 :]]
            continue
        base = [i for i in members if str(labels[name][i]) == str(against)]
        if not base:
            have = ", ".join(str(v) for v in labels[name].unique())
            raise MixedModelError(f"'{against}' is not a level of {name}; levels: {have}.")
        pairs += [(i, base[0]) for i in members if i != base[0]]
    return pairs


def _pairwise(t: Floats, df: Floats, level: float) -> tuple[Floats, Floats]:
    """A single comparison needs no more than its own t."""
    p, half = 2.0 * stats.t.sf(np.abs(t), df), stats.t.ppf(0.5 + level / 2.0, df)
    return np.asarray(p), np.asarray(half)


def _tukey(t: Floats, df: Floats, members: int, level: float) -> tuple[Floats, Floats]:
    """p and half-width factor from the studentised range of ``members`` means."""
    if members == 2:
        return _pairwise(t, df, level)
    root = np.sqrt(2.0)
    dfs = np.round(df, 6)
    p = [range_sf(abs(float(v)) * root, members, float(d)) for v, d in zip(t, dfs, strict=True)]
    return np.array(p), range_ppfs(level, members, dfs) / root


def _dunnett(t: Floats, df: Floats, correlation: Floats, level: float) -> tuple[Floats, Floats]:
    """p and half-width factor: P(max |T_i| > |t|), each row with its own df."""
    if len(t) == 1:
        return _pairwise(t, df, level)
    law = LargestT(correlation)
    dfs = np.round(df, 6)
    p = [law.sf(abs(float(v)), float(d)) for v, d in zip(t, dfs, strict=True)]
    return np.array(p), law.isfs(1.0 - level, dfs)


def _correlation(covariance: Floats) -> Floats:
    """Comparisons without a variance (at infinity) count as independent, which is the careful side
    (Sidak 1967, J. Am. Stat. Assoc. 62:626)."""
    size = np.sqrt(np.diagonal(covariance))
    size = np.where(size > 0.0, size, np.inf)
    out: Floats = covariance / size[:, None] / size[None, :]
    np.fill_diagonal(out, 1.0)
    return out
