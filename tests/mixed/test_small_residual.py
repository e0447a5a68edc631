"""A residual that is far below the groupings' spread, against the balanced analysis of variance
(blocks by varieties: Cochran & Cox 1957, Experimental Designs, section 4.2), and none at all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from trialkit.mixed import MixedModelError, fit_lmm


def layout(noise: float) -> pd.DataFrame:
    rng = np.random.default_rng(0)
    data = pd.DataFrame({"v": np.repeat(list("ABC"), 8), "block": np.tile(list("wxyz"), 6)})
    blocks = dict(zip("wxyz", rng.normal(size=4), strict=True))
    even = data["v"].map({"A": 1.0, "B": 2.0, "C": 3.5}) + data["block"].map(blocks)
    return data.assign(y=even + noise * rng.normal(size=24))


@pytest.mark.parametrize("noise", [0.1, 1e-3, 1e-4, 1e-5, 5e-6])
def test_estimates_are_those_of_the_analysis_of_variance(noise: float):
    data = layout(noise)
    fit = fit_lmm("y ~ v", data, groups=["block"])
    mean = data["y"].mean()
    blocks, varieties = (data["y"].groupby(data[c]).transform("mean") for c in ("block", "v"))
    error = float(((data["y"] - blocks - varieties + mean) ** 2).sum()) / 18
    between = 6 * data.groupby("block")["y"].mean().var(ddof=1)
    assert_allclose(fit.residual_sd, np.sqrt(error), rtol=1e-4)
    assert_allclose(fit.group_sd["block"], np.sqrt((between - error) / 6), rtol=1e-4)


@pytest.mark.parametrize("noise", [0.0, 1e-13, 1e-10, 1e-8])
def test_no_error_at_all_is_said_in_words(noise: float):
    with pytest.raises(MixedModelError, match="reproduce 'y' but for the rounding"):
        fit_lmm("y ~ v", layout(noise), groups=["block"])
