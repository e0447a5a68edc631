"""The smallest randomised blocks: where no variance is zero, Kenward-Roger's F and df are those of
the analysis of variance (statsmodels' ols and anova_lm), also at df 2 and 4, where a ratio in the
method's formulas has no finite value."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from trialkit.mixed import fit_lmm


@pytest.mark.parametrize(("varieties", "blocks"), [(3, 3), (2, 5), (5, 2), (2, 3), (3, 2), (2, 2)])
def test_balanced_blocks(varieties: int, blocks: int) -> None:
    df = (varieties - 1) * (blocks - 1)
    inside = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        level = rng.normal(0.0, 3.0, blocks)
        rows = [(f"V{i}", f"B{j}", level[j] + rng.normal()) for i in range(varieties)
                for j in range(blocks)]
        data = pd.DataFrame(rows, columns=["variety", "block", "y"])
        fit = fit_lmm("y ~ variety", data, groups=["block"])
        if fit.boundary:
            continue
        inside += 1
        test = fit.f_test("variety")
        want = anova_lm(ols("y ~ C(block) + C(variety)", data).fit()).loc["C(variety)", "F"]
        assert test["F"] == pytest.approx(want, rel=1e-6)
        assert test["den_df"] == pytest.approx(df, rel=1e-6)
        assert fit.compare("variety")["df"].to_numpy() == pytest.approx(df, rel=1e-6)
    assert inside >= 6
