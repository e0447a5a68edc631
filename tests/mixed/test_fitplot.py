"""Pictures of a fit show its own numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from trialkit.mixed import MixedModelError, fit_glmm, fit_lmm, fit_ordered

DATA = Path(__file__).parent / "reference" / "data"


def points(axis: Any) -> np.ndarray:
    return np.asarray(axis.collections[0].get_offsets())


def test_residuals_stand_over_the_fitted_values() -> None:
    data = pd.read_csv(DATA / "sleepstudy.csv")
    fit = fit_lmm("reaction ~ days", data, slopes={"subject": ["days"]})
    left, right = fit.plot().axes
    assert_allclose(points(left), np.column_stack([fit.fitted, fit.residuals("pearson")]))
    drawn = np.asarray(right.collections[-1].get_offsets())
    assert_allclose(drawn[:, 1], np.sort(fit.residuals("pearson")))
    band = right.collections[0].get_paths()[0].vertices
    assert band[:, 1].min() < -2.5
    assert band[:, 1].max() > 2.5


def test_effects_stand_in_order_with_their_limits() -> None:
    data = pd.read_csv(DATA / "grouseticks.csv")
    fit = fit_glmm("ticks ~ year", data, "negative-binomial", groups=["location"])
    (axis,) = fit.plot("effects").axes
    effects, errors = fit.random_effects["location"], fit.random_effect_se()["location"]
    order = effects["Intercept"].argsort()
    assert_allclose(axis.lines[0].get_xdata(), effects["Intercept"].iloc[order])
    lengths = [np.ptp(s[:, 0]) for s in axis.collections[0].get_segments()]
    assert_allclose(lengths, 2 * 1.959964 * errors["Intercept"].iloc[order], rtol=1e-6)


def test_what_cannot_be_drawn_is_said() -> None:
    wine = pd.read_csv(DATA / "wine.csv")
    fit = fit_ordered("rating ~ temp", wine, groups=["judge"])
    with pytest.raises(MixedModelError, match="ordered scores"):
        fit.plot()
    with pytest.raises(MixedModelError, match="'bottle' is not a grouping of this fit: judge"):
        fit.plot("effects", "bottle")
    with pytest.raises(MixedModelError, match="'qq' is not one of: residuals, effects"):
        fit.plot("qq")
    with pytest.raises(MixedModelError, match="no groupings"):
        fit_lmm("rating ~ temp", wine).plot("effects")
