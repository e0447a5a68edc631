"""Rate over the season: a smooth curve a variety, its slump after heat, its recovery."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from pandas.api.typing import NaTType
from scipy import stats

from trialkit.mixed import GLMM, MixedModelError, fit_glmm
from trialkit.models.curves import Curves, Floats, Spline, curves_of
from trialkit.models.picked import PodsResult
from trialkit.models.results import MethodNote, Missing, TraitResult, empty
from trialkit.models.support import Support, usable_groups
from trialkit.models.totals import WEEK

# ------------------------------------------------------------------------------------------------
# Warmth and heat: growing degree days, and hot spells.
#
# Growing degree days by the averaging formula (McMaster & Wilhelm 1997, Growing degree-days: one
# equation, two interpretations, Agricultural and Forest Meteorology 87:291-300):
#
#     GDD = (T_max + T_min) / 2 - T_base, never below 0.
#
# Their Method 1 compares the day's mean with the base; Method 2 first raises a minimum (or
# maximum) below the base to the base. Method 2 is the default here. With a cap, Method 1 lowers a
# mean above the cap to the cap, Method 2 a maximum (or minimum) above it. The two can differ a
# lot, so the method is always stated.
# ------------------------------------------------------------------------------------------------

BASE_C, CAP_C = 10.0, 30.0
"""Base 10 and cap 30 degrees Celsius: the 50 and 86 degrees Fahrenheit of the "86/50 method" for
maize, in use for other warm-season crops too (Ohio State University Extension 2023, after the
Ohio Agronomy Guide; Iowa State University, Agronomy 541, lesson 2b)."""

LEAST_HOT_C, HOT_SHARE, HOT_DAYS = 30.0, 0.9, 3
"""A hot day has a high of at least 30 degrees Celsius and is among the hottest tenth of the days
on record: heat that is hard on most vegetables in flower (30 degrees: common practice, no source)
and unusual for the place (90th percentile as in the climate index TX90p, which however takes it
from 30 reference years, and here the season's own days must do). A hot spell is three such days
running or more, as in weather services' usual definitions of a heat wave."""

BRIDGE_DAYS = 2
"""Gaps of up to this many days in the weather are bridged by a straight line for the degree-day
sum, and counted; a longer gap ends the sum. Own choice."""


def growing_degree_days(
    low_c: ArrayLike,
    high_c: ArrayLike,
    base_c: float = BASE_C,
    cap_c: float | None = CAP_C,
    method: int = 2,
) -> NDArray[np.float64]:
    """Growing degree days of each day, in degree-days Celsius; NaN where a reading is missing.

    low_c, high_c: daily minimum and maximum, shape (n,). method: 1 or 2, see the module.
    Raises ValueError for another method, a cap below the base, or a low above its high.
    """
    low, high = np.asarray(low_c, dtype=float), np.asarray(high_c, dtype=float)
    top = np.inf if cap_c is None else cap_c
    if method not in (1, 2):
        raise ValueError("method must be 1 or 2")
    if top <= base_c:
        raise ValueError("the cap must lie above the base")
    if np.any(low > high):
        raise ValueError("a day's low lies above its high")
    if method == 1:
        return np.asarray(np.clip((low + high) / 2.0, base_c, top) - base_c)
    return np.asarray((np.clip(low, base_c, top) + np.clip(high, base_c, top)) / 2.0 - base_c)


@dataclass(frozen=True)
class Warmth:
    """days: DataFrame[date, gdd, total, bridged], one row a day from the start on.

    total: sum so far (NaN after a gap too long to bridge). bridged: days filled in; missing:
    days left without a value. plain: how it was worked out.
    """

    days: pd.DataFrame
    bridged: int
    missing: int
    plain: str

    def on(self, date: object) -> float:
        """Degree days summed up to and including a date; NaN outside the record."""
        row = self.days[self.days["date"] == pd.Timestamp(str(date))]
        return float(row["total"].iloc[0]) if len(row) else float("nan")


def warmth(
    weather: pd.DataFrame,
    start: object,
    base_c: float = BASE_C,
    cap_c: float | None = CAP_C,
    method: int = 2,
) -> Warmth | None:
    """Degree days summed from `start` (the planting day); None without weather from then on.

    weather: date, low_c, high_c, in any order; the last of several rows for a day counts.
    """
    first = pd.Timestamp(str(start))
    seen = weather.dropna(subset=["date"]).drop_duplicates("date", keep="last").set_index("date")
    seen = seen.sort_index()[["low_c", "high_c"]].astype(float)
    seen = seen[seen.index >= first]
    if seen.dropna().empty:
        return None
    every = seen.reindex(pd.date_range(first, seen.index.max(), freq="D"))
    filled = every.apply(_bridge)
    gdd = growing_degree_days(filled["low_c"], filled["high_c"], base_c, cap_c, method)
    bridged = every.isna().any(axis=1).to_numpy() & ~np.isnan(gdd)
    days = pd.DataFrame(
        {"date": every.index, "gdd": gdd, "total": np.cumsum(gdd), "bridged": bridged}
    )
    cap = "" if cap_c is None else f", highs above {cap_c:g} counted as {cap_c:g}"
    plain = (
        f"Growing degree days: mean of the day's high and low less {base_c:g} degrees Celsius"
        f"{cap} (McMaster & Wilhelm 1997, method {method})."
    )
    missing = int(np.isnan(gdd).sum())
    return Warmth(days, int(bridged.sum()), missing, plain)


def hot_from(weather: pd.DataFrame) -> float:
    """The high from which a day counts as hot here, in degrees Celsius; see LEAST_HOT_C."""
    highs = weather["high_c"].dropna()
    return max(LEAST_HOT_C, float(highs.quantile(HOT_SHARE))) if len(highs) else LEAST_HOT_C


def hot_spells(
    weather: pd.DataFrame, hot_c: float | None = None, days: int = HOT_DAYS
) -> tuple[tuple[pd.Timestamp, pd.Timestamp], ...]:
    """First and last day of each run of at least `days` days with a high of `hot_c` or more.

    weather: date, high_c. hot_c: degrees Celsius; default `hot_from(weather)`. A day without a
    reading ends a run: nothing is made up. Raises ValueError for days < 1.
    """
    if days < 1:
        raise ValueError("a spell takes at least one day")
    seen = weather.dropna(subset=["date", "high_c"]).drop_duplicates("date", keep="last")
    threshold = hot_from(seen) if hot_c is None else hot_c
    hot = seen.loc[seen["high_c"] >= threshold, "date"].sort_values()
    if hot.empty:
        return ()
    run = (hot.diff() != pd.Timedelta(days=1)).cumsum()
    spells = hot.groupby(run).agg(["min", "max", "size"])
    return tuple(
        (pd.Timestamp(spell["min"]), pd.Timestamp(spell["max"]))
        for _, spell in spells.iterrows()
        if spell["size"] >= days
    )


def _bridge(readings: pd.Series) -> pd.Series:
    """Gaps of at most BRIDGE_DAYS filled by a straight line between the days around them."""
    gap = readings.isna()
    length = gap.groupby((~gap).cumsum()).transform("sum")
    line = readings.interpolate(limit_area="inside")
    return readings.where(~gap | (length > BRIDGE_DAYS), line)


# ------------------------------------------------------------------------------------------------
# Rate over the season: a smooth curve a variety, its slump after heat, its recovery.
# ------------------------------------------------------------------------------------------------

FEWEST = 5
COLUMNS = 8
"""Columns of the curve at most; half of them, and half of that, where a stretch of empty picks
leaves so many without a fit."""
DRAWS = 600
AFTER = 24
"""Days after the first hot day within which a slump is looked for: flowers lost in the heat are
the pods missing one to three weeks later (common practice, no source)."""
BACK = 0.75
"""A rate is back when it has regained this share of what it was before the heat: not all of it,
since a crop's rate falls with age anyway (own choice)."""
SLUMP = 0.2
"""A fall of less than this share is not called a slump (own choice)."""
FINISHED = "had finished"
"""Said of a variety whose rate never came back: an end of the season, not a slump in it."""
EMPTY_PICKS = 2
"""So many empty picks at its end, or more, are a variety's end (own choice)."""
GONE = 0.1
"""A rate of less than this share of what it was before the heat, to the last pick, is an end and
not a slump (own choice)."""
SLUMPS = ["variety", "hot_from", "hot_to", "before", "lowest", "lowest_on", "lowest_low",
          "lowest_high", "depth", "depth_low", "depth_high", "recovered_on", "recovered_low",
          "recovered_high", "recovery"]


@dataclass(frozen=True)
class RateResult(TraitResult):
    """`means`: pods a plant a week on the last pick; 0 without limits of a variety that had
    finished.  `curve`: variety, date, estimate, low, high (pods a plant a week), of each variety
    from the pick before its first pods to its own last pick, or to the first of the empty ones it
    ends with.  `hot`: first and last day of each hot spell.  `slumps`: variety,
    hot_from, hot_to, before, lowest (rates a week), lowest_on with lowest_low and lowest_high
    (days), depth (share lost) with depth_low and depth_high, recovered_on with recovered_low and
    recovered_high (days; NaT: not by the last pick), recovery (in words)."""

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    hot: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()
    slumps: pd.DataFrame = field(default_factory=lambda: empty(SLUMPS))
    curves: Curves | None = field(default=None, repr=False, compare=False)
    start: pd.Timestamp | None = None
    finished: frozenset[str] = frozenset()
    """Varieties whose last picks were empty."""


def rate_trait(
    pods: PodsResult, ground: Support, hot: tuple[tuple[pd.Timestamp, pd.Timestamp], ...],
    counted: str,
) -> RateResult | Missing:
    """Smooth rate of each variety, on totals of each plot at each pick.

    hot: first and last day of each hot spell (empty without weather).
    Raises MixedModelError where the model cannot be fitted.
    """
    tally = pods.tally
    dates = len(tally.by_date) if len(tally.looks) else 0
    if dates < FEWEST:
        return Missing("rate", f"a curve over the season takes {FEWEST} picks; so far {dates}")
    varieties = list(pods.varieties)
    picked = {v: tally.by_variety_and_date["pods"].xs(v) for v in varieties}
    over = frozenset(v for v, own in picked.items() if _finished(own))
    ends = pd.DataFrame.from_dict(
        {v: _bearing(own) for v, own in picked.items()}, orient="index", columns=["first", "last"])
    cells = tally.by_plot_and_date
    span = ends.loc[cells["variety"]].set_index(cells.index)
    cells = cells[cells["date"].between(span["first"], span["last"])].reset_index(drop=True)
    cells["pick"] = cells["date"].dt.strftime("%Y-%m-%d")
    start = cells["date"].min()
    # A pick tells of the days since the last one: its rate belongs to their middle.
    cells["day"] = (cells["date"] - start).dt.days - cells["gap"] / 2
    cells["log_days"] = np.log(cells["days"].clip(lower=0.5))
    spans = {str(v): _Span(float(np.floor(own.min())), float(np.ceil(own.max())), v in over)
             for v, own in cells.groupby("variety")["day"]}
    groups, left_out = usable_groups(cells, [*ground.by, "unit", "pick"], ("variety",))
    fit, spline, formula = _fitted(cells, groups, dates)
    df = ground.df(varieties)
    days = np.arange(np.floor(cells["day"].min()), np.ceil(cells["day"].max()) + 1)
    curves = curves_of(fit.part, fit.fixed.to_numpy(), fit.cov_fixed.to_numpy(),
                       df if df >= 1 else np.inf, varieties, spline, days)
    shift = float(np.log(cells["pods"].sum() / np.exp(
        fit.predict(random=False, scale="link")).sum()))
    method = MethodNote(
        "A smooth curve through each variety's picks; the days between two picks share the pods "
        "of the second.",
        f"Negative binomial mixed model on plot totals of each pick, {formula} (natural cubic "
        f"spline with {len(spline.names)} columns), offset log plant-days, random "
        f"{', '.join(groups) or 'nothing'}. Slump: lowest point of the curve within {AFTER} days "
        f"of the first hot day against the rate on the day before; interval from {DRAWS} draws of "
        "the fixed effects. Of several empty picks at either end of a variety's season the "
        "nearest is used, and its curve ends there. No slump is told of a variety whose last two "
        "picks were empty, or that "
        f"ends below {100 * GONE:.0f} % of that rate: it had finished. Recovered: back at "
        f"{100 * BACK:.0f} % of that rate. "
        + "; ".join(left_out),
        formula, tuple(groups), f"design, {df:g}",
        {"dispersion": fit.dispersion, **{f"sd {k}": float(v) for k, v in fit.group_sd.items()}},
    )
    return _result(pods, curves, shift, start, hot, counted, method, spans)


@dataclass(frozen=True)
class _Span:
    """First and last day of the grid that a variety's curve is known on; finished: whether it
    ends with empty picks."""

    first: float
    last: float
    finished: bool


def _bearing(pods: pd.Series) -> tuple[pd.Timestamp, pd.Timestamp]:
    """The dates of a variety's last empty pick before its first pods and of the first empty one
    after its last: more of them say nothing of the curve but that it has no end.  pods: by date."""
    some = np.flatnonzero(pods.to_numpy() > 0)
    first, last = max(int(some[0]) - 1, 0), min(int(some[-1]) + 1, len(pods) - 1)
    return pods.index[first], pods.index[last]


def _finished(pods: pd.Series) -> bool:
    """Whether the last picks of a variety, on all its plots, gave nothing.  pods: by date."""
    return len(pods) > EMPTY_PICKS and not pods.tail(EMPTY_PICKS).any()


def _fitted(cells: pd.DataFrame, groups: list[str], dates: int) -> tuple[GLMM, Spline, str]:
    """The model with as many columns of the curve as the picks bear; -> fit, curve, formula.

    Raises MixedModelError where it cannot be fitted with the fewest either.
    """
    several = cells["variety"].nunique() > 1
    most = min(COLUMNS, dates // 2)
    tries = list(dict.fromkeys(max(columns, 1) for columns in (most, most // 2, most // 4)))
    for columns in tries:
        spline = Spline.through(cells["day"].round(), columns)
        smooth = " + ".join(spline.names)
        formula = f"pods ~ variety * ({smooth})" if several else f"pods ~ {smooth}"
        try:
            fit = fit_glmm(
                formula, pd.concat([cells, spline.columns(cells["day"])], axis=1),
                family="negative-binomial", offset="log_days", groups=groups, method="reml",
                separated="keep")
        except MixedModelError:
            if columns == tries[-1]:
                raise
        else:
            return fit, spline, formula
    raise AssertionError("a curve has a column at least")


def _result(
    pods: PodsResult, curves: Curves, shift: float, start: pd.Timestamp,
    hot: tuple[tuple[pd.Timestamp, pd.Timestamp], ...], counted: str, method: MethodNote,
    spans: dict[str, _Span],
) -> RateResult:
    dates = start + pd.to_timedelta(curves.days, unit="D")
    level = curves.value + shift + np.log(WEEK)
    half = stats.t.isf(0.025, curves.df) * curves.se if pods.supported else np.full(
        level.shape, np.nan)
    own = {v: np.flatnonzero((curves.days >= spans[v].first) & (curves.days <= spans[v].last))
           for v in curves.varieties}
    curve = pd.concat([
        pd.DataFrame({"variety": v, "date": dates[own[v]], "estimate": np.exp(level[i, own[v]]),
                      "low": np.exp((level - half)[i, own[v]]),
                      "high": np.exp((level + half)[i, own[v]])})
        for i, v in enumerate(curves.varieties)
    ], ignore_index=True)
    inside = tuple((max(a, dates[0]), b) for a, b in hot if b >= dates[0] and a <= dates[-1])
    over = frozenset(v for v in curves.varieties if spans[v].finished)
    ends = [int(own[v][-1]) for v in curves.varieties]
    slumps = [_slump(curves, shift, dates, a, b, pods.supported, over, ends) for a, b in inside]
    last = curve.groupby("variety", sort=False).tail(1)[["variety", "estimate", "low", "high"]]
    last.loc[last["variety"].isin(over), ["estimate", "low", "high"]] = [0.0, np.nan, np.nan]
    means = last.assign(se=np.nan, df=curves.df if pods.supported else np.nan).merge(
        pods.means[["variety", "plots", "plants", "records"]], on="variety", how="left")
    why = pods.why_not or ("" if pods.supported else "the layout does not support it")
    return RateResult(
        "rate", f"{counted} a plant a week, smoothed, on {dates[-1]:%-d %B}",
        f"{counted} a plant a week", "ratio", means,
        empty(["variety", "check", "estimate", "low", "high", "p", "df"]),
        empty(["left", "right", "estimate", "low", "high", "p", "df"]), {}, pods.supported, why,
        method, (), curve, inside,
        pd.concat(slumps, ignore_index=True) if slumps else empty(SLUMPS), curves, start, over,
    )


def _slump(
    curves: Curves, shift: float, dates: pd.DatetimeIndex, first: pd.Timestamp,
    last: pd.Timestamp, supported: bool, over: frozenset[str], ends: list[int],
) -> pd.DataFrame:
    """Depth and date of the slump after one hot spell, and the date of recovery; over: varieties
    that had finished by the last pick; ends: where on the grid each variety's curve ends."""
    at = max(int((dates < first).sum()) - 1, 0)
    to = max(int((dates <= first + pd.Timedelta(days=AFTER)).sum()), at + 1)
    value = curves.value
    draws = curves.draws(DRAWS, 2)
    rows = []
    for i, variety in enumerate(curves.varieties):
        before = min(at, ends[i])
        own = np.vstack([value[i], draws[:, i]])[:, : ends[i] + 1]  # the curve, then draws of it
        low_at = before + own[:, before : max(min(to, ends[i] + 1), before + 1)].argmin(axis=1)
        back_at = _back(own, before, low_at)
        # At the curve's own lowest day: a lowest day sought in every draw is below any start.
        depth = 1.0 - np.exp(own[:, low_at[0]] - own[:, before])
        band = np.quantile(depth[1:], [0.025, 0.975]) if supported else np.full(2, np.nan)
        slumped = bool(low_at[0] > before and depth[0] > SLUMP)
        firm = slumped and not band[0] <= 0
        # A slump needs the season to go on: what only falls from the heat to its end is that end.
        ended = np.isinf(back_at[0]) and (
            variety in over or own[0, -1] < own[0, before] + np.log(GONE))
        if (slumped and ended) or (variety in over and before < at):
            words, firm = FINISHED, False
            depth, band = np.full_like(depth, np.nan), np.full(2, np.nan)
        elif not slumped:
            words = "no slump"
        elif not firm:
            words = "could be luck"
        elif np.isinf(back_at[0]):
            words = "no recovery yet"
        else:
            words = f"recovered by {_date(dates, back_at[0]):%-d %B}"
        days: list[pd.Timestamp | NaTType] = [pd.NaT] * 4
        if supported and firm:
            limits = [np.quantile(draws[1:], [0.025, 0.975], method="nearest")
                      for draws in (low_at.astype(float), back_at)]
            days = [_date(dates, limit) for pair in limits for limit in pair]
        rows.append((
            variety, first, last, np.exp(own[0, before] + shift) * WEEK,
            np.exp(own[0, low_at[0]] + shift) * WEEK, dates[low_at[0]], *days[:2], depth[0],
            *band, _date(dates, back_at[0]) if firm else pd.NaT, *days[2:], words))
    return pd.DataFrame(rows, columns=SLUMPS)


def _back(curves: Floats, at: int, low_at: npt.NDArray[np.int64]) -> Floats:
    """Index of the first day from each curve's lowest on with BACK of its rate at `at`, (n,);
    inf: not by the end."""
    enough = curves >= curves[:, [at]] + np.log(BACK)
    enough &= np.arange(curves.shape[1]) >= low_at[:, None]
    return np.where(enough.any(axis=1), enough.argmax(axis=1).astype(float), np.inf)


def _date(dates: pd.DatetimeIndex, index: float) -> pd.Timestamp | NaTType:
    """The date at an index of the grid; NaT for inf."""
    return dates[int(index)] if np.isfinite(index) else pd.NaT
