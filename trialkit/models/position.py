"""Place in the bed: does a trend along or across the rows explain the difference?"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.design.bed import plant_positions
from trialkit.mixed import GLMM, fit_glmm
from trialkit.models.comparing import ALPHA, Floats, compare, with_check
from trialkit.models.counting import date_pace, unit_index
from trialkit.models.places import (
    EDGE,
    FEWEST_DF,
    SHADE,
    PlaceEffects,
    holm,
    place_columns,
    place_effects,
)
from trialkit.models.places import (
    MATTERS as MATTERS,
)
from trialkit.models.pods import PodsResult, variety_rows
from trialkit.models.results import (
    AGAINST,
    MEANS,
    PAIRS,
    MethodNote,
    Missing,
    TraitResult,
    empty,
)
from trialkit.models.smooth import Spline
from trialkit.models.support import Support, behind, usable_groups
from trialkit.records.check import BASKET

if TYPE_CHECKING:
    from trialkit.records import Records

ROW, COLUMN = "across the rows", "along the rows"


@dataclass(frozen=True)
class PositionResult(TraitResult):
    """`against_check`: ratios adjusted for place.  `side_by_side`: variety, check, unadjusted,
    unadjusted_low, unadjusted_high, adjusted, adjusted_low, adjusted_high, change (adjusted over
    unadjusted, less 1).  `trend`: direction, ratio (far end to near end), low, high, p (Holm's over
    the directions).  `told`: whether a direction's p is below 5 %.  `differs`: it is, and some
    ratio changes by more than a tenth.  `bed`: plant, variety, plot, x, y (cm on
    the ground, aisles included), ratio (1 as expected, NaN not known), lost.  `places`: the edge of
    the bed and the shade, each tested on the plots and taken out by itself."""

    side_by_side: pd.DataFrame = field(default_factory=pd.DataFrame)
    trend: pd.DataFrame = field(default_factory=pd.DataFrame)
    differs: bool = False
    told: bool = False
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
    terms = _apart_from_varieties(data, terms)
    if not terms:
        why = "each variety has its own place: the two cannot be told apart"
        return _unjudged(pods, bed, why, counted)
    if not ground.supported or len(pods.varieties) < 2:
        why = ground.why_not or "there is only one variety"
        return _unjudged(pods, bed, "place and variety cannot be told apart: " + why, counted)
    columns = [c for some in terms.values() for c in some]
    if ground.df(list(pods.varieties)) - len(columns) < FEWEST_DF:
        terms = {direction: names[:1] for direction, names in terms.items()}
        columns = [names[0] for names in terms.values()]
    if ground.df(list(pods.varieties)) - len(columns) < FEWEST_DF and len(terms) > 1:
        terms = {COLUMN: terms[COLUMN]} if COLUMN in terms else terms
        columns = [c for some in terms.values() for c in some]
    if ground.df(list(pods.varieties)) - len(columns) < FEWEST_DF:
        return _unjudged(pods, bed, "there are too few plots to tell a trend from chance", counted)
    where, words = place_columns(records, ground)
    index = unit_index(pods.looks, "unit").rename(columns={"log_index": "value"})
    places = place_effects(index, where, words, list(pods.varieties), check, ratio=True, unit="",
                           only=(EDGE, SHADE))
    groups, left_out = usable_groups(data, [*ground.by, "unit"], ("variety",))
    formula = "pods ~ variety + " + " + ".join(columns)
    varieties = list(pods.varieties)
    _, level, joint, df = _fitted("pods ~ variety", data, groups, ground, varieties)
    plain = with_check(varieties, level, joint, df, check, ratio=True)
    fit, level, joint, df = _fitted(formula, data, groups, ground, varieties, len(columns))
    compared = compare(varieties, level, joint, df, check, ratio=True)
    side = _side_by_side(plain, compared.against_check)
    trend = _trend(fit, data, terms, df)
    told = bool((trend["p"] < ALPHA).any())
    differs = told and bool((side["change"].abs() > MATTERS).any())
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
        "times the average", "ratio", means.join(behind(pods.looks, varieties)),
        compared.against_check, compared.pairs, compared.letters, True, "", method, (), side,
        trend, differs, told, bed, places,
    )


def _unjudged(pods: PodsResult, bed: pd.DataFrame, why: str, counted: str) -> PositionResult:
    """The map alone, for a layout that cannot tell place from variety."""
    note = MethodNote(f"The map shows each plant's {counted} against its variety's. No trend is "
                      "worked out.", f"No model: {why}.")
    return PositionResult(
        "position", f"{counted} a plant against an average plant", "times the average", "ratio",
        empty(MEANS), empty(AGAINST), empty(PAIRS), {}, False, why, note, (), bed=bed,
    )


def _plants(pods: PodsResult) -> pd.DataFrame:
    looks = pods.looks.assign(expected=pods.looks["days"] * date_pace(pods.looks))
    out = looks.groupby("plant", as_index=False).agg(
        variety=("variety", "first"), block=("block", "first"), unit=("unit", "first"),
        row=("row", "first"), column=("column", "first"), pods=("pods", "sum"),
        expected=("expected", "sum"),
    )
    out["log_expected"] = np.log(out["expected"].clip(lower=1e-6))
    return out


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


def _apart_from_varieties(
    data: pd.DataFrame, terms: dict[str, list[str]]
) -> dict[str, list[str]]:
    """The columns that say something the varieties, and the columns before them, do not."""
    base = pd.get_dummies(data["variety"]).to_numpy(float)
    kept: dict[str, list[str]] = {}
    for direction, names in terms.items():
        for name in names:
            column = data[name].to_numpy(float)
            left = column - base @ np.linalg.lstsq(base, column, rcond=None)[0]
            if left @ left > 1e-9 * max(float(column @ column), 1e-300):
                kept.setdefault(direction, []).append(name)
                base = np.column_stack([base, column])
    return kept


def _fitted(
    formula: str, data: pd.DataFrame, groups: list[str], ground: Support, varieties: list[str],
    lost_df: int = 0,
) -> tuple[GLMM, Floats, Floats, float]:
    """The fit, log rates (v,), their covariance (v, v) and df."""
    fit = fit_glmm(formula, data, family="negative-binomial", offset="log_expected", groups=groups,
                   method="reml", separated="keep")
    rows = variety_rows(fit, varieties)
    level, joint = rows @ fit.fixed.to_numpy(), rows @ fit.cov_fixed.to_numpy() @ rows.T
    return fit, level, joint, ground.df(varieties) - lost_df


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
        base = looks.assign(expected=looks["days"] * date_pace(looks))
        sums = base.groupby(["plant", "variety"], as_index=False)[["pods", "expected"]].sum()
        mean = sums.groupby("variety")[["pods", "expected"]].transform("sum")
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
