"""Place in the bed: does a trend along or across the rows explain the difference?"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.design.bed import at_edge, plant_positions, shade
from trialkit.mixed import GLMM, fit_glmm
from trialkit.mixed.leastsquares import LeastSquares
from trialkit.models.curves import Spline
from trialkit.models.picked import PodsResult, covariates_in
from trialkit.models.results import (
    AGAINST,
    ALPHA,
    MEANS,
    PAIRS,
    Floats,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    dunnett,
    empty,
    variety_levels,
    with_check,
)
from trialkit.models.support import Support, layout_columns, usable_groups
from trialkit.models.totals import log_index
from trialkit.records.plots import BASKET

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# Edge, shade and slope at the level of the plots: tested, and taken out one at a time.
#
# Analysis of covariance of the plots' own values (Fisher 1934; Cochran 1957, Biometrics 13:261):
# varieties, what the layout takes out (blocks; rows and columns of a square) and the place, by
# least squares, so that the degrees of freedom are the layout's less one for the place.
# ------------------------------------------------------------------------------------------------

MATTERS = 0.10
"""An adjusted answer further than this from the unadjusted one is shown beside it."""
FEWEST_DF = 3.0
"""Fewer left for chance after the place is taken out is no measure of it (own choice)."""
ALONG, ACROSS = "along the rows", "across the rows"
EDGE, SHADE = "the edge of the bed", "the shade"
EFFECTS = ["place", "words", "estimate", "low", "high", "p", "p_single", "df", "F", "F_first",
           "F_varieties", "p_varieties", "note"]
BY_PLACE = ["place", "variety", "against", "unadjusted", "unadjusted_low", "unadjusted_high",
            "adjusted", "adjusted_low", "adjusted_high", "change", "differs"]
AVERAGE = "the average variety"


@dataclass(frozen=True)
class PlaceEffects:
    """What the place in the bed does to the plots, and to the varieties.

    scale: "ratio" or "difference", of every estimate; unit: of a difference.
    effects: place, words (what was compared), estimate (the far end against the near one; plots
    all at the edge, in the shade, against those not) with low and high, p (Holm's over the places
    looked at), p_single, df, F; F_first: F of the place before varieties are fitted; F_varieties
    and p_varieties: of all varieties, the place allowed for; note (why there are no figures).
    by_place: variety against the check (or the average variety), unadjusted and adjusted for that
    place alone, with simultaneous intervals; change: adjusted over unadjusted less 1, or the
    difference over the mean; differs: beyond a tenth, and the place's own p is below 5 %.
    """

    scale: str
    unit: str
    effects: pd.DataFrame = field(default_factory=lambda: empty(EFFECTS))
    by_place: pd.DataFrame = field(default_factory=lambda: empty(BY_PLACE))
    why_not: str = ""

    @property
    def differs(self) -> bool:
        """Whether some variety's answer changes by more than a tenth."""
        return bool(self.by_place["differs"].astype(bool).any())


def place_columns(records: Records, ground: Support) -> tuple[pd.DataFrame, dict[str, str]]:
    """Each unit's place, its plants' mean: columns of `ALONG`, `ACROSS`, `EDGE`, `SHADE` where
    known, each from 0 to 1, indexed by unit; and in words what each says."""
    plants = records.plants.drop_duplicates("plant").dropna(subset=["row", "column"])
    if plants.empty or len(plants) < records.plants["plant"].nunique():
        return pd.DataFrame(), {}
    ground_at = plant_positions(records)
    known = pd.DataFrame({"plant": plants["plant"].to_numpy()})
    columns = {
        ALONG: ground_at["x"].reindex(known["plant"]).to_numpy(),
        ACROSS: ground_at["y"].reindex(known["plant"]).to_numpy(),
        EDGE: at_edge(plants).to_numpy(float),
    }
    words = {ALONG: "the last plots of the rows against the first",
             ACROSS: "the last row against the first",
             EDGE: "plots at the edge of the bed against plots inside it"}
    shaded = shade(records)
    if shaded is not None:
        columns[SHADE] = shaded.share.reindex(known["plant"]).to_numpy()
        words[SHADE] = f"plots in the shade against those out of it: {shaded.words}"
    unit = known["plant"].map(ground.unit_of)
    by_unit = pd.DataFrame(columns).groupby(unit.to_numpy())
    out = by_unit.mean()
    some = by_unit[EDGE].max()
    if some.nunique() > 1:  # a plot at an end is an edge plot, however few plants stand there
        out[EDGE] = some
    wide = out.max() - out.min()
    out = out.loc[:, wide > 1e-9]
    out = (out - out.min()) / (out.max() - out.min())
    return out, {name: words[name] for name in out.columns}


def place_effects(
    units: pd.DataFrame, places: pd.DataFrame, words: dict[str, str], varieties: list[str],
    check: str | None, ratio: bool, unit: str, only: tuple[str, ...] = (),
) -> PlaceEffects:
    """Test each place, and compare varieties with and without it.

    units: one row a plot with unit, variety, value (logarithms if `ratio`), block, and bed_row
    and bed_column of a square.  places, words: from `place_columns`.  only: the places to look
    at, all if empty.
    """
    scale = "ratio" if ratio else "difference"
    units = units[units["variety"].isin(varieties)]
    x = np.column_stack([units["variety"] == v for v in varieties]).astype(float)
    plain = _Fit(np.hstack([x, layout_columns(units)]), units["value"].to_numpy(float), x.shape[1])
    if plain.df < 1:
        why = "there are too few plots for any measure of chance"
        return PlaceEffects(scale, unit, why_not=why)
    names = [n for n in places.columns if not only or n in only]
    shown, against, step = _steps(varieties, check)
    counted = _contrasts(plain, step, against)
    rows, sides = [], []
    for name in names:
        place = places[name].reindex(units["unit"]).to_numpy(float)
        row, fit = _effect(name, words[name], plain, place, ratio)
        rows.append(row)
        if fit is not None:
            sides.append(_side(name, shown, against, counted, _contrasts(fit, step, against),
                               float(plain.y.mean()), ratio))
    effects = pd.DataFrame(rows, columns=[c for c in EFFECTS if c != "p"])
    effects = effects.assign(p=holm(effects["p_single"].to_numpy(float)))[EFFECTS]
    clear = set(effects.loc[effects["p"] < ALPHA, "place"])
    sides = [side.assign(differs=side["differs"] & side["place"].isin(clear)) for side in sides]
    by_place = pd.concat(sides, ignore_index=True) if sides else empty(BY_PLACE)
    return PlaceEffects(scale, unit, effects, by_place)


def holm(p: Floats) -> Floats:
    """Holm (1979, Scand. J. Statist. 6:65), NaN left out: the smallest times m, the next m - 1."""
    out, known = p.copy(), np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(order), 0, -1)), 1.0)
    return out


@dataclass(frozen=True)
class _Fit(LeastSquares):
    """Least squares of the plots on varieties (the first `varieties` columns) and the rest."""

    varieties: int

    @property
    def layout(self) -> Floats:
        """The mean and the columns of the layout, without the varieties."""
        return np.hstack([np.ones((len(self.y), 1)), self.x[:, self.varieties:]])

    def f_of_varieties(self) -> float:
        """All varieties alike, against everything else in the model."""
        return self.f_over(LeastSquares(self.layout, self.y))[0]


def _effect(
    name: str, words: str, plain: _Fit, place: Floats, ratio: bool
) -> tuple[tuple[object, ...], _Fit | None]:
    """The row of `effects`, and the fit with the place in it (None where it cannot be told)."""
    nothing = [np.nan] * 9
    left = LeastSquares(plain.x, place).residual
    if not np.isfinite(place).all() or left @ left < 0.05 * max(float(np.ptp(place)) ** 2, 1e-12):
        note = "it runs with the varieties or the blocks, so these plots can't show it"
        return (name, words, *nothing, note), None
    if plain.df - 1 < FEWEST_DF:
        return (name, words, *nothing, "too few plots to tell it from chance"), None
    fit = _Fit(np.column_stack([plain.x, place]), plain.y, plain.varieties)
    estimate, se = float(fit.estimate[-1]), float(np.sqrt(fit.covariance[-1, -1]))
    if not se > 0:
        return (name, words, *nothing, "the plots do not vary"), None
    half = float(stats.t.isf(ALPHA / 2, fit.df)) * se
    ends = np.array([estimate, estimate - half, estimate + half])
    f = (estimate / se) ** 2
    before = LeastSquares(plain.layout, plain.y)
    first = (before.rss - LeastSquares(fit.layout, plain.y).rss) / fit.variance
    of_all = fit.f_of_varieties()
    p_all = float(stats.f.sf(of_all, plain.varieties - 1, fit.df))
    shown = np.exp(ends) if ratio else ends
    return (name, words, *map(float, shown), float(stats.f.sf(f, 1, fit.df)), fit.df, f, first,
            of_all, p_all, ""), fit


def _steps(varieties: list[str], check: str | None) -> tuple[list[str], str, Floats]:
    """Each variety against the check, or against the average variety where there is none."""
    v = len(varieties)
    if check not in varieties:
        return varieties, AVERAGE, np.eye(v) - 1.0 / v
    at = varieties.index(str(check))
    step = np.delete(np.eye(v) - np.eye(v)[at], at, axis=0)
    return [n for n in varieties if n != check], str(check), step


def _contrasts(fit: _Fit, step: Floats, against: str) -> tuple[Floats, Floats]:
    """Values and half-widths: Dunnett against a check, Bonferroni against the average."""
    v = step.shape[1]
    value = step @ fit.estimate[:v]
    joint = step @ fit.covariance[:v, :v] @ step.T
    se = np.sqrt(np.maximum(np.diagonal(joint), 0.0))
    if against != AVERAGE:
        return value, dunnett(value, se, joint, fit.df)[1]
    return value, np.asarray(stats.t.isf(ALPHA / 2 / v, fit.df) * se)


def _side(
    name: str, shown: list[str], against: str, plain: tuple[Floats, Floats],
    adjusted: tuple[Floats, Floats], mean: float, ratio: bool,
) -> pd.DataFrame:
    out = pd.DataFrame({"place": name, "variety": shown, "against": against})
    for label, (value, half) in (("unadjusted", plain), ("adjusted", adjusted)):
        for end, values in (("", value), ("_low", value - half), ("_high", value + half)):
            out[f"{label}{end}"] = np.exp(values) if ratio else values
    change = (out["adjusted"] / out["unadjusted"] - 1.0 if ratio
              else (out["adjusted"] - out["unadjusted"]) / (abs(mean) or 1.0))
    return out.assign(change=change, differs=change.abs() > MATTERS)[BY_PLACE]


# ------------------------------------------------------------------------------------------------
# Place in the bed: does a trend along or across the rows explain the difference?
# ------------------------------------------------------------------------------------------------

ROW, COLUMN = "across the rows", "along the rows"


@dataclass(frozen=True)
class PositionResult(TraitResult):
    """`against_check`: ratios adjusted for place.  `side_by_side`: variety, check, unadjusted,
    unadjusted_low, unadjusted_high, adjusted, adjusted_low, adjusted_high, change (adjusted over
    unadjusted, less 1).  `trend`: direction, ratio (far end to near end), low, high, p (Holm's over
    the directions).  `clear`: whether a direction's p is below 5 %.  `differs`: it is, and some
    ratio changes by more than a tenth.  `bed`: plant, variety, plot, x, y (cm on
    the ground, aisles included), ratio (1 as expected, NaN not known), lost.  `places`: the edge of
    the bed and the shade, each tested on the plots and taken out by itself."""

    side_by_side: pd.DataFrame = field(default_factory=pd.DataFrame)
    trend: pd.DataFrame = field(default_factory=pd.DataFrame)
    differs: bool = False
    clear: bool = False
    bed: pd.DataFrame = field(default_factory=pd.DataFrame)
    places: PlaceEffects | None = None


def position_trait(
    records: Records, pods: PodsResult, ground: Support, check: str | None, counted: str
) -> PositionResult | Missing:
    """Ratios with a smooth trend along the rows and a straight one across them taken out.

    On each plant's pods of the season.  Raises MixedModelError where it cannot be fitted.
    """
    bed = bed_frame(records, pods)
    plants = _plants(pods)
    if plants["column"].isna().all() and plants["row"].isna().all():
        return Missing("position", "the places of the plants (row and column) are not recorded")
    data = ground.located(plants.dropna(subset=["pods"]))
    terms = _terms(data)
    if not terms:
        return Missing("position", "all plants stand in one place as far as the records say")
    terms = _beside_varieties(data, terms)
    if not terms:
        why = "each variety has its own place: the two cannot be told apart"
        return _unjudged(pods, bed, why, counted)
    if not ground.supported or len(pods.varieties) < 2:
        why = ground.why_not or "there is only one variety"
        return _unjudged(pods, bed, "place and variety cannot be told apart: " + why, counted)
    terms = _within_df(terms, ground.df(list(pods.varieties)))
    if not terms:
        return _unjudged(pods, bed, "there are too few plots to tell a trend from chance", counted)
    where, words = place_columns(records, ground)
    index = pods.tally.by_plot
    index = index.assign(value=log_index(index))
    places = place_effects(index, where, words, list(pods.varieties), check, ratio=True, unit="",
                           only=(EDGE, SHADE))
    columns = [c for some in terms.values() for c in some]
    groups, left_out = usable_groups(data, [*ground.by, "unit"], ("variety",))
    numbers = covariates_in(data)
    counted_as = " + ".join(["pods ~ variety", *numbers])
    formula = " + ".join([counted_as, *columns])
    varieties = list(pods.varieties)
    _, level, joint, df = _fitted(counted_as, data, groups, ground, varieties, len(numbers))
    plain = with_check(varieties, level, joint, df, check, ratio=True)
    fit, level, joint, df = _fitted(formula, data, groups, ground, varieties,
                                    len(numbers) + len(columns))
    compared = compare(varieties, level, joint, df, check, ratio=True)
    side = _side_by_side(plain, compared.against_check)
    trend = _trend(fit, data, terms, df)
    clear = bool((trend["p"] < ALPHA).any())
    differs = clear and bool((side["change"].abs() > MATTERS).any())
    se = np.sqrt(np.diagonal(joint))
    half = stats.t.isf(0.025, df) * se
    means = pd.DataFrame({"variety": varieties, "estimate": np.exp(level), "se": np.exp(level) * se,
                          "df": df, "low": np.exp(level - half), "high": np.exp(level + half)})
    method = MethodNote(
        "The same comparison with the place in the bed allowed for.",
        f"Negative binomial mixed model on each plant's season total, {formula}, offset log of "
        "what an average plant looked at on the same dates gave, random "
        f"{', '.join(groups) or 'nothing'}; {df:g} df, the layout's less {len(columns)} for the "
        "trend, for comparisons and for its own test: plots, not plants, tell of places. It is "
        "taken into account where its own test says so (p below 0.05, Holm over directions). "
        "Edge and shade: least squares on the plots' log totals, one at a time (analysis of "
        "covariance), "
        f"p by Holm over the two. {'; '.join(left_out)}",
        formula, tuple(groups), f"design less {len(columns)}, {df:g}",
        {"dispersion": fit.dispersion},
    )
    return PositionResult(
        "position", f"{counted} a plant against an average plant, place allowed for",
        "times the average", "ratio", means.join(pods.tally.behind(varieties)),
        compared.against_check, compared.pairs, compared.letters, True, "", method, (), side,
        trend, differs, clear, bed, places,
    )


def _within_df(terms: dict[str, list[str]], df: float) -> dict[str, list[str]]:
    """The terms that leave FEWEST_DF of df: all, straight lines alone, the one along the rows
    alone; none where that is too many still."""
    straight = {direction: names[:1] for direction, names in terms.items()}
    along = {COLUMN: straight[COLUMN]} if COLUMN in terms else straight
    return next((some for some in (terms, straight, along)
                 if df - sum(map(len, some.values())) >= FEWEST_DF), {})


def _unjudged(pods: PodsResult, bed: pd.DataFrame, why: str, counted: str) -> PositionResult:
    """The map alone, for a layout that cannot tell place from variety."""
    note = MethodNote(f"The map shows each plant's {counted} against its variety's. No trend is "
                      "worked out.", f"No model: {why}.")
    return PositionResult(
        "position", f"{counted} a plant against an average plant", "times the average", "ratio",
        empty(MEANS), empty(AGAINST), empty(PAIRS), {}, False, why, note, (), bed=bed,
    )


def _plants(pods: PodsResult) -> pd.DataFrame:
    plants = pods.tally.by_plant
    return plants.assign(log_expected=np.log(plants["expected"].clip(lower=1e-6)))


def _terms(data: pd.DataFrame) -> dict[str, list[str]]:
    """Adds the place's columns to `data`: -> {direction: its columns}."""
    terms: dict[str, list[str]] = {}
    one_each = bool(data.groupby("row")["block"].nunique().eq(1).all())
    block_is_row = one_each and data["block"].nunique() > 1
    if data["row"].notna().all() and data["row"].nunique() > 1 and not block_is_row:
        data["across"] = data["row"] - data["row"].mean()
        terms[ROW] = ["across"]
    if data["column"].notna().all() and data["column"].nunique() > 1:
        bends = 2 if data["column"].nunique() >= 8 else 1
        basis = Spline.through(data["column"], bends).basis(data["column"])
        names = [f"along{i}" for i in range(1, basis.shape[1] + 1)]
        for name, values in zip(names, basis.T, strict=True):
            data[name] = values - values.mean()
        terms[COLUMN] = names
    return terms


def _beside_varieties(
    data: pd.DataFrame, terms: dict[str, list[str]]
) -> dict[str, list[str]]:
    """The columns that say something the varieties, and the columns before them, do not."""
    base = pd.get_dummies(data["variety"]).to_numpy(float)
    columns: dict[str, list[str]] = {}
    for direction, names in terms.items():
        for name in names:
            column = data[name].to_numpy(float)
            left = LeastSquares(base, column).residual
            if left @ left > 1e-9 * max(float(column @ column), 1e-300):
                columns.setdefault(direction, []).append(name)
                base = np.column_stack([base, column])
    return columns


def _fitted(
    formula: str, data: pd.DataFrame, groups: list[str], ground: Support, varieties: list[str],
    lost_df: int = 0,
) -> tuple[GLMM, Floats, Floats, float]:
    """The fit, log rates (v,), their covariance (v, v) and df."""
    fit = fit_glmm(formula, data, family="negative-binomial", offset="log_expected", groups=groups,
                   method="reml", separated="keep")
    return fit, *variety_levels(fit, varieties), ground.df(varieties) - lost_df


def _side_by_side(plain: pd.DataFrame, adjusted: pd.DataFrame) -> pd.DataFrame:
    out = plain[["variety", "check"]].copy()
    for name, frame in (("unadjusted", plain), ("adjusted", adjusted)):
        out[name] = frame["estimate"].to_numpy()
        out[f"{name}_low"] = frame["low"].to_numpy()
        out[f"{name}_high"] = frame["high"].to_numpy()
    out["change"] = out["adjusted"] / out["unadjusted"] - 1.0
    return out


def _trend(
    fit: GLMM, data: pd.DataFrame, terms: dict[str, list[str]], df: float
) -> pd.DataFrame:
    """End-to-end change in each direction, and the test that there is none, on the plots' df."""
    rows = []
    for direction, names in terms.items():
        place = data["column" if direction == COLUMN else "row"]
        near, far = data[place == place.min()].iloc[0], data[place == place.max()].iloc[0]
        step = np.array([far[n] - near[n] for n in names], dtype=float)
        beta = fit.fixed[names].to_numpy()
        joint = fit.cov_fixed.loc[names, names].to_numpy()
        estimate, se = float(step @ beta), float(np.sqrt(step @ joint @ step))
        f = float(beta @ np.linalg.solve(joint, beta)) / len(names)
        half = float(stats.t.isf(0.025, df)) * se
        rows.append((direction, np.exp(estimate), np.exp(estimate - half), np.exp(estimate + half),
                     float(stats.f.sf(f, len(names), df))))
    trend = pd.DataFrame(rows, columns=["direction", "ratio", "low", "high", "p"])
    return trend.assign(p=holm(trend["p"].to_numpy(float)))


def bed_frame(records: Records, pods: PodsResult) -> pd.DataFrame:
    """The bed map: each plant in its place with what it gave against what was expected.

    ratio: the model's prediction of plot and plant together (shrunk towards 1, more so the less
    it was looked at); without a fit, observed over expected of its variety.
    """
    return bed_map(records, _ratio(pods))


def bed_map(records: Records, ratio: dict[str, float]) -> pd.DataFrame:
    """Every plant where it stands on the ground: plant, variety, plot, x, y (cm), ratio, lost."""
    plants = records.plants.drop_duplicates("plant")
    place = plant_positions(records).reindex(plants["plant"])
    ratio = {**{plant: ratio[f"{BASKET}{plot}"]
                for plant, plot in zip(plants["plant"], plants["plot"], strict=True)
                if f"{BASKET}{plot}" in ratio}, **ratio}
    return pd.DataFrame({
        "plant": plants["plant"], "variety": plants["variety"], "plot": plants["plot"],
        "x": place["x"].to_numpy(), "y": place["y"].to_numpy(),
        "ratio": plants["plant"].map(ratio).astype(float), "lost": plants["lost"].notna(),
    }).dropna(subset=["x", "y"]).reset_index(drop=True)


def _ratio(pods: PodsResult) -> dict[str, float]:
    looks = pods.looks
    if pods.fit is None:
        sums = pods.tally.by_plant
        mean = pods.tally.by_variety.loc[sums["variety"]].reset_index(drop=True)
        value = (sums["pods"] + 0.5) / (sums["expected"] * mean["pods"] / mean["expected"] + 0.5)
        return dict(zip(sums["plant"], value, strict=True))
    effects = pods.fit.random_effects
    about = looks.drop_duplicates("plant").set_index("plant")
    total = pd.Series(0.0, index=about.index)
    if "unit" in effects:
        total = total + about["unit"].map(effects["unit"].iloc[:, 0]).fillna(0.0)
    if "plant" in effects:
        total = total + effects["plant"].iloc[:, 0].reindex(about.index).fillna(0.0)
    return {str(k): float(np.exp(v)) for k, v in total.items()}
