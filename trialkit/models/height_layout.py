"""Mean height curves as the layout asks: varieties between plots, treatments where they were."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trialkit.models.growth import UnitCurves
from trialkit.models.plot_curves import (
    TESTS,
    Fitted,
    MeanCurves,
    Stratum,
    centred,
    fitted,
    indicators,
    relative,
    term_test,
)
from trialkit.models.smooth import Floats

PLOTS, PARTS = "plots", "parts of plots"


@dataclass(frozen=True)
class Layout:
    """varieties: their mean curves.  cells: curves of each variety under each treatment, with
    `named` (variety, treatment) in the same order; treatments: over the varieties, compared by
    `between` (the error of their differences).  tests: TESTS, on the day compared."""

    varieties: MeanCurves
    cells: MeanCurves | None = None
    named: tuple[tuple[str, str], ...] = ()
    treatments: MeanCurves | None = None
    between: MeanCurves | None = None
    tests: pd.DataFrame | None = None
    formula: str = "variety"


def plain(curves: UnitCurves, varieties: list[str], df: float, blocked: bool) -> Layout:
    """No treatment: variety and block.  df: of the layout.  blocked: whether blocks are used."""
    x = indicators(curves.units["variety"], varieties)
    rows = np.eye(len(varieties))
    places = _blocks(curves.units) if blocked else np.zeros((len(x), 0))
    fit = fitted(curves.value, np.hstack([x, places]), _wide(rows, places))
    stratum = _between(curves, fit, df, x @ fit.value)
    means = MeanCurves(tuple(varieties), curves.days, fit.value, (stratum,))
    return Layout(means, formula="variety + block" if places.size else "variety")


def whole_plots(
    curves: UnitCurves, varieties: list[str], levels: list[str], df: float, blocked: bool
) -> Layout:
    """Treatments given to whole plots: one error.  The interaction where all combinations are
    there more than once, else variety and treatment alone."""
    units = curves.units
    v, t = len(varieties), len(levels)
    of_v, of_t = indicators(units["variety"], varieties), centred(units["treatment"], levels)
    places = _blocks(units) if blocked else np.zeros((len(units), 0))
    counts = of_v.T @ indicators(units["treatment"], levels)
    crossed = bool(counts.min() > 1)
    both = _products(of_v, of_t) if crossed else of_t
    table = np.vstack([np.eye(t - 1), -np.ones((1, t - 1))])
    at_v, at_t = np.repeat(np.eye(v), t, axis=0), np.tile(table, (v, 1))
    rows = np.hstack([at_v, _products(at_v, at_t) if crossed else at_t])
    named = tuple((one, level) for one in varieties for level in levels)
    x = np.hstack([of_v, both, places])
    fit = fitted(curves.value, x, _wide(rows, places))
    given = indicators(units["treatment"], levels)
    of_units = _products(of_v, given) @ fit.value

    def mean_of(average: Floats, names: tuple[str, ...]) -> MeanCurves:
        own = fitted(curves.value, x, _wide(average @ rows, places))
        return MeanCurves(names, curves.days, own.value, (_between(curves, own, df, of_units),))

    over = np.tile(np.eye(t), (1, v)) / v
    treatments = mean_of(over, tuple(levels))
    cells = MeanCurves(tuple(f"{a}, {b}" for a, b in named), curves.days, fit.value,
                       (_between(curves, fit, df, of_units),))
    one = np.ones((len(units), 1))
    c_v = centred(units["variety"], varieties)
    terms = {"variety": c_v, "treatment": of_t}
    if crossed:
        terms["variety x treatment"] = _products(c_v, of_t)
    last = curves.value[:, curves.at]
    whole = np.hstack([one, *terms.values(), places])
    tests = [term_test(name, last, whole, np.hstack(
        [one, *(terms[k] for k in terms if k != name), places]), PLOTS) for name in terms]
    star = "variety * treatment" if crossed else "variety + treatment"
    return Layout(mean_of(np.repeat(np.eye(v), t, axis=1) / t, tuple(varieties)), cells, named,
                  treatments, treatments, pd.DataFrame(tests, columns=TESTS),
                  f"{star} + block" if places.size else star)


def split_plots(
    curves: UnitCurves, varieties: list[str], levels: list[str], df: float, blocked: bool
) -> Layout:
    """Treatments within plots: two errors (Cochran & Cox 1957, Experimental Designs, ch. 7)."""
    parts, t = curves.units, len(levels)
    mains = sorted(parts["main"].unique())
    of_main = indicators(parts["main"], mains)
    of_v, of_t = indicators(parts["variety"], varieties), centred(parts["treatment"], levels)
    both = _products(of_v, of_t)
    table = np.vstack([np.eye(t - 1), -np.ones((1, t - 1))])
    v = len(varieties)
    at_v, at_t = np.repeat(np.eye(v), t, axis=0), np.tile(table, (v, 1))
    rows = np.hstack([np.zeros((v * t, len(mains))), _products(at_v, at_t)])
    x = np.hstack([of_main, both])
    within = fitted(curves.value, x, rows)
    effect = x[:, len(mains):] @ (np.linalg.pinv(x) @ curves.value)[len(mains):]
    # A plot's own curve: mean of its parts, each brought to the average of the treatments.
    level = np.linalg.pinv(of_main) @ (curves.value - effect)
    plots = parts.groupby("main", sort=True).first().loc[mains].reset_index()
    own = replace(curves, units=plots, value=level)
    base = plain(own, varieties, df, blocked)
    spread = np.repeat(np.eye(v), t, axis=0)  # (cells, v)
    named = tuple((one, lev) for one in varieties for lev in levels)
    over = np.tile(np.eye(t), (1, v)) / v
    value = spread @ base.varieties.value + within.value
    of_parts = _products(of_v, indicators(parts["treatment"], levels)) @ value
    average_day = of_parts.mean(axis=0)
    main = base.varieties.strata[0]
    sub = within.stratum(np.inf, relative(of_parts, average_day, curves.proportional),
                         np.ones_like(value))

    def mean_of(average: Floats, names: tuple[str, ...]) -> MeanCurves:
        lift = average @ spread
        scale = relative(average @ value, average_day, curves.proportional)
        strata = (Stratum(lift @ main.joins @ lift.T, main.sides, main.df, scale),
                  Stratum(average @ sub.joins @ average.T, sub.sides, sub.df, scale))
        return MeanCurves(names, curves.days, average @ value, strata)

    cells = mean_of(np.eye(v * t), tuple(f"{a}, {b}" for a, b in named))
    between = MeanCurves(tuple(levels), curves.days, over @ value,
                         (Stratum(over @ sub.joins @ over.T, sub.sides, sub.df,
                                  np.ones((t, len(curves.days)))),))
    places = _blocks(plots) if blocked else np.zeros((len(plots), 0))
    one, c_v = np.ones((len(plots), 1)), centred(plots["variety"], varieties)
    last = curves.value[:, curves.at]
    c_both = _products(centred(parts["variety"], varieties), of_t)
    tests = [
        term_test("variety", level[:, curves.at], np.hstack([one, c_v, places]),
                  np.hstack([one, places]), PLOTS),
        term_test("treatment", last, np.hstack([of_main, of_t, c_both]),
                  np.hstack([of_main, c_both]), PARTS),
        term_test("variety x treatment", last, np.hstack([of_main, of_t, c_both]),
                  np.hstack([of_main, of_t]), PARTS),
    ]
    return Layout(base.varieties, cells, named, mean_of(over, tuple(levels)), between,
                  pd.DataFrame(tests, columns=TESTS),
                  f"{base.formula}; within plots treatment + variety:treatment")


def _between(curves: UnitCurves, fit: Fitted, df: float, of_units: Floats) -> Stratum:
    """The error between units; of_units: what the fit says of each unit's height, (u, d)."""
    average = of_units.mean(axis=0)
    return fit.stratum(df, relative(of_units, average, curves.proportional),
                       relative(fit.value, average, curves.proportional))


def _blocks(units: pd.DataFrame) -> Floats:
    return centred(units["block"], sorted(units["block"].unique()))


def _products(left: Floats, right: Floats) -> Floats:
    """Every column of left times every column of right, (n, a * b)."""
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def _wide(rows: Floats, places: Floats) -> Floats:
    """rows with zeros for the blocks: means at the average block."""
    return np.hstack([rows, np.zeros((len(rows), places.shape[1]))])
