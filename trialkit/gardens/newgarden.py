"""What a garden that was not among these may see: intervals, and the chance of being best."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.apart import Apart
from trialkit.models.comparing import ALPHA

Floats = npt.NDArray[np.float64]
DRAWS = 20_000


def at_least(interaction: float, error: float, spare: float) -> float:
    """The variance of a variety in a new garden that is reckoned with: the estimate, or one
    standard error of an estimate of zero, error x sqrt(2 / spare), where that is more.

    An estimate near zero is often too small.  Without the least value an interval for a new
    garden held its truth in 85 to 93 % of cases where the true variance was 0.2 to 1 times the
    error of a mean (2 to 5 varieties, 6 to 20 gardens, 200,000 cases each), with it in 93 to 100.
    """
    return max(interaction, error * float(np.sqrt(2.0 / spare)) if spare > 0 else 0.0)


def new_df(
    found: Apart, interaction: float, error: float, gardens: int, spare: float = float("inf")
) -> Floats:
    """Degrees of freedom of var(difference) + 2 interaction, (v,).

    The interaction is what the trials' disagreement leaves once stage 1's error of a mean, `error`
    (known), is taken off, so that it is less well known than the disagreement itself: df times
    (T / (T + 2 error))^2, T the sum above (Satterthwaite 1946, Biometrics Bulletin 2:110).  Never
    fewer than gardens less two, those of Higgins, Thompson & Spiegelhalter (2009), nor more than
    those of the difference, nor than `spare`, those between varieties and trials.
    """
    total = _variance(found, interaction)
    extra = error * (found.weights**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num((total / (total + extra)) ** 2)
    most = np.where(np.isnan(found.df_each), np.nan, np.fmin(found.df_each, spare))
    least = np.where(np.isnan(most), np.nan, np.fmin(gardens - 2.0, most))
    return np.asarray(np.clip(most * share, least, most))


def _variance(found: Apart, interaction: float) -> Floats:
    weights = found.weights
    own = np.diagonal(weights @ found.covariance @ weights.T)
    return np.asarray(np.maximum(own + interaction * (weights**2).sum(axis=1), 0.0))


def new_garden(found: Apart, interaction: float, df: Floats) -> pd.DataFrame:
    """Interval for each variety against the check (or the mean of all) in a new garden, on the
    model's scale.

    interaction: variance of a variety in a new garden about its mean over gardens.  df: from
    `new_df`.  Estimate plus or minus t sqrt(var(difference) + 2 interaction), after Higgins,
    Thompson & Spiegelhalter (2009, J. R. Stat. Soc. A 172:137), here for several treatments of one
    variance.  Each interval is for its own variety.  Returns variety, low, high.
    """
    value = found.weights @ found.mean
    half = stats.t.isf(0.5 * ALPHA, df) * np.sqrt(_variance(found, interaction))
    return pd.DataFrame({"variety": found.varieties, "low": value - half, "high": value + half})


def chance_best(found: Apart, interaction: float, df: float, seed: int) -> Floats:
    """Chance of each variety to be the best, (v,), sums to 1.

    Drawn from the joint t distribution of the means, with a garden's own deviations of variance
    `interaction` on top (0: best on average over these gardens).  The same seed draws the same.
    df: of the spread (from `new_df`, or those of the means).
    NaN where the means have no covariance.
    """
    v = len(found.varieties)
    if v < 2 or not np.isfinite(found.covariance).all() or not df > 0:
        return np.full(v, np.nan)
    rng = np.random.default_rng(seed)
    joint = found.covariance + interaction * (np.eye(v) - 1.0 / v)
    values, vectors = np.linalg.eigh((joint + joint.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    z = rng.standard_normal((DRAWS, v)) @ root.T
    if np.isfinite(df):
        z *= np.sqrt(df / rng.chisquare(df, DRAWS))[:, None]
    winner = np.argmax(found.mean + z, axis=1)
    return np.asarray(np.bincount(winner, minlength=v) / DRAWS)
