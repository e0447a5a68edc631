"""The simulation studies beside this file in small: coverage of the intervals of the season.

The full tables, with their commands, are in README.md.  Here each answer must come within four
Monte Carlo errors of the band it is held to.
"""

from __future__ import annotations

import height_study
import numpy as np
import pytest
import slump_study
import window_study


def within(share: float, seasons: int, low: float = 93.0, high: float = 97.0) -> bool:
    slack = 4 * 100 * np.sqrt(0.95 * 0.05 / seasons)
    return low - slack <= share <= high + slack


def test_truths_of_the_studies_by_hand():
    # the logistic curve at its middle is half its final height; a fall by a cosine is half way
    # down a quarter of the way along
    assert float(height_study.share(45.0)) == 0.5
    assert height_study.passed(250.0) == pytest.approx(45 + 10 * np.log(4))
    assert np.isinf(height_study.passed(199.0))
    assert float(slump_study.share("Dips", 83.0)) == pytest.approx(0.7)
    assert float(slump_study.share("Lasting", 120.0)) == pytest.approx(0.4)
    assert float(slump_study.share("Dips", slump_study.back("Dips"))) == pytest.approx(0.75)
    # 110 pods over 64 days if 1.2 a day fell by 1/e in 66 days and every date was average
    assert window_study.within("Never", np.ones(16)) == pytest.approx(
        7 / 64 * sum(window_study.rate("Never", d - 2) * 4 for d in range(50, 111, 4)))
    assert window_study.closes("Early") == pytest.approx(45 - 10 * np.log(260 / 200 - 1))


@pytest.mark.slow
@pytest.mark.parametrize("blocks", [3, 4])
def test_heights_and_days_out_of_reach(blocks):
    garden = next(g for g in height_study.GARDENS if g.blocks == blocks)
    found = height_study.study(garden, 150).set_index("what")
    for what, row in found.iterrows():
        # two of the varieties never pass reach: their interval can only miss on one side
        high = 100.0 if str(what).endswith(("Edge", "Short")) else 97.0
        assert within(row["coverage"], 150, high=high), (what, row["coverage"])


@pytest.mark.slow
def test_windows_and_pods_within_reach():
    found = window_study.study(4, 100).set_index("what")
    for what, row in found.iterrows():
        assert within(row["coverage"], 100, high=100.0), (what, row["coverage"])


@pytest.mark.slow
def test_slumps_and_recoveries():
    found = slump_study.study(4, 100).set_index("what")["share"]
    assert found["a slump is told, Even"] < 20
    assert found["a slump is told, Dips"] > 90
    assert found["no recovery yet, Lasting"] > 85
    for what in ("depth held, Dips", "depth held, Lasting", "day of recovery held, Dips"):
        assert within(found[what], 100, high=100.0)
