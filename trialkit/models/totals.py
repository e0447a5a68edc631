"""What was recorded, joined with the layout and added up once an analysis: looks at plants and
their sums, values measured, what was dug or cut once, plots up to a common day.

Produce stays on a plant until somebody looks for it, so what had been picked from a plot up to a
day says what the ground gave up to then, whoever skipped which look. Three rules make that so:

* A look is a round: dates are taken together until a plot comes round again. Varieties with
  picking days of their own make one look a week, not three.
* All plots are totalled up to one day, the newest that every variety has been looked at on or
  after. Between two looks at a plant its pods are taken to have come evenly; beyond its last
  look those of the other plants of its variety since then are added (never those of a variety
  it is compared with).
* Per plant planted: a plant that was lost gives nothing more, and its gap counts.

A blank is "not looked at" where zeros are written, and a zero where they are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.models.support import (
    COVARIATE,
    behind,
    design_df,
    with_an_error,
    with_covariates,
)
from trialkit.records.plots import BASKET, basket_names, basket_plots, recorded

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# From looks at plants to counts with the days each took to grow.
#
# The pods on a plant at a pick came since that plant was last looked at.  A blank is not a look:
# the next pick of that plant holds more days.  A zero is a look, and sets the clock back.
# ------------------------------------------------------------------------------------------------

WEEK = 7.0
ONE_LOOK = 7.0
"""Days taken for the only look of a trial, where no interval is known."""


def counted_looks(records: Records) -> pd.DataFrame:
    """One row a look at a plant, or at a whole plot picked into one basket: date, plant (of a
    basket its name), variety, block, plot, row, column, treatment, pods (float), plants (looked at
    in it), gap (days since the last look), days (plant-days: gaps of its plants added up), first
    (bool: no look before).

    Two records of one plant on one date are one look and are added together.  A record after a
    plant was lost is left out unless pods were picked from it (it is listed among the doubts).
    A plant's first look has no known interval and gets the trial's median one: every plant's
    first look is on much the same date, so that the date's own effect takes up what is wrong
    with it.  A basket is a look at every plant of its plot alive that day, and is never split
    among them.
    """
    return with_intervals(records, records.picks.dropna(subset=["count"]), pods=("count", "sum"))


def with_intervals(
    records: Records, picks: pd.DataFrame, **sums: tuple[str, str]
) -> pd.DataFrame:
    """Looks as `counted_looks` has them.  sums: what is added up over the records of a look, as
    for `DataFrame.agg`; the first says whether anything was picked."""
    looks = picks.groupby(["plant", "date"], sort=True).agg(**sums).reset_index()
    first_sum = next(iter(sums))
    looks = recorded(records.plants, looks)
    ghost = looks["lost"].notna() & (looks["date"] > looks["lost"]) & (looks[first_sum] == 0)
    looks = looks[~ghost].sort_values(["plant", "date"], kind="stable").reset_index(drop=True)
    each = _seen_plants(records.plants, looks)
    gap = each.groupby("plant")["date"].diff().dt.days.astype(float)
    known = gap.dropna()
    usual = float(known.median()) if len(known) else ONE_LOOK
    by_look = gap.groupby(each["look"])
    looks["gap"] = by_look.mean().reindex(looks.index).fillna(usual)
    looks["days"] = gap.fillna(usual).groupby(each["look"]).sum().reindex(looks.index)
    looks["first"] = by_look.count().reindex(looks.index).fillna(0).eq(0)
    looks[first_sum] = looks[first_sum].astype(float)
    return looks.drop(columns="lost").sort_values(
        ["date", "plant"], kind="stable").reset_index(drop=True)


def _seen_plants(plants: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """One row a plant seen at a look: look (its row), plant, date; in the order of dates.

    A basket's plants are those alive that day; one of a plot with none left keeps one.
    """
    baskets = basket_names(plants)
    whole = looks["plant"].isin(baskets)
    alone = pd.DataFrame({"look": looks.index[~whole], "plant": looks.loc[~whole, "plant"],
                          "date": looks.loc[~whole, "date"]})
    if not whole.any():
        return alone.reset_index(drop=True)
    there = plants.drop_duplicates("plant").dropna(subset=["variety"])[["plant", "plot", "lost"]]
    of_plots = looks.loc[whole, ["plot", "date"]].rename_axis("look").reset_index()
    each = of_plots.merge(there, on="plot")
    gone = each["lost"] < each["date"]
    last = each.groupby("look").cumcount(ascending=False) == 0
    none_left = gone.groupby(each["look"]).transform("all")
    each = each[~gone | (none_left & last)]
    both = pd.concat([alone, each[["look", "plant", "date"]]], ignore_index=True)
    return both.sort_values(["plant", "date"], kind="stable").reset_index(drop=True)


# ------------------------------------------------------------------------------------------------
# What was picked, added up once: by plot and date, by date, plot, plant and variety.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Tally:
    """The looks of a trial and their sums, each worked out once, for whatever asks for them.

    looks: one row a look at a plant or a basket (see `counted_looks`), with unit and the layout's
    groupings; `pods` is what was picked, in grams where it was weighed.  by: the columns that the
    layout groups plots by.  adjusted, unadjusted: the columns of numbers a plot that varieties are
    adjusted for, by what they are, and notes on those left out.
    """

    looks: pd.DataFrame
    by: tuple[str, ...] = ("block",)
    adjusted: dict[str, str] = field(default_factory=dict)
    unadjusted: tuple[str, ...] = ()

    def of(self, varieties: list[str]) -> Tally:
        """The tally of these varieties alone; itself where there is no other."""
        those = self.looks["variety"].isin(varieties)
        return self if those.all() else replace(self, looks=self.looks[those])

    @cached_property
    def by_date(self) -> pd.DataFrame:
        """pods and days (plant-days) of the whole bed; date."""
        return self.looks.groupby("date")[["pods", "days"]].sum()

    @cached_property
    def expected(self) -> pd.Series:
        """What an average plant would have given at each look, by row of `looks`.

        The pace of a date is total pods over total days of the plants looked at that day.
        """
        pace = self.by_date["pods"] / self.by_date["days"]
        return self.looks["days"] * self.looks["date"].map(pace).astype(float)

    @cached_property
    def by_variety(self) -> pd.DataFrame:
        """pods, days, expected; variety."""
        return self._with_expected.groupby("variety")[["pods", "days", "expected"]].sum()

    @cached_property
    def by_plot_and_date(self) -> pd.DataFrame:
        """One row a plot and date: variety, the layout's groupings, unit, date, pods, days, gap
        (the median of its looks)."""
        keys = list(dict.fromkeys(["variety", *self.by, "unit", "date"]))
        return self.looks.groupby(keys, as_index=False).agg(
            pods=("pods", "sum"), days=("days", "sum"), gap=("gap", "median"))

    @cached_property
    def by_variety_and_date(self) -> pd.DataFrame:
        """pods, days; variety and date."""
        return self.by_plot_and_date.groupby(["variety", "date"])[["pods", "days"]].sum()

    @cached_property
    def by_plot(self) -> pd.DataFrame:
        """Each plot's pods against what an average plant looked at on the same dates gave.

        Indirect standardisation (Fleiss, Levin & Paik 2003, Statistical Methods for Rates and
        Proportions, ch. 19): index = observed / expected, so that a missed pick drops out of both.
        Columns unit, variety, block, row, column (its plants' mean), pods, expected, plants; what
        `looks` has of replicate, bed_row, bed_column, covariates, treatment and treatments (how
        many of them).
        """
        return self._summed("unit", "mean", plants=("plant", "nunique"), **(
            {"treatments": ("treatment", "nunique")} if "treatment" in self.looks else {}))

    @cached_property
    def by_plant(self) -> pd.DataFrame:
        """The same of each plant (or basket), with unit, some (looks with something to pick) and
        weeks (of its looks)."""
        frame = self._with_expected.assign(some=self.looks["pods"] > 0)
        out = replace(self, looks=frame)._summed(
            "plant", "first", unit=("unit", "first"), some=("some", "sum"), weeks=("gap", "sum"))
        return out.assign(weeks=out["weeks"] / WEEK)

    @property
    def _with_expected(self) -> pd.DataFrame:
        return self.looks.assign(expected=self.expected)

    def _summed(self, key: str, place: str, **more: tuple[str, str]) -> pd.DataFrame:
        looks = self.looks if "expected" in self.looks else self._with_expected
        of_plots = [name for name in looks.columns
                    if name in ("replicate", "bed_row", "bed_column", "treatment")
                    or str(name).startswith(COVARIATE)]
        return looks.groupby(key, sort=True).agg(
            variety=("variety", "first"), block=("block", "first"), row=("row", place),
            column=("column", place), pods=("pods", "sum"), expected=("expected", "sum"),
            **more, **{str(name): (name, "first") for name in of_plots}).reset_index()

    def behind(self, varieties: list[str]) -> pd.DataFrame:
        """plots, plants and records behind each variety, in the order given."""
        return self._behind.reindex(varieties).fillna(0).astype(int).reset_index(drop=True)

    @cached_property
    def _behind(self) -> pd.DataFrame:
        names = list(self.by_variety.index)
        return behind(self.looks, names).set_index(pd.Index(names))


def log_index(sums: pd.DataFrame, half: float = 0.5) -> pd.Series:
    """log(observed / expected) of rows of a tally.  half: added to both, which keeps an empty plot
    finite; half of the least that can be picked."""
    ratio: pd.Series = (sums["pods"] + half) / (sums["expected"] + half)
    return ratio.transform(np.log)


def tally_of(looks: pd.DataFrame, ground: Support) -> Tally:
    """The tally of `counted_looks` placed in the layout: with unit, block (rows and columns of a
    square), log_days, pick (the date as a factor), and the numbers a plot that are adjusted for."""
    placed = ground.located(looks).assign(
        log_days=np.log(looks["days"].clip(lower=0.5)),
        pick=looks["date"].dt.strftime("%Y-%m-%d"),
    )
    by = tuple(dict.fromkeys(["block", *ground.by]))
    if placed.empty:
        return Tally(placed, by)
    data, used, notes = with_an_error(ground, placed)
    return Tally(data, by, used, tuple(notes))


# ------------------------------------------------------------------------------------------------
# Values measured at plants or plots now and then: heights, traits of the gardener's own.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Measured:
    """Values of one trait, and what is made of them, each worked out once.

    data: one row a record: plant, date, variety, plot, treatment, unit, block and the layout's
    other groupings, `value`; `of` where a value is a share of so many.  value: the column of what
    was measured, in the trait's own unit (heights cm).
    """

    data: pd.DataFrame
    value: str = "amount"

    def only(self, those: pd.Series) -> Measured:
        """Of some of the records alone; those: (records,) bool."""
        return replace(self, data=self.data[those].reset_index(drop=True))

    @property
    def newest(self) -> pd.DataFrame:
        """The last record of each plant (or basket)."""
        return self.data.sort_values("date", kind="stable").drop_duplicates("plant", keep="last")

    @cached_property
    def first_above_zero(self) -> pd.Series:
        """The first date of a value above zero; plant, without those that had none."""
        return self.data[self.data[self.value] > 0].groupby("plant")["date"].min()

    @cached_property
    def range(self) -> pd.DataFrame:
        """min and max; variety."""
        return self.data.groupby("variety")[self.value].agg(["min", "max"])

    @cached_property
    def dates(self) -> pd.DataFrame:
        """first and last date, and how many dates; variety."""
        return self.data.groupby("variety").agg(
            first=("date", "min"), last=("date", "max"), dates=("date", "nunique"))

    @cached_property
    def by_date(self) -> pd.Series:
        """Mean; date."""
        return self.data.groupby("date")[self.value].mean()

    @cached_property
    def by_variety_and_date(self) -> pd.Series:
        """Mean; variety and date."""
        return self.data.groupby(["variety", "date"])[self.value].mean()

    @cached_property
    def by_plant_and_date(self) -> pd.Series:
        """Mean; plant (or basket) and date."""
        return self.data.groupby(["plant", "date"])[self.value].mean()

    @cached_property
    def by_plot(self) -> pd.Series:
        """Mean, of shares n of N all counted together; variety and unit."""
        value = self.data[self.value]
        of = self.data["of"].fillna(1.0) if "of" in self.data else value.mask(value.notna(), 1.0)
        sums = pd.DataFrame({"sum": value * of, "of": of.where(value.notna(), 0.0)}).groupby(
            [self.data["variety"], self.data["unit"]]).sum()
        return sums["sum"] / sums["of"]


def measured_of(
    records: Records, ground: Support, rows: pd.DataFrame, value: str = "amount"
) -> Measured:
    """Records of heights or of a trait of one's own (date, plant, `value`; blanks left out),
    placed in the layout."""
    placed = ground.located(recorded(records.plants, rows))
    return Measured(placed.drop(columns=["row", "column", "lost", "plants"]), value)


# ------------------------------------------------------------------------------------------------
# Crops dug or cut once: weights, or pieces where nothing was weighed, and their grades.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Harvested:
    """What was dug or cut once, and its sums, each worked out once.

    table: the records, with plant, date, weight_g, count, grade.  by_plant: one row a plant or
    plot: weight (its grades added up; of a basket the mean of the plants alive then; pieces where
    `counted`), date and days (from planting) of its last record, plants, variety, plot, treatment,
    unit, block and the layout's other groupings.  counted: whether pieces stand in place of
    weights.  graded_alone: whether grades were written and no weight nor count.
    """

    table: pd.DataFrame
    by_plant: pd.DataFrame
    ground: Support
    counted: bool = False
    graded_alone: bool = False

    @cached_property
    def by_variety(self) -> pd.DataFrame:
        """weight and days (means), plants (that gave something); variety."""
        return self.by_plant.groupby("variety").agg(
            weight=("weight", "mean"), days=("days", "mean"), plants=("plants", "sum"))

    def first_date(self, those: pd.Series) -> pd.Series:
        """The first date of each plant's records; plant.  those: (records,) bool, which count."""
        return self.table[those].groupby("plant")["date"].min()

    @cached_property
    def uncounted(self) -> bool:
        """Whether what one plant or plot gave was sorted into grades without counting pieces."""
        several = self._graded.groupby("plant")["grade"].transform("nunique") > 1
        return bool((several & self._graded["count"].isna()).any())

    @cached_property
    def pieces(self) -> pd.DataFrame:
        """Pieces of each grade: a row a unit, with variety and the layout's groupings, a column a
        grade in the order the grades were first written."""
        rows = self._graded.assign(count=self._graded["count"].fillna(1.0))
        rows = rows[rows["count"] > 0]
        counts = rows.pivot_table(index="unit", columns="grade", values="count", aggfunc="sum",
                                  fill_value=0.0)
        return self.ground.plots(rows).join(counts[list(dict.fromkeys(rows["grade"]))], on="unit")

    @property
    def grades(self) -> tuple[str, ...]:
        """The columns of `pieces`."""
        return tuple(dict.fromkeys(self._graded.loc[~(self._graded["count"] <= 0), "grade"]))

    @cached_property
    def _graded(self) -> pd.DataFrame:
        """The graded records with unit and place, grade as text; count NaN: not counted."""
        place = list(dict.fromkeys(["plant", "variety", "unit", "block", *self.ground.by]))
        rows = self.table.dropna(subset=["grade"]).merge(self.by_plant[place], on="plant")
        return rows.assign(grade=rows["grade"].astype(str))


def harvested_of(records: Records, ground: Support) -> Harvested | str:
    """What was dug or cut once, by weights, else by counts (a graded record without either is one
    piece); why there is nothing to add up."""
    table, trial = records.harvest, records.trial
    if table.empty:
        return "nothing is recorded as dug or cut once"
    counted = not table["weight_g"].notna().any()
    graded_alone = counted and not table["count"].notna().any()
    if graded_alone and table["grade"].notna().any():
        table = table.assign(count=table["count"].where(table["grade"].isna(), 1.0))
    value = "count" if counted else "weight_g"
    if not table[value].notna().any():
        return "the harvest has neither weights nor counts"
    total = table.dropna(subset=[value]).groupby("plant", as_index=False).agg(
        weight=(value, "sum"), date=("date", "max"))
    total = recorded(records.plants, total).drop(columns=["row", "column", "lost"])
    each = 1.0 if trial.harvest_unit else total["plants"]
    by_plant = ground.located(total).assign(
        weight=total["weight"].astype(float) / each,
        days=(total["date"] - pd.Timestamp(trial.planted)).dt.days)
    return Harvested(table, by_plant, ground, counted, graded_alone)


# ------------------------------------------------------------------------------------------------
# Picked so far: the total of every plot up to a common day, at each look.
# ------------------------------------------------------------------------------------------------

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Zeros = Literal["written", "left out"]

LONGEST_ROUND = 6
"""Days: a round of picking that is not done by then is taken as two."""

LAPSED = 3.0
"""A variety not looked at for so many usual gaps is taken as no longer picked once the season is
over; until then it holds the common day back."""

SKIPPED_SHARE = 0.02
"""Share of a season's looks at living plants that may be blank without anybody asking whether
blanks were zeros."""


@dataclass(frozen=True)
class Sightings:
    """Every plant at every date, as numbers.

    count: (plants, dates) pods picked, NaN where there is no record; day: (dates,) day number,
    increasing; variety, plot: (plants,) codes from 0; lost: (plants,) day number a plant was
    lost on, inf for one that stands. planted: of a plot picked into baskets, which is one row with
    count its pods a plant planted, the plants set out in it; None for one each.
    """

    count: Array
    day: Array
    variety: Whole
    plot: Whole
    lost: Array
    planted: Array | None = None

    @property
    def weight(self) -> Array:
        """(plants,) how many plants each row stands for: one, or all of a plot in a basket."""
        return np.ones(len(self.plot)) if self.planted is None else self.planted


@dataclass(frozen=True)
class PlotTotals:
    """Pods a plot up to each look.

    plots: one row a plot: unit, variety, block (and bed_row, bed_column of a square), planted
    (plants set out). pods: (plots, looks) picked up to `day`, of all plants planted; NaN where
    the plot had not been looked at. day: (looks,) the day the totals are of. known: (looks,) the
    date of the newest record they rest on. gone: (varieties by name) whether every plant of it
    had been lost by the newest look. usual_gap: days between looks at a plant. zeros: how blanks
    were read. zeros_unsure: no zero is written anywhere although living plants were skipped, and
    nobody said what a blank is. adjusted: columns of `plots` with numbers that varieties are
    adjusted for, and what they are. place: (plots, 2) where each plot lies, its plants' mean column
    and row; None unless known of all.
    """

    plots: pd.DataFrame
    pods: Array
    day: pd.DatetimeIndex
    known: pd.DatetimeIndex
    gone: frozenset[str]
    usual_gap: float
    zeros: Zeros = "written"
    zeros_unsure: bool = False
    adjusted: dict[str, str] = field(default_factory=dict)
    place: Array | None = None

    @property
    def per_plant(self) -> pd.DataFrame:
        """Pods a plant planted, a row a look and a column a variety."""
        out = {}
        for name, rows in self.plots.groupby("variety", sort=False).indices.items():
            got = self.pods[rows]
            planted = self.plots["planted"].to_numpy(float)[rows, None] * np.isfinite(got)
            with np.errstate(invalid="ignore", divide="ignore"):
                out[str(name)] = np.nansum(got, axis=0) / planted.sum(axis=0)
        return pd.DataFrame(out, index=self.day)


def plot_totals(
    looks: pd.DataFrame, records: Records, ground: Support, *, zeros: Zeros | None = None,
    over: bool = False, heights: Measured | None = None,
) -> PlotTotals | None:
    """Totals of a trial's plots at every look; None where nothing has been counted.

    looks: `counted_looks`. zeros: what a blank is; default as trial.toml says, else
    "written". over: nothing more is picked. heights: by which pods picked while the plant's top
    stood above the trial's reach are left out, as of a crop that sets at the growing tip.
    """
    if looks.empty:
        return None
    plants, looks = _baskets_whole(ground.plants, looks)
    wide = looks.pivot_table(index="plant", columns="date", values="pods", aggfunc="sum")
    wide = wide.reindex(plants["plant"].to_numpy()).div(plants["planted"].to_numpy(), axis=0)
    dates = pd.DatetimeIndex(wide.columns)
    count = wide.to_numpy(float)
    reach = records.trial.reach_cm
    if heights is not None and reach is not None:
        above = above_reach(heights, reach, plants, dates)
        count = np.where(np.isfinite(count) & above, 0.0, count)
    plot, names = pd.factorize(plants["unit"], sort=True)
    variety, varieties = pd.factorize(plants["variety"].astype(str))
    day = dates.to_series().map(pd.Timestamp.toordinal).to_numpy(float)
    gone = plants["lost"].map(lambda at: np.inf if pd.isna(at) else float(at.toordinal()))
    planted = plants["planted"].to_numpy(float)
    seen = Sightings(count, day, variety, plot, gone.to_numpy(float), planted)
    answer = zeros or records.trial.zeros
    reading: Zeros = answer or "written"
    totals, at, newest = totals_at_looks(seen, reading, over)
    about = ground.units.drop_duplicates("unit").set_index("unit").reindex(names)
    about = about.rename_axis("unit").reset_index()
    about, adjusted = _adjusted(about, ground)
    about["planted"] = np.bincount(plot, planted, minlength=len(names))
    about["variety"] = [str(varieties[variety[plot == p][0]]) for p in range(len(names))]
    dead = frozenset(str(v) for k, v in enumerate(varieties)
                     if np.isfinite(seen.lost[variety == k]).all())
    return PlotTotals(about, totals, dates[at], dates[newest], dead, usual_gap(seen), reading,
                      answer is None and unsure_of_zeros(seen), adjusted,
                      _places(ground, names))


def _places(ground: Support, units: pd.Index) -> Array | None:
    """Mean column and row of the plants of each unit; None unless all plants have theirs."""
    at = ground.plants
    if at[["row", "column"]].isna().any(axis=None):
        return None
    mean = at.groupby("unit")[["column", "row"]].mean().reindex(units)
    return None if mean.isna().any(axis=None) else mean.to_numpy(float)


def _adjusted(plots: pd.DataFrame, ground: Support) -> tuple[pd.DataFrame, dict[str, str]]:
    """The plots with the numbers that are adjusted for, as far as that leaves an error."""
    with_numbers, used, _ = with_covariates(ground, plots, ground.by)
    if design_df(plots, ground.by) - len(used) < 1:
        return plots, {}
    return with_numbers, used


def _baskets_whole(
    plants: pd.DataFrame, looks: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plants with those of a plot that was ever picked into a basket as one row: plant (the
    basket's name), planted (plants set out), stands (a plant of it); and looks at them under it."""
    plants = plants.assign(planted=1.0, stands=plants["plant"])
    baskets = basket_names(plants)
    named = set(looks["plant"])
    used = {name: plot for name, plot in baskets.items() if name in named}
    if not used:
        return plants, looks
    inside = plants["plot"].isin(used.values())
    whole = basket_plots(plants, used)
    by = plants[inside].groupby("plot")
    whole = whole.assign(planted=whole["plot"].map(by.size()).astype(float),
                         stands=whole["plot"].map(by["plant"].first()),
                         unit=whole["plot"].map(by["unit"].first()))
    names = {plot: name for name, plot in used.items()}
    called = plants.loc[inside].set_index("plant")["plot"].map(names)
    looks = looks.assign(plant=looks["plant"].map(called).fillna(looks["plant"]))
    return pd.concat([plants[~inside], whole], ignore_index=True), looks


def above_reach(
    heights: Measured, reach: float, plants: pd.DataFrame, dates: pd.DatetimeIndex
) -> npt.NDArray[np.bool_]:
    """Whether each plant's top stood above reach (cm) at each date, (plants, dates).

    From the plant's own heights, straight between two readings and as the nearest before the
    first and after the last; a plant nobody measured as its plot where that was measured whole,
    else as the mean of its variety's.
    """
    when = np.array([day.toordinal() for day in dates], dtype=float)

    def at_dates(mean: pd.Series) -> dict[str, Array]:
        """The mean height at every date of each that was measured."""
        known = mean.reset_index()
        day = known["date"].map(pd.Timestamp.toordinal).to_numpy(float)
        height = known[heights.value].to_numpy(float)
        return {str(name): np.asarray(np.interp(when, day[rows], height[rows]))
                for name, rows in known.groupby(known.columns[0]).indices.items()}

    own, mean = at_dates(heights.by_plant_and_date), at_dates(heights.by_variety_and_date)
    out = np.zeros((len(plants), len(dates)), dtype=bool)
    for at, (plant, plot, variety) in enumerate(zip(
            plants["plant"], plants["plot"], plants["variety"], strict=True)):
        for height in (own.get(str(plant)), own.get(f"{BASKET}{plot}"), mean.get(str(variety))):
            if height is not None:
                out[at] = height > reach
                break
    return out


def totals_at_looks(
    seen: Sightings, zeros: Zeros = "written", over: bool = False
) -> tuple[Array, Whole, Whole]:
    """Totals of plots (plots, looks), and of each look the date its totals are of and the newest
    date it knows (indices of dates).

    Each look rests on the records up to its newest date alone, so that what was said of a look
    is never changed by later ones; the last one alone takes `over` into account.
    """
    rounds = rounds_of(seen)
    count = _with_zeros(seen, rounds) if zeros == "left out" else seen.count
    n, d = count.shape
    looked = np.isfinite(count)
    total = np.nancumsum(count, axis=1)
    at = np.arange(d)
    before = np.maximum.accumulate(np.where(looked, at, -1), axis=1)
    after = np.minimum.accumulate(np.where(looked, at, d)[:, ::-1], axis=1)[:, ::-1]
    gap = usual_gap(seen)
    plots = int(seen.plot.max()) + 1
    planted = np.bincount(seen.plot, seen.weight, minlength=plots)
    out = np.full((plots, len(rounds)), np.nan)
    common, newest = np.zeros(len(rounds), dtype=int), np.zeros(len(rounds), dtype=int)
    for k, dates in enumerate(rounds):
        end = dates[-1]
        lost = seen.lost <= seen.day[end]
        last = before[:, end]
        closing = over and k == len(rounds) - 1
        tau = _common(seen, last, lost, end, gap if closing else None)
        each = _each(seen, total, before[:, tau], after[:, tau], last, lost, tau, end, gap, closing)
        known = np.isfinite(each)
        got = np.bincount(seen.plot, np.where(known, each, 0.0) * seen.weight, minlength=plots)
        some = np.bincount(seen.plot, known * seen.weight, minlength=plots)
        with np.errstate(invalid="ignore", divide="ignore"):
            out[:, k] = np.where(some > 0, got / some * planted, np.nan)
        common[k], newest[k] = tau, end
    return out, common, newest


def rounds_of(seen: Sightings) -> list[list[int]]:
    """Dates by rounds: a new one begins when a plot comes round again, or after LONGEST_ROUND."""
    plots = int(seen.plot.max()) + 1
    there = np.zeros((plots, len(seen.day)), dtype=bool)
    for p in range(plots):
        there[p] = np.isfinite(seen.count[seen.plot == p]).any(axis=0)
    rounds: list[list[int]] = []
    taken = np.zeros(plots, dtype=bool)
    for k in range(len(seen.day)):
        here = there[:, k]
        fresh = not rounds or (taken & here).any() or (
            seen.day[k] - seen.day[rounds[-1][0]] > LONGEST_ROUND)
        if fresh:
            rounds.append([k])
            taken = here.copy()
        else:
            rounds[-1].append(k)
            taken |= here
    return rounds


def usual_gap(seen: Sightings) -> float:
    """Median days between two looks at a plant; a week where there is none."""
    where = np.isfinite(seen.count)
    gaps = [np.diff(seen.day[row]) for row in where if row.sum() > 1]
    return float(np.median(np.concatenate(gaps))) if gaps else 7.0


def unsure_of_zeros(seen: Sightings) -> bool:
    """Whether no zero is written although living plants were passed over at some look."""
    count = seen.count
    if (count == 0).any() or not np.isfinite(count).any():
        return False
    rounds = rounds_of(seen)
    blank = total = 0
    for dates in rounds:
        alive = seen.lost > seen.day[dates[-1]]
        there = np.isfinite(count[:, dates]).any(axis=1)
        blank += int((alive & ~there).sum())
        total += int(alive.sum())
    return total > 0 and blank / total > SKIPPED_SHARE


def _with_zeros(seen: Sightings, rounds: Sequence[Sequence[int]]) -> Array:
    """Counts with a zero for every living plant that a round has no record of."""
    count = seen.count.copy()
    for dates in rounds:
        there = np.isfinite(seen.count[:, dates])
        for v in np.unique(seen.variety):
            mine = seen.variety == v
            own = np.flatnonzero(there[mine].any(axis=0))
            when = dates[int(own[-1])] if own.size else dates[-1]
            bare = mine & ~there.any(axis=1) & (seen.lost > seen.day[when])
            count[bare, when] = 0.0
    return count


def _common(
    seen: Sightings, last: Whole, lost: npt.NDArray[np.bool_], end: int, gap: float | None
) -> int:
    """The newest date by which every variety had been looked at: at least half of its living
    plants. gap: given once the season is over, when a variety long left alone counts as done."""
    dates = []
    for v in np.unique(seen.variety):
        mine = last[(seen.variety == v) & ~lost & (last >= 0)]
        if mine.size:
            dates.append(int(np.sort(mine)[(mine.size - 1) // 2]))
    if gap is not None:
        dates = [t for t in dates if seen.day[end] - seen.day[t] <= LAPSED * gap]
    return min(dates) if dates else end


def _each(
    seen: Sightings, total: Array, before: Whole, after: Whole, last: Whole,
    lost: npt.NDArray[np.bool_], tau: int, end: int, gap: float, closing: bool,
) -> Array:
    """Pods of each plant up to date tau (plants,), from records up to date end; NaN not known."""
    n = len(before)
    row = np.arange(n)
    day = seen.day
    out = np.where(before >= 0, total[row, np.maximum(before, 0)], 0.0)
    never = (last < 0) & ~lost
    out[never] = np.nan
    # Between two looks: evenly.
    inside = (before != tau) & (after <= end) & (last >= 0)
    start = np.where(before >= 0, day[np.maximum(before, 0)], day[np.minimum(after, end)] - gap)
    stop = day[np.minimum(after, len(day) - 1)]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (day[tau] - start) / (stop - start)
    step = total[row, np.minimum(after, len(day) - 1)] - out
    out = np.where(inside & (share > 0), out + np.clip(share, 0, 1) * step, out)
    # Before its first look nobody knows, but for the usual gap.
    out[inside & (before < 0) & (share < 0) & ~lost] = np.nan
    # Beyond its last look: as the other plants of its variety.
    behind = (last >= 0) & (last < tau) & ~lost
    if closing:
        behind &= day[tau] - day[np.maximum(last, 0)] <= LAPSED * gap
    for v in np.unique(seen.variety[behind]):
        full = (seen.variety == v) & (last >= tau) & np.isfinite(out)
        if not full.any():
            continue
        there = np.where(np.isfinite(seen.count[full]), total[full], np.nan)
        for from_ in np.unique(last[behind & (seen.variety == v)]):
            mine = behind & (seen.variety == v) & (last == from_)
            then = np.array([
                np.interp(day[from_], day[ok], line[ok], left=0.0)
                for line in there if (ok := np.isfinite(line)).any()
            ])
            out[mine] += max(float(np.mean(out[full]) - then.mean()), 0.0)
    return out
