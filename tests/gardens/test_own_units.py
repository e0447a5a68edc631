"""A season of weights is told in the gardeners' unit: 1 lb is 453.59237 g exactly (1959)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from season_trials import first

from trialkit.gardens.second import second_stage

POUND = 453.59237


def trials(*units: str):
    rng = np.random.default_rng(4)
    joint = 900.0 * np.eye(3) + 400.0
    return [first(rng.normal([900, 1000, 1200], 40), joint, name=f"t{n}", garden=f"G{n}",
                  scale="linear", weight_unit=unit) for n, unit in enumerate(units)]


def test_one_unit_of_all_is_that_of_the_season():
    grams, pounds = second_stage(trials(*["g"] * 5)), second_stage(trials(*["lb"] * 5))
    assert (grams.unit, pounds.unit) == ("g", "lb")
    columns = ["estimate", "low", "high", "new_low", "new_high"]
    pd.testing.assert_frame_equal(pounds.overall[columns] * POUND, grams.overall[columns],
                                  rtol=1e-4)
    assert pounds.overall["df"].tolist() == pytest.approx(grams.overall["df"].tolist(), rel=1e-3,
                                                        nan_ok=True)
    assert "V2 gave 0.66 lb (0.49 to 0.84) more than V0" in pounds.answer
    assert " g " not in pounds.answer


def test_gardens_that_weigh_in_different_units_are_told_in_grams():
    mixed = second_stage(trials("lb", "g", "oz", "lb", "kg"))
    assert mixed.unit == "g"
    assert mixed.overall["estimate"].tolist() == pytest.approx(
        second_stage(trials(*["g"] * 5)).overall["estimate"].tolist())
