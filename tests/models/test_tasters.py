"""Tastings against published sensory sets in R (reference/tasting.R) and the triangle test's table.

wine: bitterness of wine (Randall 1989, Biom. J. 31:247), R's ordinal::clmm.  ham: 81 consumers'
liking of four hams, lmerTest::ham, R's lmer with emmeans.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from trialkit.models.own import fewest_right, tasting_result, triangle_test

HERE = Path(__file__).parent
EXPECTED = json.loads((HERE / "reference" / "tasting.json").read_text())
# Fewest right answers at 5 %, by number of assessors: ISO 4120, table A.1 (from memory).
ISO_4120 = {6: 5, 7: 5, 8: 6, 9: 6, 10: 7, 12: 8, 15: 9, 18: 10, 20: 11, 24: 13, 30: 15, 36: 18}


def wine() -> pd.DataFrame:
    data = pd.read_csv(HERE.parent / "mixed" / "reference" / "data" / "wine.csv")
    return pd.DataFrame({"taster": data["judge"], "score": data["rating"],
                         "variety": data["temp"] + " " + data["contact"]})


def test_ordered_scores_agree_with_r() -> None:
    data = wine()
    data["serving"] = data.groupby(["taster", "variety"]).cumcount()
    # R's model has judges alone; so here, where a judge's two servings are two tasters' columns.
    from trialkit.mixed import fit_ordered

    full = fit_ordered("score ~ variety", data, groups=["taster"])
    none = fit_ordered("score ~ 1", data, groups=["taster"])
    assert_allclose(full.effects, list(EXPECTED["wine"]["effects"].values()), rtol=1e-3)
    assert_allclose(2 * (full.log_likelihood - none.log_likelihood),
                    EXPECTED["wine"]["statistic"], rtol=1e-4)
    once = data[data["serving"] == 0].drop(columns="serving")
    result = tasting_result(once, "bitterness")
    assert result.df == 3
    assert result.p < 0.001
    assert result.means["variety"].iloc[0] == "warm yes"


def test_scores_as_numbers_agree_with_r() -> None:
    result = tasting_result(pd.read_csv(HERE / "reference" / "ham.csv"), "liking")
    means = result.means.set_index("variety")[["estimate", "low", "high"]]
    for name, values in EXPECTED["ham"]["means"].items():
        assert_allclose(means.loc[name], values, atol=2e-3)
    pairs = {f"{r.left} - {r.right}": [r.estimate, r.low, r.high]
             for r in result.pairs.itertuples()}
    for name in ("P1 - P2", "P2 - P3", "P2 - P4"):
        assert_allclose(pairs[name], EXPECTED["ham"][name], atol=2e-3)
    assert "P3 above P2 by 1.0" in result.text
    assert "P1 above" not in result.text


@pytest.mark.parametrize(("tasted", "needed"), ISO_4120.items())
def test_a_triangle_tests_fewest_right_answers(tasted: int, needed: int) -> None:
    assert fewest_right(tasted) == needed
    assert triangle_test(needed, tasted) <= 0.05 < triangle_test(needed - 1, tasted)


def test_two_tasters_can_show_nothing() -> None:
    assert fewest_right(2) is None
    with pytest.raises(ValueError, match="cannot be"):
        triangle_test(4, 3)


@pytest.mark.slow
def test_alike_varieties_are_seldom_told_apart() -> None:
    rng = np.random.default_rng(8)
    false = 0
    for _ in range(100):
        taster = np.repeat(np.arange(10), 4)
        score = np.clip(np.round(5 + rng.normal(0, 1, 10)[taster] + rng.normal(0, 1.2, 40)), 1, 9)
        data = pd.DataFrame({"taster": taster, "variety": list("ABCD") * 10, "score": score})
        false += " above " in tasting_result(data, "liking").text
    assert false <= 11  # binomial: 12 or more of 100 at 5 % has chance 0.004


@pytest.mark.parametrize(("scores", "word"), [
    ([5, 6, 5, 6], "2 tasters"), ([5] * 8, "every score is the same"),
])
def test_too_little_is_said(scores: list[int], word: str) -> None:
    n = len(scores) // 2
    data = pd.DataFrame({"taster": np.repeat(range(n), 2), "variety": ["A", "B"] * n,
                         "score": scores})
    with pytest.raises(ValueError, match=word):
        tasting_result(data, "liking")
