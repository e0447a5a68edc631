"""Grades of a harvest, compared between varieties: proportional odds where that holds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from trialkit.mixed import MixedModelError, fit_ordered
from trialkit.mixed.leastsquares import LeastSquares
from trialkit.mixed.ordered import odds_test
from trialkit.models.results import AGAINST, ALPHA, PAIRS, Floats, MethodNote, compare, empty
from trialkit.models.support import Support, layout_columns
from trialkit.models.totals import Harvested

# ------------------------------------------------------------------------------------------------
# Ordered grades by proportional odds, judged between plots.
#
# The model is the cumulative logit of McCullagh (1980, J. R. Stat. Soc. B 42:109), fitted to the
# single pieces.  Pieces of one plot go together, so that the model's own standard errors, which
# take every piece for an independent one, are widened by the spread between plots: at the fit each
# plot has a working value eta + U / I (U: derivative of its log-likelihood by its own eta, I: its
# information; McCullagh & Nelder 1989, Generalized Linear Models, section 2.5), least squares of
# these with weights I gives the same estimates, and their residual mean square on the layout's
# degrees of freedom is the factor on every variance (quasi-likelihood, ch. 9), never taken below 1.
# ------------------------------------------------------------------------------------------------

class OddsError(Exception):
    """The model has no finite answer for these grades; the text says why."""


@dataclass(frozen=True)
class OddsFit:
    """log_odds (v,): of a better grade, by variety against the first, at the average block.
    joint: covariance of the thresholds and the other varieties' log odds, widened by spread: the
    factor on the variances (1: plots vary as single pieces would).  df: of the layout; thresholds
    (k - 1,), worst grade first."""

    log_odds: Floats
    joint: Floats
    spread: float
    df: float
    thresholds: Floats
    log_likelihood: float

    @property
    def covariance(self) -> Floats:
        """(v, v), zero in the first variety."""
        c = len(self.thresholds)
        return np.pad(self.joint[c:, c:], ((1, 0), (1, 0)))

    def shares(self) -> Floats:
        """Share of each grade by variety, worst first, (v, k)."""
        return _shares(self.thresholds, self.log_odds)

    def share_limits(self) -> tuple[Floats, Floats]:
        """Low and high of the shares (v, k), 95 %: their logits' own error by the delta method, so
        that every share lies inside its limits."""
        c = len(self.thresholds)

        def shares(at: Floats) -> Floats:
            return _shares(at[:c], np.concatenate([[0.0], at[c:]])).ravel()

        at, step = np.concatenate([self.thresholds, self.log_odds[1:]]), 1e-5
        value = np.clip(shares(at), 1e-12, 1.0 - 1e-12)
        slopes = np.array([(shares(at + step * e) - shares(at - step * e)) / (2.0 * step)
                           for e in np.eye(len(at))])
        variance = np.einsum("im,ij,jm->m", slopes, self.joint, slopes)
        half = stats.t.isf(0.025, self.df) * np.sqrt(np.maximum(variance, 0.0)) / (
            value * (1.0 - value))
        shape = len(self.log_odds), c + 1
        return (expit(logit(value) - half).reshape(shape),
                expit(logit(value) + half).reshape(shape))


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
    x = x[:, [j - 1 for j in independent(np.column_stack([np.ones(len(x)), x])) if j]]
    plot, grade = np.nonzero(counts)
    names = [f"x{j}" for j in range(x.shape[1])]
    pieces = pd.DataFrame(x[plot], columns=names).assign(
        grade=grade, pieces=counts[plot, grade].astype(int))
    try:
        fit = fit_ordered(" + ".join(["grade ~ 1", *names]), pieces, weights="pieces",
                          separated="error")
    except (MixedModelError, np.linalg.LinAlgError) as error:
        raise OddsError("some grade is met only in some varieties or blocks, so that the odds "
                        "have no finite value") from error
    effects, thresholds = fit.effects.to_numpy(), fit.thresholds.to_numpy()
    spread = _spread(counts, x, effects, thresholds, df)
    known = len(thresholds) + variety.shape[1] - 1
    return OddsFit(np.concatenate([[0.0], effects[: variety.shape[1] - 1]]),
                   spread * fit.joint[:known, :known], spread, df, thresholds, fit.log_likelihood)


def independent(x: Floats) -> list[int]:
    """The columns that add something, first come."""
    columns: list[int] = []
    for j in range(x.shape[1]):
        if np.linalg.matrix_rank(x[:, [*columns, j]]) > len(columns):
            columns.append(j)
    return columns


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


# ------------------------------------------------------------------------------------------------
# Grades tested on the plots: are the odds alike at every grade, is each grade as common.
# ------------------------------------------------------------------------------------------------

def parallel_p(
    counts: Floats, variety: Floats, nuisance: Floats, spread: float, df: float
) -> float:
    """p of varieties differing by the same odds at every threshold between grades.

    counts (plots, k), worst grade first; variety (plots, v) 0/1; nuisance: the layout's columns.
    The likelihood ratio of a model in which each variety has an effect of its own at every
    threshold (Peterson & Harrell 1990, Applied Statistics 39:205; `trialkit.mixed.ordered`), over
    its degrees of freedom and over the spread between plots, as F on the layout's `df`.  NaN
    where that model cannot be fitted, or with two grades.
    """
    if counts.shape[1] < 3 or df < 1:
        return float("nan")
    x = np.hstack([np.ones((len(counts), 1)), variety[:, 1:], nuisance])
    columns = independent(x)
    tested = [k for k, j in enumerate(columns[1:]) if 1 <= j < variety.shape[1]]
    try:
        test = odds_test(counts, x[:, columns[1:]], tested)
    except (MixedModelError, np.linalg.LinAlgError):
        return float("nan")
    if not np.isfinite(test.statistic) or test.df < 1:
        return float("nan")
    return float(stats.f.sf(test.statistic / test.df / spread, test.df, df))


def _anova_p(frame: pd.DataFrame, varieties: list[str], y: Floats, df: float) -> float:
    layout = np.column_stack([np.ones(len(y)), layout_columns(frame)])
    x = np.column_stack([layout, *(frame["variety"] == v for v in varieties[1:])]).astype(float)
    without, of_all = LeastSquares(layout, y).rss, LeastSquares(x, y).rss
    if of_all <= 1e-12 * max(float(y @ y), 1e-12):
        return 1.0 if without - of_all < 1e-12 else 0.0
    return float(stats.f.sf((without - of_all) / (len(varieties) - 1) / (of_all / df),
                            len(varieties) - 1, df))


def counted_shares(counts: Floats, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of each grade by variety with its 95 % interval, (v, k) each.

    counts (plots, k), x (plots, v) 0/1.  The shares are those counted, which is what a multinomial
    logit by variety gives.  Interval: each plot of the variety left out in turn (jackknife, Tukey
    1958, Ann. Math. Statist. 29:614) on the logit scale, on the variety's plots less one df; NaN
    where a share is none or all, or there is one plot.
    """
    of_variety = x.T @ counts
    fitted = _share(of_variety)
    low, high = np.full(fitted.shape, np.nan), np.full(fitted.shape, np.nan)
    for i, own in enumerate(x.T.astype(bool)):
        plots = int(own.sum())
        if plots < 2:
            continue
        spare = _share(of_variety[i] - counts[own])
        with np.errstate(divide="ignore"):
            value, moved = logit(fitted[i]), logit(spare)
        sound = np.isfinite(value) & np.isfinite(moved).all(axis=0)
        step = np.where(sound, moved - np.where(sound, value, 0.0), np.nan)
        se = np.sqrt((plots - 1) / plots * (step**2).sum(axis=0))
        half = stats.t.isf(ALPHA / 2, plots - 1) * se
        low[i], high[i] = expit(value - half), expit(value + half)
    return fitted, low, high


def _share(counts: Floats) -> Floats:
    return np.asarray(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1.0))


def each_grade_p(
    frame: pd.DataFrame, varieties: list[str], grades: list[str], df: float
) -> list[float]:
    """p of each grade being as common in every variety: the plots' log-odds (half a piece added)
    by variety and layout on `df`, Bonferroni over the grades."""
    counts = frame[grades].to_numpy(float)
    total = counts.sum(axis=1)
    ps = [_anova_p(frame, varieties, np.log((c + 0.5) / (total - c + 0.5)), df) for c in counts.T]
    return [min(1.0, p * len(ps)) for p in ps]


# ------------------------------------------------------------------------------------------------
# Grades of a harvest, compared between varieties: proportional odds where that holds.
# ------------------------------------------------------------------------------------------------

GRADES = ["variety", "grade", "count", "share", "low", "high", "p"]
ODDS, SINGLE_GRADES = "grade ~ variety + layout", "grade ~ variety"
"""The formula of a comparison by common odds, and of each grade by itself."""
FEWEST_DF = 3.0
"""Fewer degrees of freedom between plots are no measure of their spread (own choice)."""
_SIZES = ["very small", "small", "medium", "large", "very large"]
_RANKS = ["extra", "first", "second", "third", "fourth"]
_ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4}
_POOR = re.compile(r"waste|cull|reject|unmarketable|unsaleable|split|forked|bolted|rotten|diseased",
                   re.I)


@dataclass(frozen=True)
class GradeResult:
    """shares: variety, grade, count, share, low, high, p; best grade first (share
    and limits of the model where there is one, as counted where not).
    against_check, pairs: odds of a better grade, variety over check, left over right, with
    simultaneous intervals; empty unless the method's formula is ODDS.  chance_better: variety,
    against, chance that a piece of the variety is better than one of the other, ties split (from
    the fitted shares).  p: of no difference between varieties, on plots.  order: grades, best
    first (empty: not known); ordered_by: where that order is from.  spread: variance between plots
    over that of single pieces."""

    shares: pd.DataFrame
    method: MethodNote
    against_check: pd.DataFrame = field(default_factory=lambda: empty(AGAINST))
    pairs: pd.DataFrame = field(default_factory=lambda: empty(PAIRS))
    chance_better: pd.DataFrame = field(
        default_factory=lambda: empty(["variety", "against", "chance"]))
    p: float = float("nan")
    order: tuple[str, ...] = ()
    ordered_by: str = ""
    spread: float = float("nan")
    supported: bool = False
    why_not: str = ""
    notes: tuple[str, ...] = ()


def poor(grade: str) -> bool:
    """Whether a grade's name says that it is not fit to sell or eat (common words, no source)."""
    return bool(_POOR.search(grade))


def grade_order(grades: Iterable[str]) -> tuple[str, ...]:
    """Grades best first where their names tell it: sizes, ranks, class numbers; else empty.

    Classes Extra, I, II as in the UNECE standards for fresh fruit and vegetables.  A grade whose
    name says it is waste comes last.
    """
    names = list(dict.fromkeys(str(grade) for grade in grades))
    places = {name: _place(name) for name in names}
    kinds = {place[0] for name, place in places.items() if place and not poor(name)}
    if len(kinds) > 1 or any(place is None and not poor(name) for name, place in places.items()):
        return ()
    if sum(poor(name) for name in names) > 1:
        return ()
    keys = {name: (1, 0.0) if poor(name) else (0, places[name][1])  # type: ignore[index]
            for name in names}
    distinct = len(set(keys.values())) == len(names)
    return tuple(sorted(names, key=keys.__getitem__)) if distinct else ()


def _place(name: str) -> tuple[str, float] | None:
    word = re.sub(r"\b(class|grade|size|quality)\b", "", name.strip().lower()).strip(" .-")
    if word in _SIZES:
        return "size", -float(_SIZES.index(word))
    if word in _RANKS:
        return "rank", float(_RANKS.index(word))
    if word in _ROMAN:
        return "rank", float(_ROMAN[word])
    if re.fullmatch(r"\d+(st|nd|rd|th)?", word):
        return "rank", float(re.sub(r"\D", "", word))
    return None


def grade_result(
    crop: Harvested, order: list[str], check: str | None, best_first: tuple[str, ...] = ()
) -> GradeResult | None:
    """Compare the grades of a harvest; None where nothing is graded.

    order: varieties as the trial lists them.  best_first: the grades in order, if the grower gave
    it.
    """
    names = crop.grades
    if not names:
        return None
    ground, frame = crop.ground, crop.pieces
    known = tuple(g for g in best_first if g in names)
    ordered = known if len(known) == len(names) else grade_order(names)
    by = "as the trial gives it" if len(known) == len(names) else "read from the grades' names"
    if not ordered and len(names) == 2:
        ordered, by = tuple(sorted(names)), "two grades: the odds are of the first named"
    columns = list(ordered or names)
    seen = [v for v in order if (frame["variety"] == v).any()]
    shares = _plain(frame, seen, columns)
    ordered_by = by if ordered else "not known"
    why = _refused(frame, seen, columns, ground)
    if crop.uncounted:
        why = ("what one plant or plot gave was sorted into grades without counting the pieces; "
               "grades are compared by number")
        shares = shares.assign(share=np.nan)
    if why:
        note = MethodNote("Shares as counted; no interval: " + why + ".", "Shares of the pieces.")
        return GradeResult(shares, note, order=ordered, ordered_by=ordered_by,
                           why_not=why)
    if not ordered:
        return _multinomial(frame, seen, columns, ground, shares, "the order of the grades is not "
                            "known")
    return _by_odds(frame, seen, columns, ground, shares, check, ordered_by)


def _plain(frame: pd.DataFrame, seen: list[str], grades: list[str]) -> pd.DataFrame:
    total = frame.groupby("variety")[grades].sum().loc[seen]
    share = total.div(total.sum(axis=1), axis=0)
    rows = [(v, g, total.loc[v, g], share.loc[v, g], np.nan, np.nan, np.nan)
            for v in seen for g in grades]
    return pd.DataFrame(rows, columns=GRADES)


def _refused(
    frame: pd.DataFrame, seen: list[str], grades: list[str], ground: Support
) -> str:
    """Why no comparison can be made, or nothing."""
    if not ground.supported:
        return ground.why_not
    if len(seen) < 2:
        return "there is only one variety"
    if len(grades) < 2:
        return f"every piece was graded {grades[0]}"
    if ground.df(seen) < FEWEST_DF:
        return ("there are too few plots to tell how far plots of one variety differ in grades "
                f"({ground.df(seen):g} degrees of freedom, {FEWEST_DF:g} are needed)")
    return ""


def _one_end(frame: pd.DataFrame, seen: list[str], grades: list[str]) -> list[str]:
    """Varieties all of whose pieces have the best grade, or the worst: infinite odds."""
    total = frame.groupby("variety")[grades].sum()
    whole = total.sum(axis=1)
    return [v for v in seen if whole[v] in (total.loc[v, grades[0]], total.loc[v, grades[-1]])]


def _by_odds(
    frame: pd.DataFrame, seen: list[str], grades: list[str], ground: Support, shares: pd.DataFrame,
    check: str | None, ordered_by: str,
) -> GradeResult:
    out = _one_end(frame, seen, grades)
    some = [v for v in seen if v not in out]
    notes = tuple(f"every piece of {v} had one grade, the best or the worst: it has no odds"
                  for v in out)
    part = frame[frame["variety"].isin(some)]
    df = ground.df(some)
    if len(some) < 2 or df < FEWEST_DF:
        why = "too few varieties have pieces in more than one grade"
        note = MethodNote(f"Shares as counted; no interval: {why}.", "Shares of the pieces.")
        return GradeResult(shares, note, order=tuple(grades), ordered_by=ordered_by,
                           why_not=why, notes=notes)
    used = [g for g in grades if part[g].sum() > 0]
    variety = np.column_stack([part["variety"] == v for v in some]).astype(float)
    nuisance = layout_columns(part)
    counts = part[used[::-1]].to_numpy(float)
    try:
        fit = fit_odds(counts, variety, nuisance, df)
        none = fit_odds(counts, np.ones((len(part), 1)), nuisance, 0.0)
    except OddsError as error:
        return _multinomial(frame, seen, grades, ground, shares, str(error), ordered_by)
    p_odds = parallel_p(counts, variety, nuisance, fit.spread, df)
    if p_odds < ALPHA:
        return _multinomial(frame, seen, grades, ground, shares,
                            "varieties do not differ by the same odds at every grade", ordered_by)
    f = 2 * (fit.log_likelihood - none.log_likelihood) / (len(some) - 1) / fit.spread
    p = float(stats.f.sf(max(f, 0.0), len(some) - 1, df))
    compared = compare(some, fit.log_odds, fit.covariance, df, check, ratio=True)
    low, high = fit.share_limits()
    modelled = fit.shares()
    for i, v in enumerate(some):  # share and limits of one model; of the others, as counted
        for k, g in enumerate(used[::-1]):
            at = (shares["variety"] == v) & (shares["grade"] == g)
            shares.loc[at, ["share", "low", "high"]] = modelled[i, k], low[i, k], high[i, k]
    shares = shares.assign(p=p if not out else np.nan)
    return GradeResult(
        shares, _method(fit, df, ordered_by, p_odds), compared.against_check, compared.pairs,
        _chances(some, fit.shares(), check), p, tuple(grades), ordered_by, fit.spread, True, "",
        notes,
    )


def _chances(varieties: list[str], shares: Floats, check: str | None) -> pd.DataFrame:
    """P(left better) + P(tie) / 2 from the fitted shares, worst grade first."""
    pairs = ([(v, str(check)) for v in varieties if v != check] if check in varieties
             else list(combinations(varieties, 2)))
    rows = []
    for left, right in pairs:
        a, b = shares[varieties.index(left)], shares[varieties.index(right)]
        rows.append((left, right, float(a @ (np.cumsum(b) - b) + a @ b / 2)))
    return pd.DataFrame(rows, columns=["variety", "against", "chance"])


def _method(fit: OddsFit, df: float, ordered_by: str, p_odds: float) -> MethodNote:
    held = (" Whether odds are alike at every grade cannot be tested." if np.isnan(p_odds) else
            f" Odds alike at every grade: p {p_odds:.2g}, by the likelihood of a model with an "
            "effect at each threshold (Peterson & Harrell 1990). Shares and their limits (delta "
            "method on the logit) are the model's at the average of the layout.")
    return MethodNote(
        "Pieces are sorted from best to worst; how often a variety's pieces come out better is "
        "compared between plots, not between pieces.",
        "Proportional odds (cumulative logit) with varieties and the layout's blocks or rows and "
        f"columns fixed; grades in order {ordered_by}. Plots vary {fit.spread:.2g} times as much "
        "as single pieces would: variances are that much larger than the model's own, tests and "
        f"intervals are on the layout's {df:g} df (quasi-likelihood, McCullagh & Nelder 1989)."
        + held, ODDS, (), f"design, {df:g}", {"spread": fit.spread},
    )


def _multinomial(
    frame: pd.DataFrame, seen: list[str], grades: list[str], ground: Support,
    shares: pd.DataFrame, because: str, ordered_by: str = "not known",
) -> GradeResult:
    """Each grade by itself."""
    df = ground.df(seen)
    x = np.column_stack([frame["variety"] == v for v in seen]).astype(float)
    _, low, high = counted_shares(frame[grades].to_numpy(float), x)
    ps = each_grade_p(frame, seen, grades, df)
    shares = shares.assign(low=low.ravel(), high=high.ravel(), p=np.tile(ps, len(seen)))
    note = MethodNote(
        f"Each grade has its own comparison, between plots: {because}.",
        "Multinomial shares by variety; intervals by leaving out one plot at a time (jackknife, "
        "Tukey 1958, on the logit scale, the variety's plots less one df); p of each grade from "
        f"the plots' log-odds by variety and layout on {df:g} df, times {len(grades)} for as many "
        "grades (Bonferroni).", SINGLE_GRADES, (), f"design, {df:g}",
    )
    return GradeResult(shares, note, p=min(ps),
                       order=tuple(grades) if ordered_by != "not known" else (),
                       ordered_by=ordered_by, supported=True)
