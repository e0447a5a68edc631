"""Comparisons among the levels of a factor: all pairs, or each against one.

Tukey-Kramer for all pairs (Tukey 1953; Kramer 1956, Biometrics 12:307), each pair with its own
standard error and degrees of freedom.  Dunnett against one level (Dunnett 1955, J. Am. Stat.
Assoc. 50:1096) by the multivariate t with the comparisons' own correlations.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grid import marginal_rows
from trialkit.mixed.grouping import Floats
from trialkit.mixed.letters import minimal_letters

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
        order = self.means.sort_values("estimate", ascending=False)[self.factor].astype(str).tolist()
        different = {
            frozenset((str(a), str(b)))
            for a, b, p in self.table[["left", "right", "p"]].itertuples(index=False)
            if p < cut
        }
        return minimal_letters(order, different)


def compare_means(
    fit: FixedEffects, factor: str, against: str | None, *, df: str | None,
    level: float, by: str | None = None, ratio: bool = False,
) -> Comparison:
    labels, rows = marginal_rows(fit.part, factor, by)
    name = str(labels.columns[-1])
    method = df or fit.default_df
    pairs = _pairs(labels, name, against, by)
    contrast = np.array([rows[i] - rows[j] for i, j in pairs])
    table = fit._contrast_rows(contrast, method, level)
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
        at = np.flatnonzero((groups == group) & np.isfinite(t))
        if not len(at):
            continue
        if against is None:
            members = len({m for i in np.flatnonzero(groups == group) for m in pairs[i]})
            p[at], half[at] = _tukey(t[at], dof[at], members, level)
        else:
            kept, _ = fit._estimable(contrast[at])
            correlation = _correlation(fit._rows_covariance(kept, method))
            p[at], half[at] = _dunnett(t[at], dof[at], correlation, level)
    low, high = estimate - half * se, estimate + half * se
    out["ratio" if ratio else "estimate"] = np.exp(estimate) if ratio else estimate
    out["se"] = se * np.exp(estimate) if ratio else se
    out["df"], out["statistic"], out["p"] = dof, t, p
    out["low"], out["high"] = (np.exp(low), np.exp(high)) if ratio else (low, high)
    out["reason"] = table["reason"].to_numpy()
    means = pd.concat([labels, fit._contrast_rows(rows, method, level)[["estimate"]]], axis=1)
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


def _tukey(t: Floats, df: Floats, members: int, level: float) -> tuple[Floats, Floats]:
    """p and half-width factor from the studentised range of ``members`` means."""
    if members == 2:
        return 2.0 * stats.t.sf(np.abs(t), df), stats.t.ppf(0.5 + level / 2.0, df)
    p, half = np.empty(len(t)), np.empty(len(t))
    critical: dict[float, float] = {}
    for i, (value, dof) in enumerate(zip(t, df, strict=True)):
        p[i] = stats.studentized_range.sf(abs(value) * np.sqrt(2.0), members, dof)
        key = round(float(dof), 6)
        if key not in critical:
            critical[key] = float(stats.studentized_range.ppf(level, members, dof)) / np.sqrt(2.0)
        half[i] = critical[key]
    return np.clip(p, 0.0, 1.0), half


def _correlation(covariance: Floats) -> Floats:
    size = np.sqrt(np.diagonal(covariance))
    out: Floats = covariance / size[:, None] / size[None, :]
    np.fill_diagonal(out, 1.0)
    return out


def _dunnett(
    t: Floats, df: Floats, correlation: Floats, level: float
) -> tuple[Floats, Floats]:
    """p and half-width factor: P(max |T_i| > |t|) for the multivariate t, each row's own df."""
    if len(t) == 1:
        return 2.0 * stats.t.sf(np.abs(t), df), stats.t.ppf(0.5 + level / 2.0, df)
    inside = _Rectangle(correlation)
    p, half = np.empty(len(t)), np.empty(len(t))
    critical: dict[float, float] = {}
    for i, (value, dof) in enumerate(zip(t, df, strict=True)):
        p[i] = 1.0 - inside.probability(abs(float(value)), float(dof))
        key = round(float(dof), 6)
        if key not in critical:
            bounds = stats.t.ppf([0.5 + level / 2.0, 1.0 - (1.0 - level) / 2.0 / (len(t) + 1)], dof)
            critical[key] = float(
                optimize.brentq(
                    lambda c, d=float(dof): inside.probability(c, d) - level,
                    bounds[0] * 0.999, bounds[1] * 1.01, xtol=1e-6,
                )
            )
        half[i] = critical[key]
    return np.clip(p, 0.0, 1.0), half


class _Rectangle:
    """P(|T_1| < c, ..., |T_m| < c) for a multivariate t with a given correlation.

    The scale is integrated by Gauss-Legendre over the chi distribution's quantiles.  Given the
    scale, a correlation of product form r_ij = l_i l_j (equal variances: exact for means of
    balanced data) reduces the rest to one dimension (Dunnett 1955); any other correlation goes to
    scipy's multivariate normal integral.
    """

    NODES = 48

    def __init__(self, correlation: Floats) -> None:
        self.correlation = correlation
        self.loadings = _product_form(correlation)
        x, w = np.polynomial.legendre.leggauss(self.NODES)
        self.z = 8.0 * x
        self.zw = 8.0 * w * stats.norm.pdf(self.z)
        self.u, self.uw = 0.5 * (x + 1.0), 0.5 * w

    def probability(self, c: float, df: float) -> float:
        if not np.isfinite(df):
            return float(self._normal(np.array([c]))[0])
        if self.loadings is None:
            return self._quasi(c, df)
        # chi on df degrees, by its quantiles: smooth integrand, no tail to cut by hand
        scale = np.sqrt(stats.chi2.ppf(self.u, df) / df)
        return float(self.uw @ self._normal(c * scale))

    def _normal(self, c: Floats) -> Floats:
        if self.loadings is None:
            m = len(self.correlation)
            law = stats.multivariate_normal(np.zeros(m), self.correlation, allow_singular=True)
            return np.array(
                [law.cdf(np.full(m, b), lower_limit=np.full(m, -b), rng=1) for b in c]
            )
        load = self.loadings[None, None, :]
        spread = np.sqrt(1.0 - load**2)
        centre = load * self.z[None, :, None]
        edge = c[:, None, None]
        inside = stats.norm.cdf((edge - centre) / spread) - stats.norm.cdf((-edge - centre) / spread)
        return np.asarray(inside.prod(axis=2) @ self.zw)

    def _quasi(self, c: float, df: float) -> float:
        m = len(self.correlation)
        law = stats.multivariate_t(np.zeros(m), self.correlation, df, allow_singular=True)
        return float(
            law.cdf(np.full(m, c), lower_limit=np.full(m, -c), maxpts=200_000, random_state=1)
        )


def _product_form(correlation: Floats) -> Floats | None:
    """Loadings l with r_ij = l_i l_j off the diagonal, or None where there are none."""
    m = len(correlation)
    if m == 2:
        root = np.sqrt(abs(correlation[0, 1]))
        return np.array([root, np.sign(correlation[0, 1]) * root])
    off = correlation - np.eye(m)
    if (np.abs(off[~np.eye(m, dtype=bool)]) < 1e-12).any():
        return None
    square = off[0, 1] * off[0, 2] / off[1, 2]
    if not 0.0 < square < 1.0:
        return None
    loadings = np.empty(m)
    loadings[0] = np.sqrt(square)
    loadings[1:] = off[0, 1:] / loadings[0]
    fitted = np.outer(loadings, loadings)
    np.fill_diagonal(fitted, 0.0)
    if np.abs(fitted - off).max() > 1e-8 or (np.abs(loadings) >= 1.0).any():
        return None
    return loadings
