"""How varieties behave from garden to garden: the two-way table, evenness, turned orders.

Two-way table, fitted by least squares without weights: y = variety + trial.  In a complete table
the trial effects are the trials' means; in an incomplete one they are what the means would be had
every variety been grown (Yates 1933, Empire Journal of Experimental Agriculture 1:129).  Trials are
swept out first, so that the work grows with the records and not with their square.

Evenness.  Variance: each variety has a variance of its own about what variety and trial lead one to
expect; estimated by setting the residual sums of squares equal to their expectations (MINQUE with
equal prior weights, Rao 1970, J. Am. Stat. Assoc. 65:161), which in a complete table is the
stability variance of Shukla (1972, Heredity 29:237).  It holds the error of a mean too.  Slope:
regression of the variety on the mean of the trial (Finlay & Wilkinson 1963, Aust. J. Agric. Res.
14:742): 1 rises as the average variety does, more gains most in good gardens, less holds up in poor
ones.  In an incomplete table the mean is that of all varieties, by the two-way fit.

Turned orders.  Some gardens look reversed by chance alone, so that a turn is named only where
intervals bear it out: simultaneous over all gardens and varieties (Bonferroni), one garden must be
clear one way, and another garden, or all together, clear the other way (the idea of Gail & Simon
1985, Biometrics 41:361: two groups whose difference has opposite signs).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.stage_one import TrialMeans
from trialkit.gardens.stage_two import MeansTable, trial_names
from trialkit.models.results import ALPHA

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Additive:
    """One linked group of varieties.

    varieties (v,); trials: index of each trial (t,).  code (n,) and place (n,): the variety and
    trial of a row.  effect (v,): varieties about their mean.  level (t,): trials, as the mean of
    all varieties there.  residual (n,).  swept (n, v): varieties with trials swept out; inverse
    (v, v): pseudoinverse of its cross-product.  rows: index labels of the table's rows.
    """

    varieties: tuple[str, ...]
    trials: Whole
    code: Whole
    place: Whole
    effect: Floats
    level: Floats
    residual: Floats
    swept: Floats
    inverse: Floats
    rows: pd.Index

    @property
    def complete(self) -> bool:
        return len(self.code) == len(self.varieties) * len(self.trials)


def additive(table: pd.DataFrame, varieties: tuple[str, ...]) -> Additive:
    """Fit the rows of `varieties` (linked through trials; see `stage_two.MeansTable`)."""
    part = table[table["variety"].isin(varieties)]
    code = pd.Index(varieties).get_indexer(pd.Index(part["variety"]))
    place, trials = pd.factorize(part["at"], sort=True)
    y = part["y"].to_numpy(dtype=np.float64)
    size = np.bincount(place).astype(np.float64)
    v = len(varieties)
    grown = np.zeros((len(trials), v))
    np.add.at(grown, (place, code), 1.0)
    swept = np.eye(v)[code] - (grown / size[:, None])[place]
    left = y - (np.bincount(place, y) / size)[place]
    inverse = np.asarray(np.linalg.pinv(swept.T @ swept, hermitian=True), dtype=np.float64)
    effect = inverse @ (swept.T @ left)
    effect = effect - effect.mean()
    level = np.asarray(np.bincount(place, y - effect[code]) / size, dtype=np.float64)
    residual = y - effect[code] - level[place]
    return Additive(tuple(varieties), np.asarray(trials, dtype=np.intp), code, place, effect,
                    level, residual, swept, inverse, part.index)

FEWEST = 3
"""Trials from which on a line can be drawn and its error told."""

RISES, HOLDS = "gains most where gardens do well", "holds up where gardens do poorly"

EVENNESS = ["variety", "trials", "slope", "slope_se", "slope_low", "slope_high", "deviation",
           "variance", "words"]


def stability(fit: Additive, y: Floats) -> pd.DataFrame:
    """One row a variety: slope with its standard error and interval (simultaneous over the
    varieties, Bonferroni), deviation (sd about the line), variance (squared units of y; NaN with
    fewer than three varieties or trials; may be below zero), words.  y (n,): the rows of `fit`.
    """
    variance = own_variances(fit)
    v = len(fit.varieties)
    rows = []
    for i, name in enumerate(fit.varieties):
        own = fit.code == i
        x, values = fit.level[fit.place[own]], y[own]
        n = len(x)
        slope = se = low = high = deviation = float("nan")
        spread = float(((x - x.mean()) ** 2).sum()) if n else 0.0
        if n >= FEWEST and v > 1 and spread > 1e-12 * max(1.0, float(np.abs(x).max()) ** 2):
            slope = float(((x - x.mean()) * values).sum() / spread)
            left = values - values.mean() - slope * (x - x.mean())
            deviation = float(np.sqrt((left**2).sum() / (n - 2)))
            se = deviation / spread**0.5
            half = float(stats.t.isf(0.5 * ALPHA / v, n - 2)) * se
            low, high = slope - half, slope + half
        rows.append(
            (name, n, slope, se, low, high, deviation, variance[i], _evenness(n, low, high))
        )
    return pd.DataFrame(rows, columns=EVENNESS)


def own_variances(fit: Additive) -> Floats:
    """Variance of each variety's departures, (v,); see the module's head.  NaN where the table
    is too small for one each."""
    v = len(fit.varieties)
    q = np.bincount(fit.code, fit.residual**2, minlength=v)
    size = np.bincount(fit.place).astype(np.float64)
    # The residual maker is M = S - W C W': S sweeps trials out, W is swept varieties, C inverse.
    # Expected q_i is the sum over k of variance_k x sum of M_rs^2, r of variety i and s of k.
    cross = np.array([fit.swept[fit.code == i].T @ fit.swept[fit.code == i] for i in range(v)])
    inner = fit.inverse @ cross
    expected = np.einsum("iab,kba->ik", inner, inner)
    at = np.full((len(size), v), -1, dtype=np.intp)
    at[fit.place, fit.code] = np.arange(len(fit.code))
    for i in range(v):
        for k in range(v):
            both = (at[:, i] >= 0) & (at[:, k] >= 0)
            left, right = fit.swept[at[both, i]], fit.swept[at[both, k]]
            projected = np.einsum("ra,ab,rb->r", left, fit.inverse, right)
            swept = float(i == k) - 1.0 / size[both]
            expected[i, k] += float((swept**2 - 2.0 * swept * projected).sum())
    if v < 3 or len(size) < 2 or np.linalg.cond(expected) > 1e10:
        return np.full(v, np.nan)
    return np.asarray(np.linalg.solve(expected, q))


def _evenness(n: int, low: float, high: float) -> str:
    if n < FEWEST:
        return "too few gardens to say"
    if not np.isfinite(low):
        return "cannot be said"
    if low > 1.0:
        return RISES
    if high < 1.0:
        return HOLDS
    return "no sign of being choosy"

BY_GARDEN = ["trial", "garden", "year", "variety", "estimate", "low", "high", "se", "df"]
REVERSED = "the order turns round there"
LIKELY = "probably the other way round there, but not proven"
CHANCE = "looked reversed but could be chance"
ONE_ROW = "looked reversed, but one row of each cannot show it"


def by_garden(means: MeansTable, fit: Additive) -> pd.DataFrame:
    """Each trial by itself against the check, or against what the mean of all varieties would be
    there: trial, garden, year, variety, estimate, low, high, se, df, on the model's scale.

    Intervals are 95 % for one comparison; NaN where the trial has no measure of error.
    """
    names = trial_names(means.trials)
    check = means.check if means.check in fit.varieties else None
    level = dict(zip((int(t) for t in fit.trials), fit.level, strict=True))
    out: list[tuple[str | int | float, ...]] = []
    part = means.table.loc[fit.rows]
    for key, own in part.groupby("at", sort=True):
        at = int(str(key))
        trial = means.trials[at]
        within = own["within"].to_numpy(dtype=np.intp)
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
        se = _errors(trial, within, weights)
        half = stats.t.isf(0.5 * ALPHA, trial.df) * se
        for i, variety in enumerate(own["variety"]):
            if variety != check:
                out.append((names[at], trial.garden, trial.year, variety, difference[i],
                            difference[i] - half[i], difference[i] + half[i], se[i], trial.df))
    return pd.DataFrame(out, columns=BY_GARDEN)


def _errors(trial: TrialMeans, within: npt.NDArray[np.intp], weights: Floats) -> Floats:
    if trial.covariance is None or len(within) < 2:
        return np.full(len(within), np.nan)
    joint = weights @ trial.covariance[np.ix_(within, within)] @ weights.T
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
    out: pd.DataFrame = both[reversed_][[*BY_GARDEN, "chance", "supported", "words"]]
    return out.sort_values(["supported", "chance"], ascending=False, kind="stable",
                           na_position="last").reset_index(drop=True)


def _chance(both: pd.DataFrame, sign: Floats, interaction: float) -> Floats:
    """Chance that a garden's own true difference has the sign opposite to the overall trial."""
    own = both["se"].to_numpy() ** 2
    prior = max(2.0 * interaction, 1e-300)
    if not np.isfinite(prior):
        return np.full(len(both), np.nan)
    share = prior / (prior + own)
    centre = share * both["estimate"].to_numpy() + (1.0 - share) * both["estimate_all"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(stats.t.cdf(-sign * centre / np.sqrt(share * own), both["df"]))
