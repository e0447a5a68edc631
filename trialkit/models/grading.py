"""Grades of a harvest, compared between varieties: proportional odds where that holds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.comparing import ALPHA, Floats, compare
from trialkit.models.gradetests import counted_shares, each_grade_p, parallel_p
from trialkit.models.oddsmodel import OddsError, OddsFit, fit_odds
from trialkit.models.plot_totals import layout_columns
from trialkit.models.results import AGAINST, PAIRS, MethodNote, empty
from trialkit.models.support import Support

GRADES = ["variety", "grade", "count", "share", "low", "high", "p"]
ODDS, MULTINOMIAL, DESCRIBED = "proportional odds", "multinomial", "described"
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
    simultaneous intervals; empty unless `method_name` is "proportional odds".  chance_better:
    variety, against, chance that a piece of the variety is better than one of the other, ties
    split (from the fitted shares).  p: of no difference between varieties, on plots.  p_odds: of
    the odds being proportional.  order: grades, best first (empty: not known); ordered_by: where
    that order is from.  spread: variance between plots over that of single pieces."""

    shares: pd.DataFrame
    method_name: str
    method: MethodNote
    against_check: pd.DataFrame = field(default_factory=lambda: empty(AGAINST))
    pairs: pd.DataFrame = field(default_factory=lambda: empty(PAIRS))
    chance_better: pd.DataFrame = field(
        default_factory=lambda: empty(["variety", "against", "chance"]))
    p: float = float("nan")
    p_odds: float = float("nan")
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
    names = list(dict.fromkeys(str(one) for one in grades))
    places = {name: _place(name) for name in names}
    kinds = {place[0] for name, place in places.items() if place and not poor(name)}
    if len(kinds) > 1 or any(place is None and not poor(name) for name, place in places.items()):
        return ()
    if sum(poor(name) for name in names) > 1:
        return ()
    keys = {name: (1, 0.0) if poor(name) else (0, places[name][1])  # type: ignore[index]
            for name in names}
    told = len(set(keys.values())) == len(names)
    return tuple(sorted(names, key=keys.__getitem__)) if told else ()


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
    table: pd.DataFrame, data: pd.DataFrame, ground: Support, order: list[str], check: str | None,
    best_first: tuple[str, ...] = (),
) -> GradeResult | None:
    """Compare the grades of a harvest; None where nothing is graded.

    table: the harvest, with plant, grade, count (a row without a count is one piece).  data: what
    was harvested, with plant, variety, unit, and the layout's columns.  order: varieties as the
    trial lists them.  best_first: the grades in order, if the grower gave it.
    """
    graded = table.dropna(subset=["grade"])
    kept = ["plant", "variety", "unit", "block", *(n for n in ground.by if n != "block")]
    graded = graded.merge(data[kept].drop_duplicates("plant"), on="plant")
    several = graded.groupby("plant")["grade"].transform("nunique") > 1
    uncounted = bool((several & graded["count"].isna()).any())
    graded = graded.assign(count=graded["count"].fillna(1.0), grade=graded["grade"].astype(str))
    graded = graded[graded["count"] > 0]
    if graded.empty:
        return None
    names = list(dict.fromkeys(graded["grade"]))
    known = tuple(g for g in best_first if g in names)
    ordered = known if len(known) == len(names) else grade_order(names)
    by = "as the trial gives it" if len(known) == len(names) else "read from the grades' names"
    if not ordered and len(names) == 2:
        ordered, by = tuple(sorted(names)), "two grades: the odds are of the first named"
    columns = list(ordered or names)
    units = graded.groupby("unit")[kept[1:2] + kept[3:]].first()
    counts = graded.pivot_table(index="unit", columns="grade", values="count", aggfunc="sum",
                                fill_value=0.0)[columns]
    frame = units.join(counts).reset_index()
    seen = [v for v in order if (frame["variety"] == v).any()]
    shares = _plain(frame, seen, columns)
    ordered_by = by if ordered else "not known"
    why = _refused(frame, seen, columns, ground)
    if uncounted:
        why = ("what one plant or plot gave was sorted into grades without counting the pieces; "
               "grades are compared by number")
        shares = shares.assign(share=np.nan)
    if why:
        note = MethodNote("Shares as counted; no interval: " + why + ".", "Shares of the pieces.")
        return GradeResult(shares, DESCRIBED, note, order=ordered, ordered_by=ordered_by,
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
        return GradeResult(shares, DESCRIBED, note, order=tuple(grades), ordered_by=ordered_by,
                           why_not=why, notes=notes)
    used = [g for g in grades if part[g].sum() > 0]
    variety = np.column_stack([part["variety"] == v for v in some]).astype(float)
    nuisance = layout_columns(part)
    counts = part[used[::-1]].to_numpy(float)
    try:
        fit = fit_odds(counts, variety, nuisance, df)
        none = fit_odds(counts, np.ones((len(part), 1)), nuisance, 0.0)
    except OddsError as error:
        return _multinomial(frame, seen, grades, ground, shares, str(error), float("nan"),
                            ordered_by)
    p_odds = parallel_p(counts, variety, nuisance, fit.spread, df)
    if p_odds < ALPHA:
        return _multinomial(frame, seen, grades, ground, shares,
                            "varieties do not differ by the same odds at every grade", p_odds,
                            ordered_by)
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
        shares, ODDS, _method(fit, df, ordered_by, p_odds), compared.against_check, compared.pairs,
        _chances(some, fit.shares(), check), p, p_odds, tuple(grades), ordered_by, fit.spread, True,
        "", notes,
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
        "as single pieces would: variances are that much larger than the library's, tests and "
        f"intervals are on the layout's {df:g} df (quasi-likelihood, McCullagh & Nelder 1989)."
        + held, "grade ~ variety + layout", (), f"design, {df:g}", {"spread": fit.spread},
    )


def _multinomial(
    frame: pd.DataFrame, seen: list[str], grades: list[str], ground: Support,
    shares: pd.DataFrame, because: str, p_odds: float = float("nan"), ordered_by: str = "not known",
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
        "grades (Bonferroni).", "grade ~ variety", (), f"design, {df:g}",
    )
    return GradeResult(shares, MULTINOMIAL, note, p=min(ps), p_odds=p_odds,
                       order=tuple(grades) if ordered_by != "not known" else (),
                       ordered_by=ordered_by, supported=True)
