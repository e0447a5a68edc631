"""What more picks would bring: how information will grow, and the chance of settling it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from trialkit.decide.anytime import TUNED_AT, anytime_z, mixture_rho
from trialkit.decide.crossing import Array, growing
from trialkit.decide.spending import (
    alpha_for_few_df,
    boundaries,
    conditional_power,
    on_normal_scale,
)

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

    history: DataFrame[number, se, df, z], one row a look, z on the normal scale. worthwhile: a
    true difference in units of the estimate. None where it is too early to judge, or too late.

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
    first_df = float(seen["df"].iloc[0])
    edges = boundary_z(path, np.concatenate([number, ahead]), first_df, planned, alpha)
    k = len(seen)
    z, df = float(seen["z"].iloc[-1]), float(seen["df"].iloc[-1])
    at_trend = conditional_power(z, path[k - 1], path[k:], edges[k:])
    if worthwhile is None:
        return at_trend, None
    size = float(on_normal_scale(worthwhile * np.sqrt(path[-1]), df) / np.sqrt(path[-1]))
    drift = size if z >= 0 else -size
    return at_trend, conditional_power(z, path[k - 1], path[k:], edges[k:], drift)
