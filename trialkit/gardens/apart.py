"""How far varieties are apart over all trials, jointly: the one place comparisons come from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.fitting import LEVEL, SecondFit, fit_second
from trialkit.gardens.rows import Rows
from trialkit.mixed.grid import marginal_rows
from trialkit.models.comparing import ALPHA, compare

Floats = npt.NDArray[np.float64]
ALIKE = 1.1
"""Degrees of freedom within this factor count as one number."""


@dataclass(frozen=True, eq=False)
class Apart:
    """mean (v,): about their own mean, model scale.  covariance (v, v): of these deviations,
    small-sample adjusted; NaN where the layout gives no measure of error.  check: what each is
    set against, None for the mean of all.  df_each (v,): of each variety's difference from that,
    NaN below 1, where nothing can be judged.  df: of the whole, the median of any two's.
    """

    varieties: tuple[str, ...]
    mean: Floats
    covariance: Floats
    check: str | None
    df_each: Floats
    df: float

    @property
    def judged(self) -> bool:
        """Whether any difference has an error to judge it by."""
        return bool(np.isfinite(self.df) and np.isfinite(self.df_each).any())

    @property
    def weights(self) -> Floats:
        """(v, v): the means' weights in each variety's difference from the check or the mean."""
        v = len(self.varieties)
        if self.check is None:
            return np.eye(v) - 1.0 / v
        weights = np.eye(v)
        weights[:, self.varieties.index(self.check)] -= 1.0
        return weights


def apart(second: SecondFit, varieties: Sequence[str], check: str | None) -> Apart:
    """Differences of `varieties` (all linked) in the fitted model.

    The Kenward-Roger variances of all pairs, D (v, v), are turned into the covariance of the
    deviations from the mean, -JDJ/2 with J the centring matrix (Gower 1966, Biometrika 53:325),
    which gives each pair its own variance back.  Degrees of freedom are Kenward and Roger's, but
    never more than varieties and trials leave: a variance that REML puts at zero frees none.
    """
    names = tuple(varieties)
    v = len(names)
    to = check if check in names else None
    if v < 2:
        return undetermined(names, np.zeros(v), check)
    labels, rows = marginal_rows(second.fit.part, "variety")
    at = [list(labels["variety"]).index(name) for name in names]
    rows = rows[at]
    pairs = list(combinations(range(v), 2))
    table = second.fit.contrast(np.array([rows[i] - rows[j] for i, j in pairs]))
    difference, distance = np.zeros((v, v)), np.zeros((v, v))
    for (i, j), estimate, se in zip(pairs, table["estimate"], table["se"], strict=True):
        difference[i, j], difference[j, i] = estimate, -estimate
        distance[i, j] = distance[j, i] = se**2
    centre = np.eye(v) - 1.0 / v
    frame = Apart(names, difference.mean(axis=1), -0.5 * centre @ distance @ centre, to,
                  np.full(v, np.nan), float("nan"))
    others = [i for i in range(v) if names[i] != to]
    own = second.fit.contrast((frame.weights @ rows)[others])["df"].to_numpy(dtype=np.float64)
    each = np.full(v, np.nan)
    each[others] = _capped(own, second.df)
    whole = float(np.median(np.fmin(table["df"].to_numpy(dtype=np.float64), second.df)))
    return Apart(names, frame.mean, frame.covariance, to, each,
                 whole if whole >= 1.0 else float("nan"))


def fitted_apart(rows: Rows) -> tuple[SecondFit, Apart]:
    """Stage 2 fitted, and the differences of the varieties that are compared.

    Kenward and Roger's degrees of freedom vanish where a variance rests on next to nothing.  A
    term estimated as zero is then left out, which changes no estimate; where variety x trial is
    the only one, the degrees of freedom are those of varieties and trials (the layout's own).
    Raises MixedModelError where the core does.
    """
    second = fit_second(rows)
    found = apart(second, rows.main, rows.check)
    if found.judged:
        return second, found
    terms = [name for name in second.terms if name != LEVEL]
    zero = [name for name in terms[1:] if second.terms[name] <= 1e-6]
    if zero:
        second = fit_second(rows, without=zero)
        found = apart(second, rows.main, rows.check)
        terms = [name for name in second.terms if name != LEVEL]
    if not found.judged and len(terms) == 1 and second.df >= 1:
        each = np.where([name == found.check for name in found.varieties], np.nan, second.df)
        found = replace(found, df_each=each, df=second.df)
    return second, found


def undetermined(varieties: tuple[str, ...], mean: Floats, check: str | None) -> Apart:
    """Means without any measure of error."""
    v = len(varieties)
    return Apart(varieties, mean, np.full((v, v), np.nan), check if check in varieties else None,
                 np.full(v, np.nan), float("nan"))


def _capped(df: Floats, most: float) -> Floats:
    least = np.fmin(df, most)
    return np.where(least >= 1.0 - 1e-9, least, np.nan)


def against(found: Apart) -> pd.DataFrame:
    """Each variety against the check, or against the mean of all, on the model's scale: variety,
    estimate, low, high, p, df; one row a variety, in order.

    Simultaneous over the varieties: Dunnett's with a check, where all differences have much the
    same degrees of freedom; else Bonferroni's, each difference with its own.
    """
    names = list(found.varieties)
    known = found.df_each[np.isfinite(found.df_each)]
    alike = len(known) > 0 and float(known.max()) <= ALIKE * float(known.min())
    if found.check is not None and alike and len(known) == len(names) - 1:
        table = compare(names, found.mean, found.covariance, float(known.min()), found.check, False)
        out = table.against_check.set_index("variety").reindex(names).reset_index()
    else:
        weights = found.weights
        value = weights @ found.mean
        se = np.sqrt(np.maximum(np.diagonal(weights @ found.covariance @ weights.T), 0.0))
        many = max(len(names) - (found.check is not None), 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = np.minimum(1.0, many * 2.0 * stats.t.sf(np.abs(value / se), found.df_each))
        half = stats.t.isf(0.5 * ALPHA / many, found.df_each) * se
        out = pd.DataFrame({"variety": names, "estimate": value, "low": value - half,
                            "high": value + half, "p": p, "df": found.df_each})
    if found.check is not None:
        itself = out["variety"] == found.check
        out.loc[itself, ["estimate", "low", "high"]] = 0.0
        out.loc[itself, ["p", "df"]] = np.nan
    return out[["variety", "estimate", "low", "high", "p", "df"]]
