"""A published set of trials, against R and against printed figures.

Data: Immer, Hayes & Powers (1934), J. Am. Soc. Agron. 26:403, ten barleys at six sites in two
years, one mean a variety and trial (data/barley-minnesota), and five of them as carried by R's
MASS package as `immer`.  Reference values: reference/barley.json, made by
reference/make_barley.R with lme4, emmeans and pbkrtest.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from season_trials import first

from trialkit.gardens.differences import pairwise_differences
from trialkit.gardens.interaction import additive, stability
from trialkit.gardens.season import combine, season
from trialkit.gardens.stage_one import TrialMeans, trial_means
from trialkit.gardens.stage_two import fit_stage_two, gather
from trialkit.models.results import compare

FOLDERS = sorted((Path(__file__).parents[2] / "data" / "barley-minnesota").iterdir())
R = json.loads((Path(__file__).parent / "reference" / "barley.json").read_text())


@pytest.fixture(scope="module")
def firsts() -> list[TrialMeans]:
    found = [trial_means(folder, words=False) for folder in FOLDERS]
    assert all(isinstance(one, TrialMeans) for one in found)
    return found


def pair_of(contrast: str) -> tuple[str, str]:
    left, right = (name.strip("() ") for name in contrast.split(" - "))
    return left, right


def test_six_sites_and_two_years_as_lme4_and_emmeans_have_them(firsts):
    """yield ~ variety + trial + (1 | variety:site) + (1 | variety:year), Kenward-Roger."""
    rows = gather(firsts)
    second = fit_stage_two(rows)
    sd = R["mixed"]["sd"]
    assert second.terms["variety x garden"] == pytest.approx(sd["variety:site"], abs=1e-4)
    assert second.terms["variety x year"] == pytest.approx(sd["variety:year"], abs=1e-4)
    assert second.terms["variety x trial"] == pytest.approx(sd["Residual"], abs=1e-4)
    assert second.error == 0
    assert not second.known
    found = pairwise_differences(second, rows.main, rows.check)
    at = {name: i for i, name in enumerate(found.varieties)}
    pairs = R["mixed"]["pairs"]
    for contrast, estimate, se, df in zip(
            pairs["contrast"], pairs["estimate"], pairs["se"], pairs["df"], strict=True):
        i, j = (at[name] for name in pair_of(contrast))
        assert found.mean[i] - found.mean[j] == pytest.approx(estimate, abs=1e-5)
        c = found.covariance
        assert np.sqrt(c[i, i] + c[j, j] - 2 * c[i, j]) == pytest.approx(se, rel=2e-4)
        assert found.df == pytest.approx(df, rel=2e-3)


@pytest.mark.parametrize("year", [1931, 1932])
def test_one_year_is_a_trial_in_blocks_with_sites_as_blocks(firsts, year):
    """lm(yield ~ variety + site): differences, their standard error, Tukey's p, and the F of the
    analysis of variance, which the differences determine."""
    want = R[f"y{year}"]
    rows = gather([one for one in firsts if one.year == year])
    second = fit_stage_two(rows)
    assert second.terms["variety x garden"] ** 2 == pytest.approx(want["ss"]["Residuals"] / 45)
    found = pairwise_differences(second, rows.main, rows.check)
    assert found.df == pytest.approx(45)
    names = list(found.varieties)
    table = compare(names, found.mean, found.covariance, found.df, None, False).pairs
    ours = {(row.left, row.right): row for row in table.itertuples()}
    for contrast, estimate, p in zip(want["contrast"], want["estimate"], want["p"], strict=True):
        left, right = pair_of(contrast)
        row = ours.get((left, right)) or ours[right, left]
        sign = 1 if (left, right) in ours else -1
        assert sign * row.estimate == pytest.approx(estimate, abs=1e-5)
        assert row.p == pytest.approx(p, abs=1e-6)
    between = 6 * float((found.mean**2).sum()) / 9
    residual = second.terms["variety x garden"] ** 2
    assert between / residual == pytest.approx(want["F"])


def test_immers_five_barleys_as_venables_and_ripley_print_them():
    """Means over six sites of the mean of two years: M 94.39, P 102.54, S 91.13, T 118.20,
    V 99.18 (Venables & Ripley, Modern Applied Statistics with S, the immer data; from memory,
    and the same from R), variety mean square 663.7 against 110.8 on 4 and 20 df, F 5.99."""
    want = R["immer"]
    sites: dict[str, dict[str, float]] = {}
    for row in want["data"]:
        sites.setdefault(row["Loc"], {})[row["Var"]] = (row["Y1"] + row["Y2"]) / 2
    trials = [first(list(one.values()), None, name=site, garden=site, varieties=list(one),
                    check=None, scale="linear") for site, one in sites.items()]
    answer = combine(trials)
    mean = answer.overall.set_index("variety")["mean"]
    printed = {"M": 94.39, "P": 102.54, "S": 91.13, "T": 118.20, "V": 99.18}
    assert mean.to_dict() == pytest.approx(printed, abs=0.006)
    assert mean.to_dict() == pytest.approx(want["means"])
    rows = gather(trials)
    second = fit_stage_two(rows)
    found = pairwise_differences(second, rows.main, rows.check)
    assert (found.df, second.terms["variety x garden"] ** 2) == (
        pytest.approx(20), pytest.approx(want["ms"][2]))
    assert 6 * (found.mean**2).sum() / 4 / want["ms"][2] == pytest.approx(5.99, abs=0.005)
    # Trebi stands out: the interval of its lead over the average takes in no zero.
    assert answer.overall.iloc[0]["variety"] == "T"
    assert answer.state == "settled"
    assert answer.overall.iloc[0]["low"] > 0


def test_slopes_on_the_trials_mean_as_lm_has_them(firsts):
    """Finlay & Wilkinson (1963): ten regressions by R's lm."""
    rows = gather(firsts)
    fit = additive(rows.table, rows.main)
    ours = stability(fit, rows.table.loc[fit.rows, "y"].to_numpy()).set_index("variety")
    for row in R["slopes"]:
        one = ours.loc[row["variety"]]
        assert one["slope"] == pytest.approx(row["slope"], abs=1e-6)
        assert one["slope_se"] == pytest.approx(row["se"], rel=1e-6)
        assert one["deviation"] == pytest.approx(row["sd"], rel=1e-6)
    assert ours["slope"].mean() == pytest.approx(1.0)


def test_the_stability_variance_is_shuklas_in_a_complete_table(firsts):
    """Shukla (1972), Heredity 29:237: [p(p-1) D_i - D] / [(q-1)(p-1)(p-2)], D_i the squared
    departures of variety i from additivity, D their sum, p varieties, q trials."""
    rows = gather(firsts)
    fit = additive(rows.table, rows.main)
    table = rows.table.pivot(index="variety", columns="at", values="y").loc[list(rows.main)]
    y = table.to_numpy()
    departures = y - y.mean(axis=0)
    departures = departures - departures.mean(axis=1, keepdims=True)
    own = (departures**2).sum(axis=1)
    p, q = y.shape
    want = (p * (p - 1) * own - own.sum()) / ((q - 1) * (p - 1) * (p - 2))
    found = stability(fit, rows.table["y"].to_numpy())["variance"].to_numpy()
    assert found == pytest.approx(want)


def test_the_answer_of_the_twelve_folders():
    answer = season(FOLDERS)
    assert not answer.failed
    assert not answer.aside
    assert answer.check is None
    assert answer.scale == "linear"
    assert answer.supported
    assert answer.new_supported
    assert "12 trials in 6 gardens and 2 years" in answer.answer
    assert "one block" in answer.how_sure
    assert answer.overall["variety"].tolist()[:2] == ["Trebi", "Wisconsin No. 38"]
    assert answer.state == "open"
    assert answer.overall["best"].isna().all(), "nothing is settled, so that no chance is told"
    # One row of each cannot show that the order turned round in a garden.
    assert len(answer.flips)
    assert not answer.flips["supported"].any()
    assert answer.flips["low"].isna().all()
