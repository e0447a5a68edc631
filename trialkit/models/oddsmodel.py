"""Ordered grades by proportional odds, judged between plots.

The model is the cumulative logit of McCullagh (1980, J. R. Stat. Soc. B 42:109), fitted by
statsmodels to the single pieces.  Pieces of one plot go together, so that the library's standard
errors, which take every piece for an independent one, are widened by the spread between plots:
at the fit each plot has a working value eta + U / I (U: derivative of its log-likelihood by its
own eta, I: its information; McCullagh & Nelder 1989, Generalized Linear Models, section 2.5),
least squares of these with weights I gives the same estimates, and their residual mean square on
the layout's degrees of freedom is the factor on every variance (quasi-likelihood, ch. 9), never
taken below 1.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit
from statsmodels.miscmodels.ordinal_model import OrderedModel

from trialkit.models.comparing import Floats


class OddsError(Exception):
    """The model has no finite answer for these grades; the text says why."""


class _Logistic:
    """The logistic law as the library asks for it, ten times as fast as scipy.stats' own."""

    name = "logistic"
    cdf = staticmethod(expit)
    ppf = staticmethod(logit)

    @staticmethod
    def pdf(x: Floats) -> Floats:
        p = expit(x)
        return np.asarray(p * (1.0 - p))


@dataclass(frozen=True)
class OddsFit:
    """log_odds (v,): of a better grade, by variety against the first, at the average block.
    covariance (v, v), its zeros the first's; spread: the factor on the library's variances (1:
    plots vary as single pieces would); df: of the layout; thresholds (k - 1,), worst grade first;
    parameters, joint: all of them as the library holds them, joint already widened."""

    log_odds: Floats
    covariance: Floats
    spread: float
    df: float
    thresholds: Floats
    parameters: Floats
    joint: Floats
    log_likelihood: float

    def shares(self) -> Floats:
        """Share of each grade by variety, worst first, (v, k)."""
        return _shares(self.thresholds, self.log_odds)

    def share_limits(self) -> tuple[Floats, Floats]:
        """Low and high of the shares (v, k), 95 %: their logits' own error by the delta method, so
        that every share lies inside its limits."""
        v, k = len(self.log_odds), len(self.thresholds)

        def shares(parameters: Floats) -> Floats:
            cuts = np.cumsum(np.concatenate([
                parameters[-k:][:1], np.exp(parameters[len(parameters) - k + 1:])]))
            return _shares(cuts, np.concatenate([[0.0], parameters[: v - 1]])).ravel()

        at, step = self.parameters, 1e-5
        value = np.clip(shares(at), 1e-12, 1.0 - 1e-12)
        slopes = np.array([(shares(at + step * e) - shares(at - step * e)) / (2.0 * step)
                           for e in np.eye(len(at))])
        variance = np.einsum("im,ij,jm->m", slopes, self.joint, slopes)
        half = stats.t.isf(0.025, self.df) * np.sqrt(np.maximum(variance, 0.0)) / (
            value * (1.0 - value))
        return (expit(logit(value) - half).reshape(v, k + 1),
                expit(logit(value) + half).reshape(v, k + 1))


def _shares(thresholds: Floats, log_odds: Floats) -> Floats:
    below = expit(thresholds[None, :] - log_odds[:, None])
    return np.diff(np.column_stack([np.zeros(len(log_odds)), below, np.ones(len(log_odds))]))


def fit_odds(counts: Floats, variety: Floats, nuisance: Floats, df: float) -> OddsFit:
    """Fit the grades of plots.

    counts (plots, k): pieces in each grade, worst first, every grade used.  variety (plots, v):
    0/1 columns.  nuisance (plots, any): the layout's columns, each summing to zero over its
    levels.  df: the layout's, for the spread between plots (0: no plots to speak of, spread 1).

    Raises OddsError where some estimate is infinite or the search does not end.
    """
    x = np.hstack([variety[:, 1:], nuisance])
    q = np.linalg.matrix_rank(x) if x.size else 0
    x = x if q == x.shape[1] else x[:, independent(x)]
    pieces = counts.astype(int)
    rows = np.repeat(np.arange(len(counts)), pieces.sum(axis=1))
    grade = np.concatenate([np.repeat(np.arange(counts.shape[1]), one) for one in pieces])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = OrderedModel(pd.Series(pd.Categorical(grade, ordered=True)), x[rows],
                             distr=_Logistic())
        try:
            found = model.fit(method="bfgs", disp=False, gtol=1e-7, maxiter=500)
            parameters = np.asarray(found.params, dtype=float)
            joint = np.asarray(found.cov_params(), dtype=float)
        except (np.linalg.LinAlgError, ValueError) as error:
            raise OddsError("the grades have no finite odds") from error
    if not np.isfinite(joint).all() or np.abs(parameters[: x.shape[1]]).max(initial=0.0) > 15:
        raise OddsError("some grade is met only in some varieties or blocks, so that the odds "
                        "have no finite value")
    thresholds = model.transform_threshold_params(parameters)[1:-1]
    spread = _spread(counts, x, parameters[: x.shape[1]], thresholds, df)
    v = variety.shape[1]
    covariance = np.zeros((v, v))
    covariance[1:, 1:] = spread * joint[: v - 1, : v - 1]
    log_odds = np.concatenate([[0.0], parameters[: v - 1]])
    return OddsFit(log_odds, covariance, spread, df, thresholds, parameters, spread * joint,
                   float(found.llf))


def independent(x: Floats) -> list[int]:
    """The columns that add something, first come."""
    kept: list[int] = []
    for j in range(x.shape[1]):
        if np.linalg.matrix_rank(x[:, [*kept, j]]) > len(kept):
            kept.append(j)
    return kept


def _spread(counts: Floats, x: Floats, beta: Floats, thresholds: Floats, df: float) -> float:
    """Residual mean square of the plots' working values, at least 1."""
    if df < 1:
        return 1.0
    eta = x @ beta
    ends = np.concatenate([[-np.inf], thresholds, [np.inf]])
    below = expit(ends[None, :] - eta[:, None])
    density = below * (1.0 - below)
    share = np.maximum(np.diff(below), 1e-12)
    slope = -np.diff(density) / share  # of the log share by eta
    score = (counts * slope).sum(axis=1)
    information = counts.sum(axis=1) * (share * slope**2).sum(axis=1)
    return max(1.0, float((score**2 / information).sum() / df))
