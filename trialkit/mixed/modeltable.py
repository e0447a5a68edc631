"""Fits of the same records side by side: likelihood ratio and information criteria.

AIC: Akaike 1974, IEEE Trans. Autom. Control 19:716.  BIC: Schwarz 1978, Ann. Stat. 6:461.  A
variance tested at zero lies on the edge of what is possible, so that chi-squared gives too large a
p, for one variance twice (Self & Liang 1987, J. Am. Stat. Assoc. 82:605).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.grouping import Floats

EDGE = "a variance is tested at zero: p is too large, at most by a factor of two for one variance"


def compare_fits(*fits: MixedFit, names: list[str] | None = None) -> pd.DataFrame:
    """A row a fit, fewest parameters first: formula, parameters, log_likelihood, aic, bic, and
    against the row above statistic, df, p, remark.

    Raises MixedModelError for fits of different records, kinds or methods, and for REML fits
    whose fixed parts differ: their likelihoods are of different quantities; refit by ML.
    """
    if len(fits) < 2:
        raise MixedModelError("give two fits or more to compare.")
    first = fits[0]
    for other in fits[1:]:
        if _kind(other) != _kind(first):
            raise MixedModelError(
                f"fits of different kinds cannot be compared: {_kind(first)} and {_kind(other)}."
            )
        if len(other.y) != len(first.y) or not np.array_equal(other.y, first.y):
            raise MixedModelError("the fits are of different records or responses.")
        if other.method != first.method:
            raise MixedModelError(
                f"one fit is by {first.method.upper()}, another by {other.method.upper()}; "
                "refit them alike."
            )
        if first.method == "reml" and not (_within(first, other) and _within(other, first)):
            raise MixedModelError(
                f"REML fits with different fixed parts cannot be compared ('{first.formula}' and "
                f"'{other.formula}'): the likelihoods are of different residuals. Refit both with "
                "method='ml'."
            )
    titles = names or [f"fit {i + 1}" for i in range(len(fits))]
    order = sorted(range(len(fits)), key=lambda i: fits[i].parameters)
    rows = {}
    before: MixedFit | None = None
    for i in order:
        fit = fits[i]
        k, n = fit.parameters, len(fit.y)
        test = _ratio(before, fit) if before is not None else (np.nan, np.nan, np.nan, "")
        rows[titles[i]] = {
            "formula": fit.formula, "groups": ", ".join(g.name for g in fit.random.groupings),
            "parameters": k, "log_likelihood": -0.5 * fit.objective,
            "aic": fit.objective + 2.0 * k, "bic": fit.objective + np.log(n) * k,
            "statistic": test[0], "df": test[1], "p": test[2], "remark": test[3],
        }  # fmt: skip
        before = fit
    return pd.DataFrame(rows).T.infer_objects()


def _kind(fit: MixedFit) -> str:
    family = getattr(fit, "family", None)
    return f"{type(fit).__name__} {family.name}" if family is not None else type(fit).__name__


def _ratio(small: MixedFit, large: MixedFit) -> tuple[float, float, float, str]:
    if not _within(small, large) or not _groups_within(small, large):
        return np.nan, np.nan, np.nan, "not one within the other: no test, compare aic"
    df = large.parameters - small.parameters
    if df <= 0:
        return np.nan, np.nan, np.nan, "as many parameters: no test"
    statistic = max(small.objective - large.objective, 0.0)
    more = _variances(large) > _variances(small)
    return statistic, float(df), float(stats.chi2.sf(statistic, df)), EDGE if more else ""


def _variances(fit: MixedFit) -> int:
    """Variances, without the covariances: those may be of either sign, so zero is no edge."""
    return sum(
        all(a == b for a, b in entries) for g in fit.random.groupings for entries in g.parameters
    )


def _groups_within(small: MixedFit, large: MixedFit) -> bool:
    """Whether each covariance of the small model is one of the large model's, or less of it."""
    named = {g.name: g for g in large.random.groupings}
    for g in small.random.groupings:
        other = named.get(g.name)
        if other is None or not set(g.columns) <= set(other.columns):
            return False
        if other.shared and not g.shared and g.k > 1:
            return False
    return True


def _within(small: MixedFit, large: MixedFit) -> bool:
    """Whether the small model's fixed effects lie in the span of the large one's."""
    pairs, _ = _distinct(small, large)
    a = small.part.basis[pairs[:, 0]]
    b = large.part.basis[pairs[:, 1]]
    left = a - b @ np.linalg.lstsq(b, a, rcond=None)[0]
    return bool(np.abs(left).max() <= 1e-7 * max(float(np.abs(a).max()), 1e-300))


def _distinct(small: MixedFit, large: MixedFit) -> tuple[Floats, Floats]:
    both = np.column_stack([small.part.codes, large.part.codes])
    return np.unique(both, axis=0, return_inverse=True)
