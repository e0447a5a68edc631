"""Predictions and draws from a fitted model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grid import design_rows
from trialkit.mixed.grouping import Floats, column, finite_numbers

if TYPE_CHECKING:
    from trialkit.mixed.lmm import LMM


def fixed_prediction(part: FixedPart, beta: Floats, newdata: pd.DataFrame) -> Floats:
    """X b for new records; NaN where the old records hold nothing on that combination.

    Raises MixedModelError on unknown columns and on levels the model has not seen.
    """
    for name, levels in part.factors.items():
        values = column(newdata, name, "variable")
        unknown = sorted({str(v) for v in values.unique() if v not in levels})
        if unknown:
            raise MixedModelError(
                f"variable '{name}' has levels the model has not seen: {', '.join(unknown)}. "
                f"Known: {', '.join(str(v) for v in levels)}."
            )
    for name in part.covariates:
        finite_numbers(column(newdata, name, "variable"), name, "variable")
    rows = design_rows(part, newdata)
    if len(rows) != len(newdata):
        rows = np.repeat(rows[:1], len(newdata), axis=0)
    out: Floats = rows[:, part.kept] @ beta
    out[~part.estimable(rows)] = np.nan
    return out


def random_prediction(random: RandomPart, effects: list[Floats], newdata: pd.DataFrame) -> Floats:
    """Z b for new records; a level not seen before, or a factor not in newdata,
    counts as average (zero)."""
    out = np.zeros(len(newdata))
    for g, b in zip(random.groupings, effects, strict=True):
        names = [p.strip() for p in g.name.split(":")]
        if g.name in newdata.columns:
            keys = pd.Index(newdata[g.name])
        elif not set(names) <= set(newdata.columns):
            continue
        else:
            parts = [newdata[p].astype(str) for p in names]
            joined = parts[0]
            for part in parts[1:]:
                joined = joined + ":" + part
            keys = pd.Index(joined)
        at = g.levels.get_indexer(keys)
        seen = at >= 0
        for a, name in enumerate(g.columns):
            add = np.where(seen, b[:, a][at], 0.0)
            if a > 0:
                add = add * finite_numbers(column(newdata, name, "slope"), name, "slope")
            out += add
    return out


def predict_linear(fit: LMM, newdata: pd.DataFrame | None, *, random: bool) -> Floats:
    if newdata is None:
        if random:
            return fit.fitted
        return fit.fixed_part()
    out = fixed_prediction(fit.part, fit._beta, newdata)
    return out + random_prediction(fit.random, fit._effects, newdata) if random else out


def draw_effects(
    random: RandomPart, factors: list[Floats], rng: np.random.Generator
) -> list[Floats]:
    """New effects of every grouping, covariance factor @ factor.T."""
    return [
        rng.standard_normal((g.n_levels, g.k)) @ f.T
        for g, f in zip(random.groupings, factors, strict=True)
    ]


def simulate_linear(fit: LMM, seed: int | np.random.Generator, times: int) -> Floats:
    rng = np.random.default_rng(seed)
    mean = predict_linear(fit, None, random=False)
    factors = [fit.residual_sd * f for f in fit.solved.factors]
    root = 1.0 if fit.weights is None else 1.0 / np.sqrt(fit.weights)
    out = np.empty((times, fit.n))
    for row in out:
        row[:] = mean + fit.residual_sd * root * rng.standard_normal(fit.n)
        if fit.random.groupings:
            row += fit.random.times(draw_effects(fit.random, factors, rng))
    return out
