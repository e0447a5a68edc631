"""Looking after every pick: settled, keep picking, or not to be settled this season.

One comparison, looked at again after every pick. With a planned number of looks the alpha
spending boundaries decide (`spending`); without one the anytime-valid interval does
(`spending`). Both intervals are always worked out; the one that decides is the one to show.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
from scipy.optimize import nnls
from scipy.stats import norm

from trialkit.decide.spending import (
    TUNED_AT,
    Array,
    alpha_each,
    alpha_for_few_df,
    anytime_z,
    boundaries,
    comparisons,
    conditional_power,
    growing,
    mixture_rho,
    on_normal_scale,
    on_t_scale,
    repeated_interval,
    sharing,
)
from trialkit.wording import percent

State = Literal["settled", "keep picking", "will not be settled this season", "alike"]
Scale = Literal["ratio", "difference"]
SETTLED: State = "settled"
KEEP: State = "keep picking"
UNSETTLED: State = "will not be settled this season"
ALIKE: State = "alike"
PLANNED, UNPLANNED = "planned looks", "unplanned looks"

HOPELESS, IN_A_ROW = 0.02, 3
"""Below this chance of settling, at so many looks running, more picks are not worth waiting for.
Stopping for futility at a conditional power of 10 to 20 % is common practice (Lan, Simon &
Halperin 1982 call it stochastic curtailment). That chance takes the standard error as known,
though, and on few plots it is not: with 3 blocks, one look below 10 % gave up wrongly 10 to 17
seasons in a hundred, two below 5 % 6 to 8, three below 2 % 3 to 5. Measured again in tests/decide
(looks_study.py --giving-up)."""

ALIKE_RATIO = 1.25
"""Varieties whose interval lies within this ratio either way are alike, unless trial.toml says
another `worthwhile`. Own choice: about what neighbouring plots of one variety differ by."""

WORTHWHILE_RATIO = 1.5
"""The ratio between varieties a grower would act on, unless told otherwise. Common practice in
this project's own examples, no source."""


@dataclass(frozen=True)
class Look:
    """One analysis of one comparison after a pick.

    estimate: difference (log ratio for counts and yields), all picks so far; se: its standard
    error; df: degrees of freedom of se. NaN where there was nothing to compare yet. plots_df: what
    all plots together leave for error, which does not change from look to look; None for df.
    """

    date: date
    estimate: float
    se: float
    df: float
    plots_df: float | None = None

    @property
    def usable(self) -> bool:
        """Whether this look has an estimate with a standard error."""
        numbers = np.array([self.estimate, self.se, self.df], dtype=float)
        return bool(np.all(np.isfinite(numbers)) and self.se > 0 and self.df > 0)


@dataclass(frozen=True)
class LooksResult:
    """What the looks so far allow one to say about one comparison.

    state: "settled": the newest look's interval leaves out no difference. "alike": no look will
        follow and that interval lies within a worthwhile difference. "keep picking", or "will not
        be settled this season".
    direction: +1 or -1 where settled (sign of the difference), else 0.
    settled_on: date from which every look has said so.
    basis: "planned looks" or "unplanned looks": the rule that decides and whose interval
        `low`, `high` is; those of the other rules stand in `history`.
    over: no look is left that could settle it.
    alpha, shared_by, together: two-sided error of this comparison, how many comparisons have as
        much, and that of all of them together.
    statistic, boundary: t values at this look. Intervals are in units of the estimate (log
        ratio for scale "ratio").
    chance_at_trend, chance_if_worthwhile: conditional power; None once settled, once over, and
        while it is too early to judge.
    alike: the newest look's interval leaves no room for a worthwhile difference, `alike_within`.
    history: DataFrame[number, date, estimate, se, df, plots_df, statistic, boundary, low, high,
        anytime_low, anytime_high, naive_low, naive_high, z, z_boundary], one row a look.
    """

    state: State
    direction: int
    settled_on: date | None
    basis: str
    looks: int
    planned: int | None
    over: bool
    alpha: float
    shared_by: int
    together: float
    estimate: float
    statistic: float
    boundary: float
    low: float
    high: float
    chance_at_trend: float | None
    chance_if_worthwhile: float | None
    worthwhile: float | None
    alike_within: float | None
    alike: bool
    scale: Scale
    names: tuple[str, str]
    unit: str
    history: pd.DataFrame = field(repr=False, compare=False)
    one_line: str = ""
    full: str = ""


def evaluate_looks(
    looks: Sequence[Look],
    planned: int | None,
    alpha: float = 0.05,
    *,
    last: bool = False,
    worthwhile: float | None = None,
    alike_within: float | None = None,
    scale: Scale = "ratio",
    names: tuple[str, str] = ("the first", "the second"),
    unit: str = "",
    shared_by: int = 1,
    together: float | None = None,
) -> LooksResult:
    """Judge one comparison after the looks so far (the newest last).

    planned: number of looks written into the trial before the season, or None. alpha: the
    two-sided error this comparison may spend (see `spending.alpha_each` for several). last:
    no look will follow, so whatever alpha is left may be spent now. It must not be set because
    of what the results show. worthwhile: the size of difference a grower would act on, in
    units of the estimate; default log(1.5) for ratios, none for differences. alike_within: the
    size of difference too small to matter; default log(1.25) for ratios. names, unit,
    shared_by (comparisons that may each spend `alpha`), together (error of all): for the wording.
    The newest look is what is judged; what an earlier one said is history. Looks beyond the plan:
    the alpha is all spent at the last planned look, so later ones are judged by the anytime
    interval. Fewer than planned: unspent alpha stays unspent unless `last`.
    Raises ValueError if there is no look, dates go back, or planned < 1.
    """
    if not looks:
        raise ValueError("there is no look to judge yet")
    if any(b.date < a.date for a, b in zip(looks, looks[1:], strict=False)):
        raise ValueError("looks must be in order of date")
    if planned is not None and planned < 1:
        raise ValueError("planned looks must be at least 1")
    if worthwhile is None and scale == "ratio":
        worthwhile = float(np.log(WORTHWHILE_RATIO))
    if alike_within is None and scale == "ratio":
        alike_within = float(np.log(ALIKE_RATIO))
    history = _history(looks, planned, alpha, last)
    over = last or (planned is not None and len(looks) >= planned)
    outlook = (None, None) if over else chances(history, planned, alpha, worthwhile)
    now = {str(name): value for name, value in history.iloc[-1].items()}
    interval = (float(now["low"]), float(now["high"]))
    alike = alike_within is not None and max(-interval[0], interval[1]) < alike_within
    done = over or _hopeless(history, planned, alpha, worthwhile, outlook)
    state, direction, settled_on = _judge(history, done)
    if over and alike:
        state = ALIKE
    if state == SETTLED:
        outlook = (None, None)
    result = LooksResult(
        state=state,
        direction=direction,
        settled_on=settled_on,
        basis=UNPLANNED if planned is None else PLANNED,
        looks=len(looks),
        planned=planned,
        over=over,
        alpha=alpha,
        shared_by=shared_by,
        together=alpha if together is None else together,
        estimate=float(now["estimate"]),
        statistic=float(now["statistic"]),
        boundary=float(now["boundary"]),
        low=interval[0],
        high=interval[1],
        chance_at_trend=outlook[0],
        chance_if_worthwhile=outlook[1],
        worthwhile=worthwhile,
        alike_within=alike_within,
        alike=alike,
        scale=scale,
        names=names,
        unit=unit,
        history=history,
    )
    return replace(result, one_line=one_line(result), full=full_text(result))


def evaluate_family(
    series: Mapping[tuple[str, str], Sequence[Look]],
    planned: int | None,
    alpha: float = 0.05,
    *,
    varieties: int,
    against_check: bool,
    last: bool = False,
    worthwhile: float | None = None,
    alike_within: float | None = None,
    scale: Scale = "ratio",
    unit: str = "",
) -> dict[tuple[str, str], LooksResult]:
    """Judge every comparison of the report so that all together err at most `alpha`.

    series: looks by (left, right). varieties, against_check: which comparisons the report makes
    (every variety with the check, or all pairs). They share alpha as one look's would, as
    `spending.sharing` says, on the most degrees of freedom any look has, also
    when some of them have no looks yet. Other arguments as `evaluate_looks`.
    """
    df = max((look.plots_df or look.df for looks in series.values() for look in looks
              if look.usable), default=1.0)
    how = sharing(varieties, against_check)
    each = alpha_each(varieties, against_check, alpha, how, df)
    return {
        pair: evaluate_looks(
            looks,
            planned,
            each,
            last=last,
            worthwhile=worthwhile,
            alike_within=alike_within,
            scale=scale,
            names=pair,
            unit=unit,
            shared_by=comparisons(varieties, against_check),
            together=alpha,
        )
        for pair, looks in series.items()
    }


def _history(looks: Sequence[Look], planned: int | None, alpha: float, last: bool) -> pd.DataFrame:
    """Every look with its statistic, boundary (normal and t scale), and three intervals."""
    number = np.arange(1, len(looks) + 1)
    good = np.flatnonzero([look.usable for look in looks])
    values = np.array([(look.estimate, look.se, look.df) for look in looks], dtype=float)
    of_plots = np.array([look.plots_df or look.df for look in looks], dtype=float)
    columns: dict[str, object] = {
        "number": number, "date": [look.date for look in looks],
        "estimate": values[:, 0], "se": values[:, 1], "df": values[:, 2],
        "plots_df": of_plots,
    }
    estimate, se, df = values[good].T
    information = 1.0 / se**2
    edges = {"naive_": np.full(good.size, norm.isf(alpha / 2.0))}
    edges["anytime_"] = edges[""] = np.zeros(0)
    if good.size:
        at = number[good].astype(float)
        edges["anytime_"] = always_z(information, alpha)
        edges[""] = boundary_z(
            information, at, float(of_plots[good].max()), planned, alpha, last)
        if planned is not None:
            edges[""] = np.where(at > planned, edges["anytime_"], edges[""])

    def at_looks(value: Array) -> Array:
        out = np.full(len(looks), np.nan)
        out[good] = value
        return out

    for name, z in edges.items():
        low, high = repeated_interval(estimate, se, df, z)
        columns[f"{name}low"], columns[f"{name}high"] = at_looks(low), at_looks(high)
    columns["statistic"] = at_looks(estimate / se)
    columns["boundary"] = at_looks(on_t_scale(edges[""], df))
    columns["z"] = at_looks(on_normal_scale(estimate / se, df))
    columns["z_boundary"] = at_looks(edges[""])
    return pd.DataFrame(columns)


def _hopeless(
    history: pd.DataFrame, planned: int | None, alpha: float, worthwhile: float | None,
    outlook: tuple[float | None, float | None],
) -> bool:
    """Whether the chance of settling has been too small for IN_A_ROW looks, the newest last.

    outlook: the chances at the newest look.  A chance not known is not small.
    """
    for back in range(IN_A_ROW):
        if back:
            outlook = chances(history.iloc[:-back], planned, alpha, worthwhile)
        known = [chance for chance in outlook if chance is not None]
        if not known or max(known) >= HOPELESS:
            return False
    return True


def _judge(history: pd.DataFrame, done: bool) -> tuple[State, int, date | None]:
    """State, direction and the date since which it has been so. done: more looks cannot or need
    not come. The newest look alone decides."""
    clear = (history["z"].abs() >= history["z_boundary"]).to_numpy(bool)
    side = np.sign(history["z"].fillna(0.0).to_numpy(float)) * clear
    if not side[-1]:
        return (UNSETTLED if done else KEEP), 0, None
    since = len(side) - 1
    while since > 0 and side[since - 1] == side[-1]:
        since -= 1
    return SETTLED, int(side[-1]), history["date"].iloc[since]


# ------------------------------------------------------------------------------------------------
# What more picks would bring: how information will grow, and the chance of settling it.
# ------------------------------------------------------------------------------------------------

FEWEST_LOOKS, SHARE_OF_PLAN = 6, 0.6
"""The chance of settling is worked out from the sixth look on, and after six tenths of the plan
(from the twelfth look without one). Before that, standard errors on a handful of plots are too
unsteady: called from the sixth look on, a season of 20 looks with one variety truly 1.5 times the
check was given up wrongly in 13 to 18 % of seasons, from the twelfth in 3 to 7 % (60 seasons
each, a single look below 10 %). Own choice; the rule as a whole (`looks.HOPELESS`) is measured in
tests/decide (looks_study.py --giving-up)."""

HORIZON = 20
"""Without a plan, the chance of settling is worked out over this many looks more. About a
season of picking twice a week; common practice, no source."""


def levelling_off(number: Array, se: Array) -> tuple[float, float]:
    """(a, b) of se_k^2 = a + b / k by least squares on the relative scale, both >= 0.

    a: the part that more picks do not shrink (plots); b: the part of one pick, in squared
    units of se. number: how many looks had been taken (1, 2, ...); se: standard error then.
    """
    variance = se**2
    columns = np.column_stack([1.0 / variance, 1.0 / (number * variance)])
    (a, b), _ = nnls(columns, np.ones(variance.size))
    return float(a), float(b)


def boundary_z(
    information: Array,
    number: Array,
    df: float,
    planned: int | None,
    alpha: float,
    last: bool = False,
) -> Array:
    """How large |Z| must be at each look: alpha spending with a plan, else anytime-valid.

    information: 1 / se^2 at each look; number: which look it was (1, 2, ...), both shape (k,).
    df: degrees of freedom of the first look. last: the final look closes the spending clock
    whatever its number.
    """
    if planned is None:
        return always_z(information, alpha)
    clock = np.minimum(number / planned, 1.0)
    if last:
        clock[-1] = 1.0
    return boundaries(information, clock, alpha_for_few_df(alpha, df)).z


def always_z(information: Array, alpha: float) -> Array:
    """The anytime boundary, tuned by the first look alone so that later looks cannot move it."""
    rho = mixture_rho(TUNED_AT * float(information[0]), alpha)
    return anytime_z(information, rho, alpha)


def chances(
    history: pd.DataFrame, planned: int | None, alpha: float, worthwhile: float | None
) -> tuple[float | None, float | None]:
    """Chance of settling at a later look: at the current trend, and if worthwhile.

    history: DataFrame[number, se, df, plots_df, z], one row a look, z on the normal scale.
    worthwhile: a true difference in units of the estimate. None where it is too early to judge, or
    too late.

    Information to come follows se^2 = a + b / k. Without a plan HORIZON more looks are assumed.
    A true difference of size d gives the t statistic the mean d sqrt(I); it is put on the
    normal scale through the t tail at the last look, as data are.
    """
    seen = history.dropna(subset=["z"])
    taken = int(history["number"].iloc[-1])
    end = taken + HORIZON if planned is None else planned
    fewest = max(FEWEST_LOOKS, SHARE_OF_PLAN * (HORIZON if planned is None else planned))
    if taken >= end or len(seen) < FEWEST_LOOKS or taken < fewest:
        return None, None
    number, se = seen["number"].to_numpy(float), seen["se"].to_numpy(float)
    a, b = levelling_off(number, se)
    ahead = np.arange(taken + 1, end + 1)
    now = 1.0 / se[-1] ** 2
    coming = now * (a + b / number[-1]) / (a + b / ahead)
    path = growing(np.concatenate([1.0 / se**2, coming]))
    first_df = float(seen["plots_df"].iloc[0])
    edges = boundary_z(path, np.concatenate([number, ahead]), first_df, planned, alpha)
    k = len(seen)
    z, df = float(seen["z"].iloc[-1]), float(seen["df"].iloc[-1])
    at_trend = conditional_power(z, path[k - 1], path[k:], edges[k:])
    if worthwhile is None:
        return at_trend, None
    size = float(on_normal_scale(worthwhile * np.sqrt(path[-1]), df) / np.sqrt(path[-1]))
    drift = size if z >= 0 else -size
    return at_trend, conditional_power(z, path[k - 1], path[k:], edges[k:], drift)


# ------------------------------------------------------------------------------------------------
# What a LooksResult says, in one line and in full, for a grower.
# ------------------------------------------------------------------------------------------------

MORE_PLOTS = "More plots next year, rather than more picks, would settle it."


def one_line(result: LooksResult) -> str:
    """One sentence: the state and the number that carries it."""
    left, right = result.names
    if math.isnan(result.estimate):
        return "No comparison can be made yet: keep picking."
    if result.state == "settled":
        ahead, behind = (left, right) if result.direction > 0 else (right, left)
        return f"Settled: {ahead} is ahead of {behind}, {_size(result)}."
    if result.alike:
        return f"{left} and {right} are alike: {_size(result)}."
    if result.state == "keep picking":
        return f"Not settled yet, keep picking: {left} to {right}, {_size(result)}."
    return f"Will not be settled this season: {left} to {right}, {_size(result)}."


def full_text(result: LooksResult) -> str:
    """A paragraph: the state, why, what the interval means, and what to expect of more picks."""
    parts = [one_line(result), _rule(result)]
    if not math.isnan(result.estimate):
        parts.append(_check_on_settled(result))
        parts.append(_what_more_picks_bring(result))
    return " ".join(part for part in parts if part)


def _size(result: LooksResult) -> str:
    """The estimate with its interval, from the side of the one ahead once settled."""
    estimate, low, high = result.estimate, result.low, result.high
    if result.direction < 0:
        estimate, low, high = -estimate, -high, -low
    if not _worth_showing(result, low, high):
        return f"{_number(result, estimate)} so far, too early to say within what limits"
    return f"{_number(result, estimate)} ({_bare(result, low)} to {_bare(result, high)})"


def _worth_showing(result: LooksResult, low: float, high: float) -> bool:
    """Whether the limits say anything: a ratio known to worse than 100 times does not."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return False
    return result.scale != "ratio" or (high - low) / 2.0 < math.log(100.0)


def _number(result: LooksResult, value: float) -> str:
    if result.scale == "ratio":
        return f"{_bare(result, value)} times"
    unit = f" {result.unit}" if result.unit else ""
    return f"{_bare(result, value)}{unit}"


def _bare(result: LooksResult, value: float) -> str:
    """Two figures: 0.27, 1.4, 23."""
    shown = math.exp(value) if result.scale == "ratio" else value
    size = abs(shown)
    if size == 0.0 or not math.isfinite(size):
        return f"{shown:.0f}"
    places = max(0, 1 - math.floor(math.log10(size)))
    return f"{shown:.{min(places, 4)}f}"


def _rule(result: LooksResult) -> str:
    """Which rule decided, and what its interval promises."""
    error = f"{100 * result.alpha:.3g} %"
    if result.shared_by > 1:
        error = (
            f"{error} of the time ({100 * result.together:.3g} % for all "
            f"{result.shared_by} comparisons together)"
        )
    else:
        error += " of the time"
    if result.planned is None:
        return (
            "The number of looks was not planned, so the interval is one that holds however "
            f"often and whenever you look: over all looks together it misses the truth at most "
            f"{error}. An interval for a single look would be narrower and, looked "
            "at after every pick, would too often name a winner that is none."
        )
    over = result.looks > result.planned
    beyond = (
        f" All {result.planned} planned looks are used up; a later look is judged by the "
        "interval that holds however many there are."
        if over
        else ""
    )
    return (
        f"This is look {result.looks} of {result.planned} planned. The interval is widened so that "
        f"over all planned looks together a difference is claimed where there is none at most "
        f"{error}; early looks must be much clearer than late ones.{beyond}"
    )


def _check_on_settled(result: LooksResult) -> str:
    """Since when the looks have said so."""
    if result.state != "settled" or result.settled_on is None:
        return ""
    return f"So since {result.settled_on.day} {result.settled_on:%B %Y}."


def _what_more_picks_bring(result: LooksResult) -> str:
    """Conditional power in words."""
    if result.state == "settled":
        return ""
    if result.alike and result.alike_within is not None:
        return (
            f"Whatever difference there is, it is smaller than the "
            f"{_number(result, result.alike_within)} that would matter."
        )
    if result.over:
        return f"No look is left. {MORE_PLOTS}"
    if result.chance_at_trend is None:
        return "It is too early to say what more picks will bring."
    horizon = "by the last planned look" if result.planned else "with many more picks"
    chance = (
        f"If things go on as they are, the chance of settling it {horizon} is "
        f"{_percent(result.chance_at_trend)}"
    )
    if result.chance_if_worthwhile is not None and result.worthwhile is not None:
        size = _number(result, result.worthwhile)
        chance += f"; if the true difference were {size}, {_percent(result.chance_if_worthwhile)}"
    return f"{chance}." if result.state == "keep picking" else f"{chance}. {MORE_PLOTS}"


def _percent(chance: float) -> str:
    said = percent(chance)
    return f"about {said}" if said[0].isdigit() else said
