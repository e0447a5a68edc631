"""What each garden says by itself, and where the order of two varieties turns round.

Some gardens look reversed by chance alone, so that a turn is named only where intervals bear it
out: simultaneous over all gardens and varieties (Bonferroni), one garden must be clear one way,
and another garden, or all together, clear the other way (the idea of Gail & Simon 1985,
Biometrics 41:361: two groups whose difference has opposite signs).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.additive import Additive
from trialkit.gardens.first import FirstStage
from trialkit.gardens.rows import Rows, trial_names
from trialkit.models.comparing import ALPHA

Floats = npt.NDArray[np.float64]
COLUMNS = ["trial", "garden", "year", "variety", "estimate", "low", "high", "se", "df"]
REVERSED = "the order turns round there"
LIKELY = "probably the other way round there, but not proven"
CHANCE = "looked reversed but could be chance"
ONE_ROW = "looked reversed, but one row of each cannot show it"


def by_garden(rows: Rows, fit: Additive) -> pd.DataFrame:
    """Each trial by itself against the check, or against what the mean of all varieties would be
    there: trial, garden, year, variety, estimate, low, high, se, df, on the model's scale.

    Intervals are 95 % for one comparison; NaN where the trial has no measure of error.
    """
    names = trial_names(rows.firsts)
    check = rows.check if rows.check in fit.varieties else None
    level = dict(zip((int(t) for t in fit.trials), fit.level, strict=True))
    out: list[tuple[Any, ...]] = []
    part = rows.table.loc[fit.rows]
    for key, own in part.groupby("at", sort=True):
        at = int(str(key))
        one = rows.firsts[at]
        within = own["within"].to_numpy()
        values = own["y"].to_numpy(dtype=np.float64)
        m = len(values)
        if check is None:
            difference, weights = values - level[at], np.eye(m) - 1.0 / m
        else:
            place = np.flatnonzero((own["variety"] == check).to_numpy())
            if not len(place):
                continue
            weights = np.eye(m)
            weights[:, place[0]] -= 1.0
            difference = values - values[place[0]]
        se = _errors(one, within, weights)
        half = stats.t.isf(0.5 * ALPHA, one.df) * se
        for i, variety in enumerate(own["variety"]):
            if variety != check:
                out.append((names[at], one.garden, one.year, variety, difference[i],
                            difference[i] - half[i], difference[i] + half[i], se[i], one.df))
    return pd.DataFrame(out, columns=COLUMNS)


def _errors(one: FirstStage, within: npt.NDArray[Any], weights: Floats) -> Floats:
    if one.covariance is None or len(within) < 2:
        return np.full(len(within), np.nan)
    joint = weights @ one.covariance[np.ix_(within, within)] @ weights.T
    return np.asarray(np.sqrt(np.maximum(np.diagonal(joint), 0.0)))


def flips(alone: pd.DataFrame, together: pd.DataFrame, interaction: float) -> pd.DataFrame:
    """The gardens whose difference has the opposite sign of all trials together.

    alone: from `by_garden`.  together: variety, estimate, low, high on the model's scale.
    interaction: variance of a variety's own departure in a garden.  Returns the rows of `alone`
    with chance (that the order there is truly the other one: the garden's own difference and the
    overall one weighted by their variances, Lindley & Smith 1972, J. R. Stat. Soc. B 34:1; NaN
    without an error), supported, words; the surest first.
    """
    both = alone.merge(together[["variety", "estimate", "low", "high"]], on="variety",
                       suffixes=("", "_all"))
    tested = int(both["se"].notna().sum())
    wide = np.full(len(both), np.nan)
    if tested:
        wide = stats.t.isf(0.5 * ALPHA / tested, both["df"]) * both["se"].to_numpy()
    sign = np.sign(both["estimate_all"])
    both["clear"] = np.where(both["estimate"] - wide > 0, 1.0,
                             np.where(both["estimate"] + wide < 0, -1.0, 0.0))
    whole = np.where(both["low_all"] > 0, 1.0, np.where(both["high_all"] < 0, -1.0, 0.0))
    with_it = both.assign(yes=both["clear"] == sign).groupby("variety")["yes"].transform("any")
    agreed = (whole == sign) | with_it.to_numpy()
    reversed_ = (np.sign(both["estimate"]) == -sign).to_numpy()
    both["supported"] = reversed_ & agreed & (both["clear"] == -sign)
    both["chance"] = _chance(both, sign.to_numpy(), interaction)
    both["words"] = np.where(both["supported"], REVERSED,
                             np.where(both["se"].isna(), ONE_ROW, CHANCE))
    likely = ~both["supported"] & (both["chance"] >= 0.9)
    both["words"] = both["words"].mask(likely, LIKELY)
    out: pd.DataFrame = both[reversed_][[*COLUMNS, "chance", "supported", "words"]]
    return out.sort_values(["supported", "chance"], ascending=False, kind="stable",
                           na_position="last").reset_index(drop=True)


def _chance(both: pd.DataFrame, sign: Floats, interaction: float) -> Floats:
    """Chance that a garden's own true difference has the sign opposite to the overall one."""
    own = both["se"].to_numpy() ** 2
    prior = max(2.0 * interaction, 1e-300)
    if not np.isfinite(prior):
        return np.full(len(both), np.nan)
    share = prior / (prior + own)
    centre = share * both["estimate"].to_numpy() + (1.0 - share) * both["estimate_all"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(stats.t.cdf(-sign * centre / np.sqrt(share * own), both["df"]))
