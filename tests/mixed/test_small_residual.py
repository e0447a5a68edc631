"""A residual that is far below the groupings' spread, against the balanced analysis of variance
(blocks by varieties: Cochran & Cox 1957, Experimental Designs, section 4.2), and none at all."""

from __future__ import annotations

from contextlib import nullcontext, suppress

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


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 15])
@pytest.mark.parametrize("noise", [1e-3, 1e-5, 5e-6, 1e-6])
def test_a_search_with_two_groupings_ends_at_the_least_or_says_so(noise: float, seed: int):
    # varieties are tested by the plots' mean square, known from the plots' means alone, pooled with
    # the blocks' where REML has no variance for those (Cochran & Cox 1957, section 4.2)
    rng = np.random.default_rng(seed)
    cells = [(b, v) for b in "klmno" for v in "ABC" for _ in range(12)]
    data = pd.DataFrame(cells, columns=["block", "v"]).assign(plot=lambda d: d["block"] + d["v"])
    y = np.zeros(len(data))
    for column, sd in (("v", 1.0), ("block", 0.5), ("plot", 0.4)):
        names = data[column].unique()
        y += data[column].map(dict(zip(names, sd * rng.normal(size=len(names)), strict=True)))
    data["y"] = y + noise * rng.normal(size=len(data))
    table = data.pivot_table(index="block", columns="v", values="y")
    left = table.sub(table.mean(axis=1), axis=0).sub(table.mean(axis=0), axis=1)
    squares = float(((left + table.to_numpy().mean()) ** 2).to_numpy().sum())
    between = 12 * table.mean(axis=1).var(ddof=1)  # of 4 df; pooled where less than the error
    error = squares / 8 if between / 4 > squares / 8 else (squares + between) / 12
    expected = 5 * table.mean(axis=0).var(ddof=1) / error
    found = expected
    refusal = nullcontext() if noise > 1e-6 else suppress(MixedModelError)
    with refusal:
        found = fit_lmm("y ~ v", data, groups=["block", "plot"]).f_test("v")["F"]
    assert_allclose(found, expected, rtol=5e-3)


def test_effects_that_leave_no_record_over_are_said_to():
    """Six records, three fixed effects, one plot of two records that the covariate tells apart: the
    likelihood is flat all the way to no residual at all, so any value of it would be made up."""
    data = pd.DataFrame({"v": list("bbbbaa"), "b": list("102112"),
                         "x": [-3.1043, -0.4727, 0.1005, -1.454, -0.2995, 1.7124],
                         "y": [0.5384, -1.2427, 0.7677, 0.7799, 0.8309, 0.5757]})  # fmt: skip
    data["plot"] = data["v"] + data["b"]
    with pytest.raises(MixedModelError, match="no error is left"):
        fit_lmm("y ~ v + x", data, groups=["b", "plot"])
