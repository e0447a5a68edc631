"""Two factors: every variety under every treatment, and whether varieties answer alike to them.

Treatments are compared between the plots they were given to, or between the parts of a plot where
plots are split (Cochran & Cox 1957, Experimental Designs, ch. 7): a part's plants are not
repetitions of its treatment.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit

from trialkit.mixed.fixed import marginal_rows
from trialkit.models.results import ALPHA, PAIRS, Floats, empty

if TYPE_CHECKING:
    from trialkit.models.support import Support

CELLS = ["variety", "treatment", "estimate", "se", "df", "low", "high"]
OVER = ["treatment", "estimate", "se", "df", "low", "high"]
ANSWERS = ["variety", *PAIRS]
TESTS = ["term", "F", "num_df", "den_df", "p", "reason"]
PART = "part"
"""Column of the part of a plot that got one treatment; the plot itself where plots are whole."""


@dataclass(frozen=True)
class Combinations:
    """cells: variety, treatment, estimate, se, df, low, high; over: treatment, estimate, se, df,
    low, high, each variety counting alike; both in the unit of the trait's means.  answers:
    variety, left, right, estimate, low, high, p, df: what treatment `left` gave a variety less (or
    over, as scale says) what `right` gave it, simultaneous over varieties and pairs of treatments.
    tests: term, F, num_df, den_df, p, reason.  scale: "difference", "ratio" or "odds", of
    `answers`.  together: whether the model lets varieties answer each in their own way.
    """

    cells: pd.DataFrame = field(default_factory=lambda: empty(CELLS))
    over: pd.DataFrame = field(default_factory=lambda: empty(OVER))
    answers: pd.DataFrame = field(default_factory=lambda: empty(ANSWERS))
    tests: pd.DataFrame = field(default_factory=lambda: empty(TESTS))
    scale: str = "difference"
    together: bool = True

    def p(self, term: str) -> float:
        """p of "treatment" or "variety:treatment"; NaN where it was not tested."""
        row = self.tests[self.tests["term"] == term]
        return float(row["p"].iloc[0]) if len(row) else float("nan")


@dataclass(frozen=True)
class Given:
    """How treatments enter a model.  terms: "variety", "variety + treatment" or "variety *
    treatment".  df: the layout's degrees of freedom between what treatments were given to.
    note: why treatments are left out, "" where there are none or they are in."""

    terms: Literal["variety", "variety + treatment", "variety * treatment"] = "variety"
    df: float = float("nan")
    note: str = ""

    def __bool__(self) -> bool:
        return self.terms != "variety"


def given(data: pd.DataFrame, ground: Support) -> Given:
    """Whether a model of `data` (a row a record, with unit, treatment and the layout's groupings)
    can have treatments, and whether each variety's own answer to them."""
    said = data["treatment"].dropna() if "treatment" in data else pd.Series(dtype=object)
    if said.nunique() < 2:
        return Given()
    if len(said) < len(data):
        return Given(note="treatments left out: some records are of plants without one")
    parts = with_parts(data).drop_duplicates(PART)
    outer = ["unit"] if parts["unit"].duplicated().any() else list(ground.by)
    base = np.hstack([_columns(parts[name]) for name in ("variety", *outer)])
    both = parts["variety"].astype(str) + "|" + parts["treatment"].astype(str)
    plus = np.hstack([base, _columns(parts["treatment"])])
    star = np.hstack([base, _columns(both)])
    alone, added, all_ = (int(np.linalg.matrix_rank(x)) for x in (base, plus, star))
    if added < alone + said.nunique() - 1:
        return Given(note="treatments left out: they cannot be told from varieties or blocks")
    full = both.nunique() == parts["variety"].nunique() * said.nunique()
    whole = full and all_ == alone + both.nunique() - parts["variety"].nunique()
    if whole and len(parts) > all_:
        return Given("variety * treatment", float(len(parts) - all_))
    return Given("variety + treatment", float(len(parts) - added))


def with_parts(data: pd.DataFrame) -> pd.DataFrame:
    """`data` with the part of the plot each record is of."""
    return data.assign(**{
        PART: data["unit"].astype(str) + " | " + data["treatment"].astype(str)})


def _columns(values: pd.Series) -> Floats:
    return pd.get_dummies(values).to_numpy(dtype=np.float64)


def combined(
    fit: Any, how: Given, varieties: list[str], df: float, scale: str, times: float = 1.0,
    test_df: str | float | None = None,
) -> Combinations:
    """What a fit with treatments says of them.

    fit: of `trialkit.mixed`.  how: as the model was made.  df: the layout's between what varieties
    were given to.  scale: of the trait's comparisons; times: of its means.  test_df: of the F
    tests, by default the layout's.
    """
    if not how:
        return Combinations(scale=scale)
    star = how.terms == "variety * treatment"
    labels, rows = marginal_rows(fit.part, "variety", "treatment")
    labels = labels[["variety", "treatment"]].astype(str)
    rows = rows[:, fit.part.kept]
    there = labels["variety"].isin(varieties).to_numpy()
    labels, rows = labels[there].reset_index(drop=True), rows[there]
    order = labels["variety"].map({v: i for i, v in enumerate(varieties)}).to_numpy()
    at = np.argsort(order, kind="stable")
    labels, rows = labels.iloc[at].reset_index(drop=True), rows[at]
    names, over = marginal_rows(fit.part, "treatment")
    cells = pd.concat([labels, _shown(fit, rows, min(df, how.df), scale, times)], axis=1)
    mean = pd.concat([names[["treatment"]].astype(str),
                      _shown(fit, over[:, fit.part.kept], min(df, how.df), scale, times)], axis=1)
    terms = ["treatment", "variety:treatment"] if star else ["treatment"]
    tests = pd.DataFrame([fit.f_test(t, how.df if test_df is None else test_df) for t in terms])
    answers = _answers(fit, labels, rows, how, varieties, scale)
    return Combinations(cells[CELLS], mean[OVER], answers,
                        tests.rename_axis("term").reset_index(), scale, star)


def _shown(fit: Any, rows: Floats, df: float, scale: str, times: float) -> pd.DataFrame:
    """estimate, se, df, low, high of rows (m, p) on the scale of the trait's means."""
    table: pd.DataFrame = fit.contrast(rows, df)[
        ["estimate", "se", "df", "low", "high"]].reset_index(drop=True)
    if scale == "difference":
        return table
    back = np.exp if scale == "ratio" else expit
    value = back(table["estimate"])
    slope = value if scale == "ratio" else value * (1.0 - value)
    return table.assign(estimate=times * value, se=times * slope * table["se"],
                        low=times * back(table["low"]), high=times * back(table["high"]))


def _answers(
    fit: Any, labels: pd.DataFrame, rows: Floats, how: Given, varieties: list[str], scale: str
) -> pd.DataFrame:
    """The treatments set against each other in every variety (Bonferroni over all of them)."""
    if how.terms != "variety * treatment":
        return empty(ANSWERS)
    place = {(v, t): i for i, (v, t) in enumerate(labels.itertuples(index=False))}
    levels = list(dict.fromkeys(labels["treatment"]))
    told = [(v, a, b) for v in varieties for a, b in combinations(levels, 2)]
    steps = np.array([rows[place[v, a]] - rows[place[v, b]] for v, a, b in told])
    table = fit.contrast(steps, how.df)
    half = stats.t.isf(ALPHA / 2 / len(told), how.df) * table["se"].to_numpy()
    value = table["estimate"].to_numpy()
    shown = np.asarray if scale == "difference" else np.exp
    out = pd.DataFrame(told, columns=["variety", "left", "right"])
    return out.assign(
        estimate=shown(value), low=shown(value - half), high=shown(value + half),
        p=np.minimum(table["p"].to_numpy() * len(told), 1.0), df=how.df)[ANSWERS]
