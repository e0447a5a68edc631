"""A height measured once: no curve, the layout's plain comparison of that day."""

from __future__ import annotations

import pandas as pd
import pytest
from seasons import day, records

from trialkit.models import analyse


def test_heights_of_one_day_give_nearly_tukeys_intervals() -> None:
    # PlantGrowth, 30 plants (Dobson 1983, Introduction to Statistical Modelling), its figures taken
    # as cm; Tukey's intervals as in the example of R's TukeyHSD.
    figures = {
        "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
        "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
        "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
    }
    rows = [(f"{v}{i}", v, 3 * i + k + 1.0, x) for k, (v, xs) in enumerate(figures.items())
            for i, x in enumerate(xs)]
    table = pd.DataFrame(rows, columns=["plant", "variety", "row", "height_cm"])
    plants = table[["plant", "variety", "row"]].assign(
        block=pd.NA, plot=table["plant"], column=1.0, treatment=pd.NA, lost=pd.NaT,
        lost_reason=pd.NA).astype({"lost": "datetime64[ns]"})
    heights = table[["plant", "height_cm"]].assign(date=day(60))
    height = analyse(records(plants, heights=heights, check="ctrl", reach=6.0)).height
    assert height.means["estimate"].to_list() == pytest.approx([5.032, 4.661, 5.526], abs=1e-9)
    pair = height.pairs.set_index(["left", "right"]).loc[("trt1", "trt2")]
    assert pair["estimate"] == pytest.approx(-0.865, abs=1e-9)
    # The error between plots grows with the height, so that its limits are those of TukeyHSD
    # (0.174 to 1.556) with a standard error of these two varieties' own.
    assert pair["df"] == 27
    assert (-pair["high"], -pair["low"]) == pytest.approx((0.1737839, 1.5562161), abs=0.015)
    assert pair["p"] == pytest.approx(0.0120064, abs=0.002)
    assert height.curve["date"].nunique() == 1
    assert height.growth.empty or height.growth["estimate"].isna().all()
