"""What the layout lets a model claim: unit, degrees of freedom, groupings, the plain analysis of
its plots, treatments."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.special import expit

from trialkit.design.experimental_units import NEARLY_ALL
from trialkit.mixed.fixed import marginal_rows
from trialkit.mixed.inference import FixedEffects
from trialkit.mixed.leastsquares import LeastSquares
from trialkit.models.results import ALPHA, PAIRS, Floats, empty
from trialkit.records.plots import basket_names
from trialkit.wording import listed

if TYPE_CHECKING:
    from trialkit.design.audit import Audit
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# What the layout lets a trait model claim: its unit, its degrees of freedom, its groupings.
# ------------------------------------------------------------------------------------------------

ONE_BLOCK = "one block"
"""The block of every plant where no blocks are recorded."""


@dataclass(frozen=True)
class Support:
    """units: one row a unit that varieties were given to, with unit, variety, block.

    plants: one row a plant set out, each once, as plants.csv has them, with unit.
    unit_of: unit of each plant, and of each plot under its basket's name.  df_all: the layout's
    degrees of freedom for all varieties, as the audit counts them.  supported: whether varieties
    may be compared; why_not: plain words.
    by: the groupings the layout took out by design, columns of `units`: blocks, replicates and the
    blocks within, or rows and columns ("bed_row", "bed_column"), in replicates or not.
    numbers: those a plot that trial.toml says to adjust for, a row a unit, a column each; lacking:
    those of them that plants.csv has no column for.
    """

    unit: str
    units: pd.DataFrame
    plants: pd.DataFrame
    unit_of: pd.Series
    df_all: float
    supported: bool
    why_not: str
    by: tuple[str, ...] = ("block",)
    numbers: pd.DataFrame = field(default_factory=pd.DataFrame)
    lacking: tuple[str, ...] = ()

    @cached_property
    def plots_of(self) -> pd.Series:
        """How many units each variety has, by name."""
        return self.units.groupby("variety").size()

    @cached_property
    def planted(self) -> pd.Series:
        """How many plants were set out, by variety."""
        return self.plants.groupby("variety").size()

    def lost(self, after: pd.Timestamp | None = None, until: pd.Timestamp | None = None
             ) -> pd.Series:
        """How many plants were lost, by variety; those of none left out.  after: since that day,
        itself left out; until: up to that day, itself included."""
        day = self.plants["lost"]
        some = day.notna()
        some &= True if after is None else day > after
        some &= True if until is None else day <= until
        return self.plants[some].groupby("variety").size()

    def df(self, varieties: list[str] | None = None) -> float:
        """Degrees of freedom between units, among `varieties` only if given."""
        if varieties is None:
            return self.df_all
        some = self.units[self.units["variety"].isin(varieties)]
        return min(self.df_all, design_df(some, self.by))

    def plots(self, data: pd.DataFrame, **sums: tuple[str, str]) -> pd.DataFrame:
        """One row a unit of `data` (which is `located`): unit, variety, every column of `by`, and
        `sums` of its rows, as for `DataFrame.agg`."""
        firsts = {name: (name, "first") for name in ("variety", "block", *self.by)}
        return data.groupby("unit").agg(**sums, **firsts).reset_index()

    def located(self, data: pd.DataFrame) -> pd.DataFrame:
        """`data` (a row a record, with `plant`) with `unit`, and every column of `by` as text."""
        unit = data["plant"].map(self.unit_of)
        about = self.units.drop_duplicates("unit").set_index("unit")
        block = data["block"].astype("object") if "block" in data else unit.map(about["block"])
        places = {name: unit.map(about[name]).fillna("not known").astype(str)
                  for name in self.by if name != "block"}
        return data.assign(unit=unit, block=block.where(block.notna(), ONE_BLOCK).astype(str),
                           **places)


def support(records: Records, audit: Audit) -> Support:
    """What the audit rules, in the form the trait models need."""
    block = audit.units["block"].astype("object")
    units = pd.DataFrame({
        "unit": audit.units["unit"].astype(str), "variety": audit.units["variety"].astype(str),
        "block": block.where(block.notna(), ONE_BLOCK).astype(str),
        **{name: audit.units[name].astype(str) for name in audit.by if name != "block"},
    })
    plants = records.plants.drop_duplicates("plant").reset_index(drop=True)
    unit_of = audit.unit_of.reindex(plants["plant"].to_numpy()).astype("object")
    baskets = basket_names(records.plants)
    of_plots = unit_of.groupby(plants["plot"].to_numpy()).first()
    unit_of = pd.concat([unit_of, pd.Series(
        {name: of_plots.get(plot) for name, plot in baskets.items()}, dtype="object")])
    unit_of = unit_of.where(unit_of.notna(), "unit not known").astype(str)
    wanted = records.trial.covariates
    names = [name for name in wanted if name in plants]
    plants = plants.assign(unit=plants["plant"].map(unit_of))
    numbers = plants[names].astype(float).groupby(plants["unit"]).mean()
    return Support(audit.unit, units, plants, unit_of, float(audit.strata_df),
                   audit.supports_comparison, audit.why_not, audit.by or ("block",), numbers,
                   tuple(name for name in wanted if name not in plants))


def design_df(units: pd.DataFrame, by: tuple[str, ...] = ("block",)) -> float:
    """Units less the rank of (varieties, blocks): the error line of the analysis of variance.

    by: what is taken out first; ("bed_row", "bed_column") for a square.
    """
    if units.empty:
        return 0.0
    parts = [pd.get_dummies(units[name]).to_numpy(float) for name in ("variety", *by)]
    return float(len(units) - np.linalg.matrix_rank(np.hstack(parts)))


def complete(units: pd.DataFrame, names: tuple[str, ...]) -> tuple[str, ...]:
    """The groupings of two levels or more in every level of which every variety stands, but for a
    plot of many that is missing.

    They are fixed in a model: a variance between them that comes out at zero would otherwise
    count their differences as chance, or chance as theirs, and with few of them it often does.
    """
    varieties = units["variety"].nunique()
    whole = [
        name for name in names
        if units[name].nunique() > 1
        and bool((units.groupby(name)["variety"].nunique() >= NEARLY_ALL * varieties).all())]
    # One that others lie within says nothing beside them.
    return tuple(name for name in whole if not any(
        bool((units.groupby(other)[name].nunique() == 1).all())
        and units[other].nunique() > units[name].nunique() for other in whole))


def usable_groups(
    data: pd.DataFrame, names: list[str], never: tuple[str, ...] = ()
) -> tuple[list[str], list[str]]:
    """The grouping factors that say something of their own, and notes on those left out.

    Left out: one level only, a level for every record, or the same grouping as one before.
    never: columns (fixed factors) no grouping may equal.
    """
    groups: list[str] = []
    notes: list[str] = []
    codes = {name: pd.factorize(data[name])[0] for name in [*names, *never]}
    for name in names:
        levels = int(codes[name].max()) + 1 if len(data) else 0
        if levels < 2:
            notes.append(f"{name} left out: there is only one")
        elif levels == len(data):
            notes.append(f"{name} left out: one record in each")
        elif (twin := _same(codes, name, [*groups, *never])) is not None:
            notes.append(f"{name} left out: the same grouping as {twin}")
        else:
            groups.append(name)
    return groups, notes


def _same(codes: dict[str, npt.NDArray[np.intp]], name: str, others: list[str]) -> str | None:
    for other in others:
        pairs = len(np.unique(codes[name].astype(np.int64) * (codes[other].max() + 1)
                              + codes[other]))
        if pairs == codes[name].max() + 1 == codes[other].max() + 1:
            return other
    return None


COVARIATE = "covariate_"


def with_covariates(
    ground: Support, data: pd.DataFrame, fixed: tuple[str, ...]
) -> tuple[pd.DataFrame, dict[str, str], list[str]]:
    """`data` (a row a record, with unit, variety and `fixed`) with a column for each number a plot
    that trial.toml says to adjust for; column -> its name; notes on those left out.

    Left out is what cannot be told from varieties and blocks: adjusting for it would take away what
    is compared.  The slope is one for all varieties (Cochran 1957, Biometrics 13:261).
    """
    if ground.numbers.empty and not ground.lacking:
        return data, {}, []
    notes = [f"not adjusted for {name}: it was not kept when records were gathered"
             for name in ground.lacking]
    out, used = data, {}
    units = data.drop_duplicates("unit")
    base = np.hstack([pd.get_dummies(units[name]).to_numpy(float) for name in ("variety", *fixed)])
    for place, name in enumerate(ground.numbers.columns):
        of = ground.numbers[name]
        values = units["unit"].map(of).to_numpy(float)
        wider = np.column_stack([base, (values - values.mean()) / (values.std() or 1.0)])
        alone = np.linalg.matrix_rank(base)
        if np.isnan(values).any() or np.linalg.matrix_rank(wider, tol=1e-6) <= alone:
            notes.append(f"not adjusted for {name}: it does not differ between plots of one "
                         "variety in a block, so that it cannot be told from them")
            continue
        base, column = wider, f"{COVARIATE}{place}"
        used[column] = str(name)
        out = out.assign(**{column: out["unit"].map(of).astype(float)})
    return out, used, notes


def with_an_error(
    ground: Support, data: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, str], list[str]]:
    """`with_covariates`, as far as that leaves an error between plots."""
    out, used, notes = with_covariates(ground, data, ground.by)
    if used and ground.df() - len(used) < 1:
        return data, {}, [*notes, "too few plots to adjust for anything besides"]
    return out, used, notes


def adjusted_for(used: dict[str, str]) -> str:
    """` Adjusted for soil test, plot by plot.`; empty where nothing is adjusted for."""
    return (f" Adjusted for {listed(list(used.values()))}, plot by plot (analysis of covariance): "
            "right only where the varieties did not bring it about." if used else "")


def behind(data: pd.DataFrame, varieties: list[str]) -> pd.DataFrame:
    """plots, plants and records behind each variety, in the order given."""
    grouped = data.groupby("variety")
    most = data.groupby(["variety", "plant"])["plants"].max() if "plants" in data else None
    counts = pd.DataFrame({
        "plots": grouped["unit"].nunique(),
        "plants": grouped["plant"].nunique() if most is None else most.groupby("variety").sum(),
        "records": grouped.size(),
    })
    return counts.reindex(varieties).fillna(0).astype(int).reset_index(drop=True)


# ------------------------------------------------------------------------------------------------
# The plain analysis of plot totals: logarithms, varieties and blocks by least squares.
#
# Fast and exact for its design (the textbook analysis of variance of a block layout on log totals),
# so it serves wherever the comparison has to be made many times: a look after every pick, one plot
# left out at a time.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class PlotContrasts:
    """Variety means on the log scale, their covariance (v, v) and residual df.

    With too few plots for an error, covariance is NaN and df 0.
    """

    varieties: list[str]
    estimate: Floats
    covariance: Floats
    df: float


def plot_contrasts(index: pd.DataFrame) -> PlotContrasts:
    """Least squares of log_index on variety and block (row and column of a square).

    index: `totals.Tally.by_plot` with log_index.  Blocks enter as fixed; a variety's mean is at the
    average block.  Differences are estimable wherever the blocks connect the varieties; otherwise
    the minimum-norm solution is returned and df tells no error was available.
    """
    varieties, full = _design(index)
    fit, v = LeastSquares(full, index["log_index"].to_numpy(float)), len(varieties)
    return PlotContrasts(varieties, fit.estimate[:v], fit.covariance[:v, :v], float(fit.df))


def without_each(index: pd.DataFrame, left: str, right: str) -> Floats:
    """log(left / right) with each plot in turn left out, (n,); NaN where none is then left."""
    varieties, full = _design(index)
    step = np.zeros(full.shape[1])
    step[varieties.index(left)], step[varieties.index(right)] = 1.0, -1.0
    return LeastSquares(full, index["log_index"].to_numpy(float)).left_out(step)


def _design(index: pd.DataFrame) -> tuple[list[str], Floats]:
    """Varieties in order, and their columns followed by the layout's."""
    varieties = sorted(index["variety"].astype(str).unique())
    x = pd.get_dummies(index["variety"].astype(str))[varieties].to_numpy(float)
    return varieties, np.hstack([x, layout_columns(index)])


def layout_columns(units: pd.DataFrame) -> Floats:
    """Columns of what the layout takes out, each factor's summing to zero, and of numbers a plot
    that are adjusted for (`with_covariates`), (n, any number).

    units: one row a unit, with block, replicate where blocks lie within, and bed_row and bed_column
    where rows and columns are taken out.
    """
    parts = [np.zeros((len(units), 0))]
    for name in ("replicate", "block", "bed_row", "bed_column"):
        if name in units:
            z = pd.get_dummies(units[name].astype("object").fillna("one").astype(str)).to_numpy(
                float)
            parts.append(z[:, 1:] - z[:, :1])
    for name in units.columns[units.columns.str.startswith(COVARIATE)]:
        values = units[name].to_numpy(float)
        parts.append(((values - values.mean()) / (values.std() or 1.0))[:, None])
    return np.hstack(parts)


# ------------------------------------------------------------------------------------------------
# Two factors: every variety under every treatment, and whether varieties answer alike to them.
#
# Treatments are compared between the plots they were given to, or between the parts of a plot where
# plots are split (Cochran & Cox 1957, Experimental Designs, ch. 7): a part's plants are not
# repetitions of its treatment.
# ------------------------------------------------------------------------------------------------

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
class TreatmentTerms:
    """How treatments enter a model.  terms: "variety", "variety + treatment" or "variety *
    treatment".  df: the layout's degrees of freedom between what treatments were given to.
    note: why treatments are left out, "" where there are none or they are in."""

    terms: Literal["variety", "variety + treatment", "variety * treatment"] = "variety"
    df: float = float("nan")
    note: str = ""

    def __bool__(self) -> bool:
        return self.terms != "variety"


def treatment_terms(data: pd.DataFrame, ground: Support) -> TreatmentTerms:
    """Whether a model of `data` (a row a record, with unit, treatment and the layout's groupings)
    can have treatments, and whether each variety's own answer to them."""
    said = data["treatment"].dropna() if "treatment" in data else pd.Series(dtype=object)
    if said.nunique() < 2:
        return TreatmentTerms()
    if len(said) < len(data):
        return TreatmentTerms(note="treatments left out: some records are of plants without one")
    parts = with_parts(data).drop_duplicates(PART)
    outer = ["unit"] if parts["unit"].duplicated().any() else list(ground.by)
    base = np.hstack([_columns(parts[name]) for name in ("variety", *outer)])
    both = parts["variety"].astype(str) + "|" + parts["treatment"].astype(str)
    plus = np.hstack([base, _columns(parts["treatment"])])
    star = np.hstack([base, _columns(both)])
    alone, added, all_ = (int(np.linalg.matrix_rank(x)) for x in (base, plus, star))
    if added < alone + said.nunique() - 1:
        return TreatmentTerms(
            note="treatments left out: they cannot be told from varieties or blocks")
    full = both.nunique() == parts["variety"].nunique() * said.nunique()
    whole = full and all_ == alone + both.nunique() - parts["variety"].nunique()
    if whole and len(parts) > all_:
        return TreatmentTerms("variety * treatment", float(len(parts) - all_))
    return TreatmentTerms("variety + treatment", float(len(parts) - added))


def with_parts(data: pd.DataFrame) -> pd.DataFrame:
    """`data` with the part of the plot each record is of."""
    return data.assign(**{
        PART: data["unit"].astype(str) + " | " + data["treatment"].astype(str)})


def _columns(values: pd.Series) -> Floats:
    return pd.get_dummies(values).to_numpy(dtype=np.float64)


def combined(
    fit: FixedEffects, how: TreatmentTerms, varieties: list[str], df: float, scale: str,
    times: float = 1.0, test_df: str | float | None = None,
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


def _shown(fit: FixedEffects, rows: Floats, df: float, scale: str, times: float) -> pd.DataFrame:
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
    fit: FixedEffects, labels: pd.DataFrame, rows: Floats, how: TreatmentTerms,
    varieties: list[str], scale: str,
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
