"""Height over time, and the day a variety passes an arm's reach."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.models import curves as layouts
from trialkit.models.curves import TESTS, Floats, MeanCurves, Spline, indicators, unit_curves
from trialkit.models.results import (
    PAIRS,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    difference_means,
    empty,
)
from trialkit.models.support import Support, behind
from trialkit.models.totals import Measured
from trialkit.wording import few

if TYPE_CHECKING:
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# Plants topped: a treatment where the lot decided which, otherwise the end of their heights.
# ------------------------------------------------------------------------------------------------

TOPPED = "topped"
MOSTLY = 0.5
"""A treatment under which more than this share of plants was topped is one of topping: one plant
forgotten does not undo it (own choice)."""


@dataclass(frozen=True)
class Topping:
    """cut: day each plant was first topped, as part of its treatment.  ended: day from which a
    plant's heights are left out, because it was topped but not by lot.  levels: treatments that
    differ between plants and can be told from the varieties (empty: no treatment in the model).
    notes: what was done, in words."""

    cut: pd.Series
    ended: pd.Series
    levels: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


def topping(events: pd.DataFrame, plants: pd.DataFrame) -> Topping:
    """What becomes of topped plants; plants: each once.

    Treatments are taken as given by lot where plants.csv has a `treatment` for every plant, it
    has two or more levels, and they are not one with the varieties.
    """
    plants = plants.dropna(subset=["variety"])
    first = _first_topped(events, plants)
    levels, notes = _levels(plants)
    none = pd.Series(pd.NaT, index=first.index, dtype="datetime64[ns]")
    if first.isna().all():
        return Topping(none, none, levels, notes)
    cut = none
    if levels:
        by = plants.set_index("plant")["treatment"].astype(str)
        share = first.notna().groupby(by).mean()
        chosen = share[share > MOSTLY].index
        if 0 < len(chosen) < len(share):
            cut = first.where(by.isin(chosen))
    ended = first.where(cut.isna())
    return Topping(cut, ended, levels, (*notes, *_left_out(ended, plants)))


def _first_topped(events: pd.DataFrame, plants: pd.DataFrame) -> pd.Series:
    """Day of the first topping of each plant, by plant; an event without place is of them all."""
    events = events[events["event"].astype(str).str.strip().str.lower() == TOPPED]
    first = pd.Series(pd.NaT, index=plants["plant"].to_numpy(), dtype="datetime64[ns]")
    events = events.sort_values("date")
    for day, plant, plot in zip(events["date"], events["plant"], events["plot"], strict=True):
        own = np.ones(len(plants), dtype=bool)
        if pd.notna(plant) and str(plant):
            own = (plants["plant"] == plant).to_numpy()
        elif pd.notna(plot) and str(plot):
            own = (plants["plot"] == plot).fillna(False).to_numpy(bool)
        first[own & first.isna().to_numpy()] = day
    return first


def _levels(plants: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    treatment = plants["treatment"]
    levels = tuple(sorted(treatment.dropna().astype(str).unique()))
    if len(levels) < 2:
        return (), ()
    if treatment.isna().any():
        return (), ("some plants have no treatment, so that treatments are not compared",)
    cells = pd.crosstab(plants["variety"], treatment.astype(str)).to_numpy() > 0
    # Connected: from any treatment one gets to any other through varieties that had both.
    step = (cells.T.astype(int) @ cells) > 0
    reached = np.linalg.matrix_power(step.astype(int), len(levels)) > 0
    if not reached.all():
        return (), ("treatments and varieties cannot be told apart: treatments are not compared",)
    return levels, ()


def _left_out(ended: pd.Series, plants: pd.DataFrame) -> tuple[str, ...]:
    """One note for every plot and day."""
    some = plants.assign(day=plants["plant"].map(ended)).dropna(subset=["day"])
    notes = []
    for day, on_day in some.groupby("day", sort=True):
        whole = plants.groupby("plot").size()
        hit = on_day.groupby("plot").size()
        plots = [str(p) for p in hit.index if hit[p] == whole[p]]
        single = on_day.loc[~on_day["plot"].isin(plots), "plant"].astype(str).tolist()
        named = ([f"plot{'s' if len(plots) > 1 else ''} {', '.join(plots)}"] if plots else [])
        named += [f"plant{'s' if len(single) > 1 else ''} {', '.join(single)}"] if single else []
        if len(on_day) == len(plants):
            named = ["every plant"]
        notes.append(f"{' and '.join(named)} topped on {pd.Timestamp(str(day)):%-d %B}, not by "
                     "lot: heights from then on are left out")
    return tuple(notes)


# ------------------------------------------------------------------------------------------------
# Height over time, and the day a variety passes an arm's reach.
# ------------------------------------------------------------------------------------------------

DRAWS = 1000
COLUMNS = 6
"""Columns of the spline: enough for an S-shaped curve to keep its shape (checked by simulation)."""
BEYOND = 0.1
"""Share of a variety's range of heights by which its curve may leave that range: a curve evens out
its readings, so that its ends may lie a little outside (own choice)."""
GAP = 28.0
"""Days without a reading of a variety above which its curve between them is not trusted. Measured
with the curve alone: with readings every 7 to 28 days the day out of reach was held by its interval
in all of 24 curves each, every 40 days in 11. With the gap spanned it is held there too, in all of
24 (tests/models/height_study.py --gaps)."""
OUT_OF_REACH = ["variety", "date", "low", "high", "day", "day_low", "day_high", "never",
                "unmeasured"]
TOO_FEW = "heights were measured in too few plots to tell varieties from plots"


@dataclass(frozen=True)
class HeightResult(TraitResult):
    """`means`: height in cm on the last day by which all varieties were measured.  `curve`:
    variety, date, estimate, low, high (cm), each variety's from its first reading to its last.
    `growth`: variety, date, estimate (cm a week).  `seen`: variety, date, plant, height_cm as
    measured.  `reach`: variety, date (NaT: not by the last measurement), low, high
    (NaT: no limit that way), day, day_low, day_high (days from planting, inf likewise), never
    (share of the draws in which reach is not passed), unmeasured (whether the day lies in a gap
    between readings longer than GAP: low and high are then the days of those readings at least).

    Where treatments (topped or not) were given by lot, the above are means over them, and:
    `treated_curve` and `treated_reach`: as `curve` and `reach`, with a column treatment.
    `support`: treatment, estimate, se, df, low, high (cm on the last day).  `treatment_pairs`:
    left, right, estimate, low, high, p, df.  `tests`: term, F, num_df, den_df, p, stratum, of the
    heights on the last day.  All are empty without a treatment.

    `unmeasured`: what varieties were not measured for longer than GAP, in words.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    growth: pd.DataFrame = field(default_factory=pd.DataFrame)
    seen: pd.DataFrame = field(default_factory=pd.DataFrame)
    reach: pd.DataFrame = field(default_factory=lambda: empty(OUT_OF_REACH))
    curves: MeanCurves | None = field(default=None, repr=False, compare=False)
    crossing: Floats = field(default_factory=lambda: np.zeros((0, 0)), repr=False, compare=False)
    treated_curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    treated_reach: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatments: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatment_pairs: pd.DataFrame = field(default_factory=lambda: empty(PAIRS))
    tests: pd.DataFrame = field(default_factory=lambda: empty(TESTS))
    unmeasured: tuple[str, ...] = ()

    def on(self, when: object) -> pd.DataFrame:
        """Height of each variety on a date: variety, date, estimate, low, high (cm)."""
        return self.curve[self.curve["date"] == pd.Timestamp(when)]  # type: ignore[arg-type]


def height_trait(
    records: Records, heights: Measured, ground: Support, order: list[str], check: str | None
) -> HeightResult | Missing:
    """One growth curve a plot, compared between varieties day by day; see `curves`.

    heights: all that were measured, cm.  Raises MixedModelError where it cannot be fitted."""
    topped = topping(records.events, ground.plants)
    ended = heights.data["plant"].map(topped.ended)
    left = heights.only(~(heights.data["date"] >= ended))
    if left.data.empty:
        return Missing("height", "every height was measured after the plants were topped"
                       if len(heights.data) else "no height is recorded yet")
    varieties = [v for v in order if v in left.dates.index]
    dates = left.dates["dates"].reindex(varieties)
    if dates.min() < 2:
        of_date = left.by_variety_and_date.groupby("date").size()
        shared = of_date[of_date == len(varieties)].index
        if not len(shared):
            few = ", ".join(v for v in varieties if dates[v] < 2)
            return Missing("height", f"growth takes two dates with heights; there is one for {few}")
        left = left.only(left.data["date"] == shared.max())
        dates = dates * 0 + 1
    left = _prepared(left, pd.Timestamp(records.trial.planted), topped)
    data = left.data
    spline = Spline.through(data["day"], max(int(min(COLUMNS, dates.min() - 1)), 1))
    days = np.arange(data["day"].min(), data["day"].max() + 1)
    curves = unit_curves(data, spline, days)
    supported = ground.supported and len(varieties) > 1
    blocked = supported and _connected(curves.units)
    df = ground.df(varieties)
    levels = [level for level in topped.levels if (data["treatment"] == level).any()]
    split = bool(levels) and bool(data.groupby("main")["treatment"].nunique().max() > 1)
    if len(levels) < 2:
        layout = layouts.plain(curves, varieties, df, blocked)
    elif split:
        layout = layouts.split_plots(curves, varieties, levels, df, blocked)
    else:
        layout = layouts.whole_plots(curves, varieties, levels, df, blocked)
    why = ground.why_not or "there is only one variety with heights"
    if supported and not layout.varieties.supported:
        supported, why = False, TOO_FEW
    if not supported:
        layout = _without_errors(layout)
    method = _method(layout, spline, curves.spread.reading, curves.spread.plant, df, split)
    return _result(records, left, layout, curves.at, "" if supported else why, check, method,
                   _notes(topped, layout))


def _prepared(heights: Measured, planted: pd.Timestamp, topped: Topping) -> Measured:
    """Heights with day, main (the plot), unit (the plot, or its part under one treatment), cell
    (variety and treatment) and cut (day of a topping by lot, NaN without)."""
    seen = heights.data
    treatment = seen["treatment"].astype(str) if topped.levels else pd.Series("", index=seen.index)
    main = seen["unit"]
    mixed = treatment.groupby(main).nunique().max() > 1
    return replace(heights, data=seen.assign(
        day=(seen["date"] - planted).dt.days.astype(float),
        main=main, unit=main + " | " + treatment if mixed else main, treatment=treatment,
        cell=seen["variety"].astype(str) + " | " + treatment,
        cut=(seen["plant"].map(topped.cut) - planted).dt.days.astype(float),
    ))


def _connected(units: pd.DataFrame) -> bool:
    """Whether there are blocks and they do not divide the varieties."""
    names = [sorted(units[column].unique()) for column in ("variety", "block")]
    both = np.hstack([indicators(units["variety"], names[0]), indicators(units["block"], names[1])])
    whole = len(names[0]) + len(names[1]) - 1
    return len(names[1]) > 1 and bool(np.linalg.matrix_rank(both) == whole)


def _without_errors(layout: layouts.Layout) -> layouts.Layout:
    """The curves alone, where the layout does not carry intervals or tests."""
    def bare(curves: MeanCurves | None) -> MeanCurves | None:
        return curves and MeanCurves(curves.names, curves.days, curves.value, ())

    return layouts.Layout(
        MeanCurves(layout.varieties.names, layout.varieties.days, layout.varieties.value, ()),
        bare(layout.cells), layout.named, bare(layout.treatments), bare(layout.between), None,
        layout.formula)


def _method(
    layout: layouts.Layout, spline: Spline, reading: float, plant: Floats, df: float, split: bool
) -> MethodNote:
    between = (float(np.sqrt((layout.varieties.strata[0].sides[-1] ** 2).sum()))
               if layout.varieties.strata else float("nan"))
    treated = ""
    if layout.cells is not None:
        treated = (
            f" Treatments were given {'within plots' if split else 'to whole plots'}: they and "
            "variety x treatment are tested against the error between "
            f"{'parts of plots' if split else 'plots'}; a curve that was topped may drop and bend "
            "at the topping.")
    return MethodNote(
        "One growth curve a plot from every plant measured in it; varieties are compared day by "
        "day between plots.",
        f"Natural cubic spline in days from planting with {len(spline.names)} columns for each "
        "plot, by generalised least squares with a level and slope of each plant (variances by "
        f"REML). Then least squares of the plots' heights on each day, {layout.formula}, with "
        f"that day's error between plots, its variance in proportion to the height, and {df:g} df "
        "of the layout. Blocks are fixed: the "
        "answer is for this bed. The day reach is passed is the first at which the curve does; "
        "its interval runs from the day the upper limit of the height passes reach to the day "
        f"the lower one does.{treated} No curve is drawn past the last measurement.",
        f"height_cm ~ plot * ({' + '.join(spline.names)}); plot heights ~ {layout.formula}",
        ("plot", "plant"), f"design, {df:g}",
        {"sd reading": float(np.sqrt(reading)), "sd plots, last day": between,
         "sd plants, level": float(np.sqrt(plant[0, 0]))},
    )


def _notes(topped: Topping, layout: layouts.Layout) -> tuple[str, ...]:
    if layout.treatments is None:
        return topped.notes
    named = " and ".join(layout.treatments.names)
    return (*topped.notes, f"heights and days of a variety are means over {named}; each "
                           "treatment has its own too")


def _result(
    records: Records, heights: Measured, layout: layouts.Layout, at: int, why: str,
    check: str | None, method: MethodNote, notes: tuple[str, ...],
) -> HeightResult:
    planted, curves = pd.Timestamp(records.trial.planted), layout.varieties
    varieties, reach_cm = list(curves.names), records.trial.reach_cm
    data = heights.data
    own = [heights.only(data["variety"] == name) for name in varieties]
    gaps = [_gaps(of) for of in own]
    at = _on_a_reading(curves.days, at, gaps)
    last, covariance, df = curves.value[:, at], curves.covariance(at), float(curves.df[0, at])
    compared = compare(varieties, last, covariance, df, check, ratio=False)
    ends = heights.dates
    early = [v for v in varieties if ends.loc[v, "last"] < ends["last"].max()]
    if early:
        said = "; ".join(f"{v} on {day:%-d %B}" for v, day in ends.loc[early, "last"].items())
        notes = (*notes, f"last measured before the others: {said}. Its curve ends there, and "
                 "heights are compared on the last day by which all were measured")
    unmeasured = _unmeasured(dict(zip(varieties, gaps, strict=True)), planted)
    limits = _across(curves, gaps)
    frame = curve_frame(curves, planted, limits)
    curve = _credible(_measured_span(frame, ends), heights.range)
    growth = _measured_span(frame[["variety", "date"]].assign(
        estimate=(np.gradient(limits[0], axis=1) * 7.0 if len(curves.days) > 1
                  else np.full_like(limits[0], np.nan)).ravel()), ends)
    crossing, reach = np.zeros((0, len(varieties))), empty(OUT_OF_REACH)
    if reach_cm:
        crossing = _crossing(curves, reach_cm, gaps)
        reach = reach_frame(curves, reach_cm, planted, crossing, gaps,
                            [_passed(of, reach_cm, planted) for of in own])
    dated = f"height on {planted + pd.Timedelta(days=curves.days[at]):%-d %B}"
    return HeightResult(
        "height", dated, "cm", "difference",
        difference_means(varieties, last, covariance, df).join(behind(data, varieties)),
        compared.against_check, compared.pairs, compared.letters, not why, why, method,
        (*notes, *unmeasured),
        curve, growth, data[["variety", "date", "plant", "height_cm"]], reach, curves, crossing,
        **_treated(layout, reach_cm, planted, at, heights), unmeasured=unmeasured,
    )


Between = tuple[float, float]
"""A reading and the next, in days from planting, further than GAP from each other."""


def _gaps(heights: Measured) -> list[Between]:
    """The long gaps between the days on which something was measured."""
    read = np.unique(heights.data["day"].to_numpy(float))
    return [(float(a), float(b)) for a, b in zip(read[:-1], read[1:], strict=True) if b - a > GAP]


def _passed(heights: Measured, reach: float, planted: pd.Timestamp) -> Between | None:
    """The gap in which the mean of the readings passed reach; None where it was no long one.

    A curve of few readings may miss them, and the gap with them.
    """
    mean = heights.by_date
    above = np.flatnonzero(mean.to_numpy(float) > reach)
    days = (pd.DatetimeIndex(mean.index) - planted).days.to_numpy(float)
    if not above.size or above[0] == 0 or days[above[0]] - days[above[0] - 1] <= GAP:
        return None
    return float(days[above[0] - 1]), float(days[above[0]])


def _on_a_reading(days: Floats, at: int, gaps: list[list[Between]]) -> int:
    """The day of the grid to compare heights on: where it falls into a gap, the gap's beginning."""
    day = float(days[at])
    for first, last in sorted((b for of in gaps for b in of), reverse=True):
        if first < day < last:
            day = first
    return int(np.searchsorted(days, day))


def _unmeasured(gaps: dict[str, list[Between]], planted: pd.Timestamp) -> tuple[str, ...]:
    """One sentence a gap, with the varieties that have it."""
    of: dict[Between, list[str]] = {}
    for name, own in gaps.items():
        for gap in own:
            of.setdefault(gap, []).append(name)
    said = []
    for (first, last), names in sorted(of.items()):
        who = "any plant" if len(names) == len(gaps) else few(names)
        since, until = (f"{planted + pd.Timedelta(days=day):%-d %B}" for day in (first, last))
        said.append(f"nobody measured {who} between {since} and {until}: how they grew in between "
                    "is not known")
    return tuple(said)


def _across(curves: MeanCurves, gaps: list[list[Between]]) -> Floats:
    """Height, its lower and its upper limit, (3, v, d), each curve's gaps bridged.

    A plant left to grow is no lower than at the reading before a gap and no taller than at the one
    after: the limits between are those of the two, the height a straight line.
    """
    half = curves.half
    out = np.array([curves.value, curves.value - half, curves.value + half])
    for name, of in enumerate(gaps):
        for first, last in of:
            a, b = (int(np.searchsorted(curves.days, day)) for day in (first, last))
            ends = out[:, name, [a, b]]
            out[0, name, a:b + 1] = np.linspace(ends[0, 0], ends[0, 1], b - a + 1)
            out[1, name, a + 1:b] = ends[1].min()
            out[2, name, a + 1:b] = ends[2].max()
    return out


def _crossing(curves: MeanCurves, reach: float, gaps: list[list[Between]]) -> Floats:
    """The day each draw of the curves passes reach, (n, v); any day of a gap if it is in one."""
    draws = curves.draws(DRAWS, 1)
    for name, of in enumerate(gaps):
        for first, last in of:
            a, b = (int(np.searchsorted(curves.days, day)) for day in (first, last))
            draws[:, name, a:b + 1] = np.linspace(draws[:, name, a], draws[:, name, b], b - a + 1,
                                                  axis=1)
    day = first_passed(draws, curves.days, reach)
    rng = np.random.default_rng(2)
    for name, of in enumerate(gaps):
        for first, last in of:
            inside = (day[:, name] > first) & (day[:, name] < last)
            day[inside, name] = rng.uniform(first, last, int(inside.sum()))
    return day


def _credible(curve: pd.DataFrame, of: pd.DataFrame) -> pd.DataFrame:
    """No height where the curve is beyond every plant of its variety, as it may be in a long gap
    between readings; no interval wider each way than the tallest plant, which says nothing."""
    least, most = (curve["variety"].map(of[name]) for name in ("min", "max"))
    room = BEYOND * (most - least).clip(lower=1.0)
    beyond = (curve["estimate"] > most + room) | (curve["estimate"] < least - room)
    empty_band = beyond | (curve["high"] - curve["estimate"] > most)
    return curve.assign(
        estimate=curve["estimate"].mask(beyond), low=curve["low"].mask(empty_band),
        high=curve["high"].mask(empty_band))


def _measured_span(frame: pd.DataFrame, ends: pd.DataFrame) -> pd.DataFrame:
    """The rows from each variety's first reading to its last; ends: `Measured.dates`."""
    first, last = (frame["variety"].map(ends[name]) for name in ("first", "last"))
    return frame[(frame["date"] >= first) & (frame["date"] <= last)].reset_index(drop=True)


def _treated(
    layout: layouts.Layout, reach_cm: float | None, planted: pd.Timestamp, at: int,
    heights: Measured,
) -> dict[str, pd.DataFrame]:
    cells, treatments, between = layout.cells, layout.treatments, layout.between
    if cells is None or treatments is None or between is None:
        return {}
    named = dict(zip(cells.names, layout.named, strict=True))
    data = heights.data
    own = [heights.only((data["variety"] == variety) & (data["treatment"] == level))
           for variety, level in layout.named]
    gaps = [_gaps(of) for of in own]

    def parted(frame: pd.DataFrame) -> pd.DataFrame:
        pairs = frame["variety"].map(named)
        frame.insert(1, "treatment", pairs.str[1])
        return frame.assign(variety=pairs.str[0])

    df = float(between.df[0, at])
    value, half = treatments.value[:, at], treatments.half[:, at]
    compared = compare(list(between.names), between.value[:, at], between.covariance(at), df,
                       None, ratio=False)
    return {
        "treated_curve": _measured_span(
            parted(curve_frame(cells, planted, _across(cells, gaps))), heights.dates),
        "treated_reach": parted(reach_frame(
            cells, reach_cm, planted, _crossing(cells, reach_cm, gaps), gaps,
            [_passed(of, reach_cm, planted) for of in own]))
        if reach_cm else empty(["variety", "treatment", *OUT_OF_REACH[1:]]),
        "treatments": pd.DataFrame({
            "treatment": treatments.names, "estimate": value, "se": treatments.se[:, at],
            "df": treatments.df[:, at], "low": value - half, "high": value + half}),
        "treatment_pairs": compared.pairs,
        "tests": layout.tests if layout.tests is not None else empty(TESTS),
    }


def curve_frame(curves: MeanCurves, planted: pd.Timestamp, limits: Floats) -> pd.DataFrame:
    """variety, date, estimate, low, high (cm) of every curve on every day; limits: `_across`."""
    dates = planted + pd.to_timedelta(curves.days, unit="D")
    return pd.concat([
        pd.DataFrame({"variety": name, "date": dates,
                      **dict(zip(("estimate", "low", "high"), limits[:, i], strict=True))})
        for i, name in enumerate(curves.names)
    ], ignore_index=True)


def reach_frame(
    curves: MeanCurves, reach: float, planted: pd.Timestamp, crossing: Floats,
    gaps: list[list[Between]], passed: list[Between | None],
) -> pd.DataFrame:
    """OUT_OF_REACH of every curve; crossing: the day in each draw of the curves, (n, v).

    A day is in the interval while the height's interval on that day holds reach (inverse
    prediction, Fieller 1954, J. R. Stat. Soc. B 16:175-185, day by day): from the day the upper
    limit passes to the day the lower one does, inf where it does not by the last measurement.
    gaps, passed : of each curve, `_gaps` and `_passed`; the interval spans a gap it passed in.
    """
    value, below, above = _across(curves, gaps)
    day = first_passed(value[None], curves.days, reach)[0]
    within = [[gap for gap in of if gap == own or gap[0] < when < gap[1]]
              for when, of, own in zip(day, gaps, passed, strict=True)]
    low, high, never = np.full((3, len(curves.names)), np.nan)
    if curves.supported:
        low, high = first_passed(np.array([above, below]), curves.days, reach)
        never = np.isinf(crossing).mean(axis=0)
    for name, of in enumerate(within):  # known without an error between plots too
        for first, last in of:
            low[name], high[name] = np.fmin(low[name], first), np.fmax(high[name], last)

    def dated(day: Floats) -> pd.Series:
        some = np.where(np.isfinite(day), day, 0.0)
        dates = pd.Series(planted + pd.to_timedelta(np.round(some), unit="D"))
        return dates.where(np.isfinite(day))

    return pd.DataFrame({"variety": curves.names, "date": dated(day), "low": dated(low),
                         "high": dated(high), "day": day, "day_low": low, "day_high": high,
                         "never": never, "unmeasured": list(map(bool, within))})


def first_passed(curves: Floats, days: Floats, reach: float) -> Floats:
    """First day each curve (n, v, d) is above reach, straight between days; inf: never."""
    above = curves > reach
    at = above.argmax(axis=2)
    ever = above.any(axis=2)
    before = np.maximum(at - 1, 0)
    y1 = np.take_along_axis(curves, at[:, :, None], 2)[:, :, 0]
    y0 = np.take_along_axis(curves, before[:, :, None], 2)[:, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(at > 0, (reach - y0) / (y1 - y0), 0.0)
    day = days[before] + share * (days[at] - days[before])
    return np.where(ever, day, np.inf)
