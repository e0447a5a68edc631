"""Traits of one's own: the model follows the kind, the error is that of plots.

    measure    linear mixed model by REML
    count      negative binomial mixed model, log link
    yes or no  binomial mixed model, logit link
    share      likewise, with a spread between plots; percentages: their logits, linear mixed model
    score      cumulative logit with plots random (McCullagh 1980; see `mixed.ordered`)
    day        days from planting, linear mixed model of plots' middle days

Complete blocks are fixed, others random; plots, plants and days of recording are random, as far as
the records tell them apart.  Comparisons are on the layout's degrees of freedom.

A tasting's scores are traits of one's own too, with tasters in place of plots: see the end.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from trialkit.mixed import MixedModelError, fit_glmm, fit_lmm, fit_ordered
from trialkit.mixed.inference import FixedEffects
from trialkit.models.results import (
    Floats,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    difference_means,
    rate_means,
    variety_levels,
    variety_rows,
)
from trialkit.models.support import (
    PART,
    Combinations,
    Support,
    TreatmentTerms,
    adjusted_for,
    behind,
    combined,
    complete,
    treatment_terms,
    usable_groups,
    with_covariates,
    with_parts,
)
from trialkit.models.totals import Measured
from trialkit.wording import listed

if TYPE_CHECKING:
    from trialkit.trial import OwnTrait

LINK = {"measure": "difference", "day": "difference", "count": "ratio", "yes or no": "odds",
        "share": "odds", "score": "odds"}


@dataclass(frozen=True)
class OwnResult(TraitResult):
    """`scale`: "odds" for scores (of a higher one), yes or no and shares: `against_check` and
    `pairs` are then ratios of odds.  better: "more", "less" or "", which end the gardener wants.
    kind: of the trait.  by_day: variety, date, mean of the values as written.  by_plot: variety,
    unit, value, a row a plot, in the unit of `means`.  level: (v,) and
    covariance: (v, v), of the rows of `means` on the model's scale; None where nothing is fitted.
    combined: every variety under every treatment.
    """

    better: str = ""
    kind: str = "measure"
    by_day: pd.DataFrame | None = None
    by_plot: pd.DataFrame | None = None
    level: Floats | None = None
    covariance: Floats | None = None
    combined: Combinations = field(default_factory=Combinations)


@dataclass(frozen=True)
class _Fitted:
    """level (v,) and covariance (v, v) on the model's scale; how it was fitted.  fit: the model
    itself.  cells: variety, treatment and mean score of a score."""

    level: Floats
    covariance: Floats
    formula: str
    groups: tuple[str, ...]
    what: str
    fit: FixedEffects
    scores: Floats | None = None
    left_out: tuple[str, ...] = ()
    cells: pd.DataFrame | None = None


def own_trait(
    measured: Measured, planted: pd.Timestamp, ground: Support, order: list[str],
    check: str | None, trait: OwnTrait,
) -> OwnResult | Missing:
    """One trait of the gardener's own, every variety; measured: its records."""
    data = measured.data
    if data.empty:
        return Missing(trait.name, f"no {trait.name} is recorded yet")
    if trait.kind == "day":
        data = _first_seen(measured, planted)
        if data["amount"].isna().all():
            return Missing(trait.name, f"{trait.name} was not seen on any plant yet")
    elif trait.when == "once":
        data = measured.newest
    data = data.reset_index(drop=True).assign(day=data["date"].astype(str).to_numpy())
    seen = [v for v in order if (data["variety"] == v).any()]
    why = ground.why_not if not ground.supported else (
        "" if len(seen) > 1 else "there is only one variety with records")
    how = treatment_terms(data, ground)
    data = with_parts(data) if how else data.assign(**{PART: data["unit"]})
    if not why and ground.df(seen) < 1:
        why = "there are too few plots to tell varieties from plots"
    if not why and np.ptp(data["amount"].to_numpy(float)) == 0:
        why = f"every {trait.name} recorded is the same"
    if not why and trait.kind == "day" and data["amount"].isna().any():
        data, why = _middle_days(data)
    if not why and LINK[trait.kind] != "difference" and trait.kind != "score":
        why = _one_sided(data, seen, trait)
    notes = [f"no {trait.name} of {v} is recorded" for v in order if v not in seen]
    notes += [how.note] if how.note else []
    fitted = None
    df = float("nan")
    both = Combinations(scale=LINK[trait.kind])
    adjusted: dict[str, str] = {}
    if not why:
        try:
            repeated = trait.kind != "day" and trait.when == "often"
            model = _FITS[trait.kind](data, ground, repeated, how)
            df = model.df(seen)
            if df < 1:
                raise MixedModelError("there are too few plots to adjust for anything besides")
            adjusted, fitted = model.adjusted, model(seen)
            if not (np.isfinite(fitted.level).all() and np.isfinite(fitted.covariance).all()):
                fitted, why = None, "some block has only the lowest or only the highest value"
            else:
                both = _both(trait, fitted, how, seen, df)
        except (MixedModelError, np.linalg.LinAlgError) as error:
            why = f"the model could not be fitted: {str(error).rstrip('.')}"
    return _result(trait, data, seen, fitted, df, check, why, notes, adjusted, both)


def _both(
    trait: OwnTrait, fitted: _Fitted, how: TreatmentTerms, seen: list[str], df: float
) -> Combinations:
    """Every variety under every treatment; of a score their mean scores, without limits."""
    percent = trait.kind in ("yes or no", "share")
    exact = "kenward-roger" if LINK[trait.kind] == "difference" else None
    out = combined(fitted.fit, how, seen, df, LINK[trait.kind], 100.0 if percent else 1.0, exact)
    if fitted.cells is None or not how:
        return out
    scores = out.cells[["variety", "treatment"]].merge(fitted.cells, "left")
    cells = out.cells.assign(estimate=scores["score"].to_numpy(), se=np.nan, low=np.nan,
                             high=np.nan)
    over = cells.groupby("treatment")["estimate"].mean().reindex(out.over["treatment"])
    return replace(out, cells=cells, over=out.over.assign(
        estimate=over.to_numpy(), se=np.nan, low=np.nan, high=np.nan))


def _one_sided(data: pd.DataFrame, seen: list[str], trait: OwnTrait) -> str:
    """Why no ratio can be worked out: varieties that had none at all, or all of it."""
    by = Measured(data).range.reindex(seen)
    none = [str(v) for v in by.index[by["max"] == 0]]
    full = [str(v) for v in by.index[by["min"] == 1]] if trait.kind != "count" else []
    said = [f"{listed(names)} had {what}" for names, what in (
        (none, f"no {trait.name}" if trait.kind == "count" else "none"), (full, "all")) if names]
    return f"{' and '.join(said)}: no ratio can be worked out" if said else ""


def _first_seen(measured: Measured, planted: pd.Timestamp) -> pd.DataFrame:
    """One row a plant: amount, the days from planting to the first yes; NaN not yet."""
    out = measured.newest
    first = out["plant"].map(measured.first_above_zero)
    return out.assign(amount=(first - planted).dt.days.astype(float), date=first)


def _middle_days(data: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """A row a plot: the day by which half of its plants had it; why not, where some had not."""
    def middle(days: pd.Series) -> float:
        ordered = np.sort(days.fillna(np.inf).to_numpy(float))
        return float(ordered[max((len(ordered) + 1) // 2 - 1, 0)])

    days = data.groupby(PART)["amount"].transform(middle)
    plots = data.assign(amount=days).drop_duplicates(PART).reset_index(drop=True)
    if np.isinf(plots["amount"]).any():
        some = plots.loc[np.isinf(plots["amount"]), PART].nunique()
        return data, f"in {some} of {len(plots)} plots it was not seen on half of the plants yet"
    return plots, ""


class _Model:
    """One model of plots: its data, fixed blocks and random groupings."""

    def __init__(
        self, data: pd.DataFrame, ground: Support, repeated: bool, how: TreatmentTerms
    ) -> None:
        units = data.drop_duplicates("unit")
        self.ground, self.how = ground, how
        self.split = data[PART].nunique() > len(units)
        self.fixed = complete(units, ground.by)
        names = [*(n for n in ground.by if n not in self.fixed), "unit",
                 *([PART] if self.split else []), "plant", "day"]
        if not repeated:  # the date then says nothing of its own, or is what is compared
            names.remove("day")
        self.groups, self.left_out = usable_groups(data, names, ("variety", *self.fixed))
        self.data, self.adjusted, unadjusted = with_covariates(ground, data, self.fixed)
        self.left_out = [*self.left_out, *unadjusted]
        self.formula = " + ".join([f"amount ~ {how.terms}", *self.fixed, *self.adjusted])

    def df(self, seen: list[str]) -> float:
        """The layout's degrees of freedom between what varieties were given to."""
        df = self.ground.df(seen)
        if self.how and not self.split:
            df = min(df, self.how.df)
        return df - len(self.adjusted)

    def _of(self, fit: FixedEffects, seen: list[str], what: str) -> _Fitted:
        level, joint = variety_levels(fit, seen)
        return _Fitted(level, joint, self.formula, tuple(self.groups), what, fit,
                       left_out=tuple(self.left_out))


class _Linear(_Model):
    def __call__(self, seen: list[str]) -> _Fitted:
        return self._of(fit_lmm(self.formula, self.data, groups=self.groups), seen,
                        "Linear mixed model by REML")


class _Count(_Model):
    def __call__(self, seen: list[str]) -> _Fitted:
        fit = fit_glmm(self.formula, self.data, family="negative-binomial", groups=self.groups,
                       method="reml")
        return self._of(fit, seen, "Negative binomial mixed model (NB2, log link), Laplace with "
                        "the fixed effects integrated out")


class _Share(_Model):
    def __call__(self, seen: list[str]) -> _Fitted:
        if self.data["of"].isna().any():
            low = 0.5 * self.data.loc[self.data["amount"] > 0, "amount"].min()
            self.data = self.data.assign(amount=logit(np.clip(self.data["amount"], low, 1 - low)))
            return self._of(fit_lmm(self.formula, self.data, groups=self.groups), seen,
                            "Linear mixed model by REML on the logits of the percentages (none "
                            "and all moved in by half of the smallest share seen)")
        several = (self.data["of"] > 1).any()
        if several and "unit" not in self.groups:
            # One record a plot: what plots differ by beyond chance must not pass for chance.
            self.groups = [*self.groups, "unit"]
        # Not by "reml": with few records a plot it draws the effects of yes and no towards nothing.
        fit = fit_glmm(self.formula, self.data, family="binomial", weights="of",
                       groups=self.groups, method="ml")
        return self._of(fit, seen, "Binomial mixed model, logit link, maximum likelihood by "
                        "Laplace")


class _Score(_Model):
    def __call__(self, seen: list[str]) -> _Fitted:
        fit = fit_ordered(self.formula, self.data, groups=self.groups)
        shares = fit.shares("variety")
        mean = (shares["share"] * shares["score"].astype(float)).groupby(
            shares["variety"]).sum().reindex(seen)
        rows = variety_rows(fit, seen)[:, 1:]
        q = rows.shape[1]
        joint = fit.joint[-q:, -q:]
        cells = None
        if self.how:
            each = fit.shares("variety", by="treatment")
            each["score"] = each["share"] * each["score"].astype(float)
            cells = each.groupby(["variety", "treatment"]).agg(score=("score", "sum")).reset_index()
        return _Fitted(rows @ fit.effects.to_numpy()[-q:], rows @ joint @ rows.T, self.formula,
                       tuple(self.groups), "Cumulative logit model (proportional odds), Laplace",
                       fit, mean.to_numpy(float), tuple(self.left_out), cells)


_FITS: dict[str, type[_Linear] | type[_Count] | type[_Share] | type[_Score]] = {
    "measure": _Linear, "day": _Linear, "count": _Count, "yes or no": _Share, "share": _Share,
    "score": _Score,
}


def _result(
    trait: OwnTrait, data: pd.DataFrame, seen: list[str], fitted: _Fitted | None, df: float,
    check: str | None, why: str, notes: list[str], adjusted: dict[str, str], both: Combinations,
) -> OwnResult:
    scale = LINK[trait.kind]
    percent = trait.kind in ("yes or no", "share")
    times = 100.0 if percent else 1.0
    measured = Measured(data)
    by_plot = measured.by_plot.rename("value").reset_index()
    plain = by_plot.groupby("variety")["value"].mean().reindex(seen).to_numpy(float)
    df = df if fitted is not None else float("nan")
    v = len(seen)
    if fitted is None:
        level, joint = np.full(v, np.nan), np.full((v, v), np.nan)
        means = difference_means(seen, times * plain, joint, df)
    else:
        level, joint = fitted.level, fitted.covariance
        means = _means(trait, seen, fitted, df, times)
    compared = compare(seen, level, joint, df, check, ratio=scale != "difference")
    if fitted is None and scale == "difference":
        compared = compare(seen, plain, joint, df, check, ratio=False)
    return OwnResult(
        trait.name, trait.name, _unit(trait), scale, means.join(behind(data, seen)),
        compared.against_check, compared.pairs, compared.letters if not why else {}, not why, why,
        _method(trait, fitted, df, why, adjusted), tuple(notes), trait.better, trait.kind,
        measured.by_variety_and_date.reset_index(), by_plot.assign(value=times * by_plot["value"]),
        level if fitted is not None else None, joint if fitted is not None else None, both,
    )


def _means(
    trait: OwnTrait, seen: list[str], fitted: _Fitted, df: float, times: float
) -> pd.DataFrame:
    """Means on the scale a gardener reads, with their limits."""
    se = np.sqrt(np.maximum(np.diagonal(fitted.covariance), 0.0))
    half = stats.t.isf(0.025, df) * se
    if LINK[trait.kind] == "difference":
        return difference_means(seen, fitted.level, fitted.covariance, df)
    if fitted.scores is not None:
        nothing = np.full(len(seen), np.nan)
        return pd.DataFrame({"variety": seen, "estimate": fitted.scores, "se": nothing, "df": df,
                             "low": nothing, "high": nothing})
    if trait.kind == "count":
        return rate_means(seen, fitted.level, fitted.covariance, df, times)
    share = expit(fitted.level)
    return pd.DataFrame({
        "variety": seen, "estimate": times * share, "se": times * share * (1.0 - share) * se,
        "df": df, "low": times * expit(fitted.level - half),
        "high": times * expit(fitted.level + half)})


def _unit(trait: OwnTrait) -> str:
    if trait.kind in ("yes or no", "share"):
        return "%"
    if trait.kind == "day":
        return "days from planting"
    if trait.kind == "score":
        ends = trait.ends or (trait.words[:1] + trait.words[-1:])
        named = f" ({ends[0]}) to {trait.high} ({ends[1]})" if len(ends) == 2 else (
            f" to {trait.high}")
        return f"mean score, {trait.low}{named}"
    return trait.unit


def _method(
    trait: OwnTrait, fitted: _Fitted | None, df: float, why: str, adjusted: dict[str, str]
) -> MethodNote:
    name = trait.name
    if fitted is None:
        return MethodNote(f"Means of plots' means; no interval: {why}.", "Plain means.")
    what = {"odds": "Compared as ratios of odds.", "ratio": "Compared as ratios.",
            "difference": "Compared as differences."}[LINK[trait.kind]]
    if trait.kind == "score":
        what = ("Scores are ordered steps, not amounts: varieties are compared by the odds of a "
                "higher score. The mean score is for the eye.")
    return MethodNote(
        f"{name.capitalize()} compared between plots. {what}{adjusted_for(adjusted)}",
        f"{fitted.what}, {fitted.formula}, random {', '.join(fitted.groups) or 'nothing'}; "
        f"complete blocks fixed; comparisons on the layout's {df:g} df: Dunnett against the check, "
        f"Tukey-Kramer for all pairs. {'; '.join(fitted.left_out)}",
        fitted.formula, fitted.groups, f"design, {df:g}",
    )

# ------------------------------------------------------------------------------------------------
# What a tasting says: varieties against tasters, each with a use of the scale of its own.
#
# Tasters are the replication: each is a draw from those who might have tasted.  The dish of fruit
# is not replicated, so that nothing is said of other plants, plots or days.
#
# As ordered categories: cumulative logit with tasters random, all varieties alike against the model
# by the likelihood ratio.  As numbers: a linear mixed model with tasters random, means for the
# picture, pairs by Tukey and Kramer.  Whether two can be told apart at all: a triangle test, the
# exact chance of so many right by guessing one in three (binomial).
# ------------------------------------------------------------------------------------------------

_FEWEST_TASTERS = 3
_GUESSED = 1.0 / 3.0


@dataclass(frozen=True)
class TastingResult:
    """One trait of a tasting.

    means : variety, estimate, low, high (95 %), tasters; best first.  pairs : left, right,
    estimate, low, high, all held at once at 95 %.  statistic, df, p : all alike, as ordered
    categories; NaN where that cannot be fitted, and ``ordered_why`` says why.  effects : log odds
    of a higher score by variety, against the first by name.
    """

    trait: str
    tasters: int
    means: pd.DataFrame
    pairs: pd.DataFrame
    statistic: float
    df: int
    p: float
    effects: pd.Series
    ordered_why: str = ""

    @property
    def text(self) -> str:
        """For a terminal and a page."""
        lines = [f"{self.trait}, {self.tasters} tasters:"]
        lines += [f"  {r.variety}: {r.estimate:.1f} ({r.low:.1f} to {r.high:.1f})"
                  for r in self.means.itertuples()]
        clear = self.pairs[(self.pairs["low"] > 0) | (self.pairs["high"] < 0)]
        values = clear[["estimate", "low", "high"]].to_numpy(dtype=float)
        for left, right, (by, low, high) in zip(clear["left"], clear["right"], values, strict=True):
            better, other = (left, right) if by > 0 else (right, left)
            least, most = sorted((abs(low), abs(high)))
            lines.append(f"  {better} above {other} by {abs(by):.1f} ({least:.1f} to {most:.1f}).")
        if not len(clear):
            lines.append("  These tasters can't separate them; that doesn't make them equal.")
        return "\n".join(lines)


TASTING_NOTE = (
    "Each taster counts as one test. One dish of each variety was tasted, from these plants on "
    "this day: another picking may taste otherwise.")


def tasting_result(scores: pd.DataFrame, trait: str) -> TastingResult:
    """Work out one trait.  scores : taster, variety, score, one row a taster and variety.

    Raises ValueError where there are too few tasters or varieties, or no two scores differ.
    """
    data = scores.dropna(subset=["score"]).astype({"taster": "str", "variety": "str"})
    tasters, varieties = data["taster"].nunique(), data["variety"].nunique()
    if tasters < _FEWEST_TASTERS or varieties < 2:
        raise ValueError(f"{trait}: {tasters} tasters and {varieties} varieties have scores. "
                         f"{_FEWEST_TASTERS} tasters and 2 varieties are needed.")
    if data["score"].nunique() < 2:
        raise ValueError(f"{trait}: every score is the same, so nothing can be compared.")
    groups = ["taster"]
    if data.duplicated(["taster", "variety"]).any():  # some tasted a variety more than once
        data["own view"] = data["taster"] + "\0" + data["variety"]
        groups.append("own view")
    try:
        fit = fit_lmm("score ~ variety", data, groups=groups)
    except MixedModelError:
        raise ValueError(f"{trait}: the tasters' scores agree so well, or are so few, that nothing "
                         "is left to judge chance by.") from None
    means = fit.means("variety")[["variety", "estimate", "low", "high"]]
    counts = data.groupby("variety")["taster"].nunique()
    means = means.assign(tasters=means["variety"].map(counts)).sort_values(
        "estimate", ascending=False, ignore_index=True)
    pairs = fit.compare("variety").table[["left", "right", "estimate", "low", "high"]]
    statistic, p, why = float("nan"), float("nan"), ""
    effects = pd.Series(dtype=float)
    try:
        full = fit_ordered("score ~ variety", data, groups=groups)
        none = fit_ordered("score ~ 1", data, groups=groups)
        statistic = max(2.0 * (full.log_likelihood - none.log_likelihood), 0.0)
        p = float(stats.chi2.sf(statistic, varieties - 1))
        effects = full.effects
    except MixedModelError as error:
        why = str(error)
    return TastingResult(trait, tasters, means, pairs, statistic, varieties - 1, p, effects, why)


def triangle_test(right: int, tasted: int) -> float:
    """The chance of at least so many right answers of so many by guessing: two cups are alike, one
    is not, and each taster names the odd one.  Raises ValueError."""
    if not 0 <= right <= tasted or tasted < 1:
        raise ValueError(f"{right} right of {tasted} cannot be: write 0 to {tasted}.")
    return float(stats.binom.sf(right - 1, tasted, _GUESSED))


def fewest_right(tasted: int, alpha: float = 0.05) -> int | None:
    """The fewest right answers that guessing gives with a chance of at most alpha; None where not
    even all right would do."""
    fewest = int(stats.binom.isf(alpha, tasted, _GUESSED)) + 1
    return fewest if fewest <= tasted else None
