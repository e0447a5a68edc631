"""Spreads learned from a trial: against R, against known truth, and taken together."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit import shipped
from trialkit.gardens.components import (
    GRID,
    RISE,
    Components,
    _on_grid,
    components,
    from_profile,
    pooled,
)
from trialkit.mixed import MixedModelError, fit_glmm
from trialkit.mixed.intervals import count_spread
from trialkit.models import Missing, analyse
from trialkit.records import Records, read_records
from trialkit.trial import Layout, Trial, Variety

HERE = Path(__file__).parent
REFERENCE = json.loads((HERE / "reference" / "spread.json").read_text())
DATA = HERE.parent / "mixed" / "reference" / "data"
MODELS = {
    "owls": ("calls ~ food * parent", "log_brood", ["nest"]),
    "grouseticks": ("ticks ~ year + height100", None, ["brood", "location"]),
}


@pytest.fixture(scope="module", params=MODELS)
def fitted(request):
    formula, offset, groups = MODELS[request.param]
    data = pd.read_csv(DATA / f"{request.param}.csv")
    fit = fit_glmm(formula, data, "negative-binomial", offset=offset, groups=groups, method="reml")
    return fit, count_spread(fit), REFERENCE[request.param]


def test_profile_limits_are_those_of_glmmtmb(fitted):
    """glmmTMB 1.1.5 with REML, each standard deviation held and all else fitted again
    (reference/make_spread.R): owls (Roulin & Bersier 2007) and grouse ticks (Elston et al. 2001),
    as the R packages hold them."""
    fit, found, reference = fitted
    for name, (low, high) in reference["limits"].items():
        one = from_profile(_on_grid(found.profiles[name]), float(fit.group_sd[name]))
        assert one.sd == pytest.approx(reference["sd"][name], rel=1e-3)
        assert one.low == pytest.approx(low, rel=0.02, abs=1e-6)
        assert one.high == pytest.approx(high, rel=0.02)


def test_the_variance_of_the_log_size_is_that_of_glmmtmb(fitted):
    _, found, reference = fitted
    assert found.log_size_variance == pytest.approx(reference["log_size_variance"], rel=1e-3)


def test_only_fits_whose_likelihood_is_restricted_are_taken():
    data = pd.read_csv(DATA / "owls.csv")
    fit = fit_glmm("calls ~ food", data, "negative-binomial", groups=["nest"])
    with pytest.raises(MixedModelError, match="REML"):
        count_spread(fit)


def test_a_profile_gives_back_its_own_limits():
    """A parabola in sd about 1 with curvature 1 / 0.2^2: 95 % limits 1 -+ 1.96 times 0.2."""
    one = from_profile(((GRID - 1.0) / 0.2) ** 2)
    assert one.low == pytest.approx(1 - 0.2 * np.sqrt(RISE), abs=1e-3)
    assert one.high == pytest.approx(1 + 0.2 * np.sqrt(RISE), abs=1e-3)
    assert one.sd == pytest.approx(1.0, rel=0.01)


def test_two_alike_taken_together_narrow_as_the_root_of_two():
    one = from_profile(((GRID - 1.0) / 0.2) ** 2)
    alike = Components(one, None, None)
    both = pooled([alike, alike]).plot
    assert both.high - both.low == pytest.approx((one.high - one.low) / np.sqrt(2), rel=0.01)
    assert both.sd == pytest.approx(1.0, rel=0.01)
    assert pooled([alike]).plot is one


def test_one_that_knows_nothing_leaves_the_other_as_it_is():
    one = from_profile(((GRID - 1.0) / 0.2) ** 2)
    both = pooled([Components(one, None, None), Components(None, None, one)])
    assert both.plot is one
    assert both.pick is one
    assert both.plant is None
    with pytest.raises(ValueError, match="no trial"):
        pooled([])


def test_plots_weighed_once_have_the_chi_squared_limits_of_their_mean_square():
    """Close to the exact limits s sqrt(df / chi-squared); the likelihood's are shifted a little.
    Strawberries: 8 varieties in 4 blocks, error df 21, 17.6 % as the analysis of variance has it.
    """
    records = read_records(shipped.trials()["strawberries"])
    found = components(analyse(records))
    df = 21
    exact = found.plot.sd * np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    assert [found.plot.low, found.plot.high] == pytest.approx(exact, rel=0.1)
    assert found.held == ("plant", "pick")


def test_a_split_plot_gives_two_spreads_from_its_two_strata():
    """Oats (Yates 1935): main plot mean square 601.3 on 10 df, sub-plot 177.1 on 45, four to a
    main plot, mean 103.97 (Venables & Ripley 2002, Modern Applied Statistics with S, section
    10.2: standard deviations 10.30 and 13.31)."""
    found = components(analyse(read_records(shipped.trials()["oats-1935"])))
    assert found.plot.sd == pytest.approx(np.sqrt((601.33 - 177.08) / 4) / 103.97, rel=0.01)
    assert found.plant.sd == pytest.approx(np.sqrt(177.08) / 103.97, rel=0.01)
    assert found.plot.low < found.plot.sd < found.plot.high


def test_one_row_a_variety_teaches_no_spread_and_says_why():
    folder = shipped.trials()["beans"].parent / "barley-minnesota" / "waseca-1931"
    found = components(analyse(read_records(folder)))
    assert isinstance(found, Missing)
    assert "one plot only" in found.reason


PLOT, PLANT, SIZE, MEAN = 0.20, 0.25, 3.0, 6.0
# What a plant's total over looks of one mean varies by: sqrt(1 / mean + 1 / size).
PICK = np.sqrt(1 / MEAN + 1 / SIZE)


def season(seed: int, blocks: int = 6, plants: int = 4, picks: int = 8) -> Records:
    """A season of known spreads: counts of a negative binomial law."""
    rng = np.random.default_rng(seed)
    names = ["A", "B", "C", "D"]
    rows, looks = [], []
    for block in range(blocks):
        block_effect = rng.normal(0, 0.1)
        for at, name in enumerate(rng.permutation(names)):
            plot_effect = block_effect + rng.normal(0, PLOT)
            for n in range(plants):
                plant = f"{block}-{at}-{n}"
                rows.append((plant, name, f"{block}", f"{block}-{at}", block, at * plants + n))
                level = np.log(MEAN) + plot_effect + rng.normal(0, PLANT)
                for pick in range(picks):
                    mu = np.exp(level - PLOT**2 / 2 - PLANT**2 / 2)
                    count = rng.poisson(mu * rng.gamma(SIZE, 1 / SIZE))
                    looks.append((pd.Timestamp("2030-06-01") + pd.Timedelta(days=4 * pick), plant,
                                  float(count)))  # fmt: skip
    stand = pd.DataFrame(rows, columns=["plant", "variety", "block", "plot", "row", "column"])
    stand = stand.assign(treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA)
    stand = stand.astype({"lost": "datetime64[ns]", "row": float, "column": float})
    trial = Trial("Made up", "", "bean", pd.Timestamp("2030-04-01").date(),
                  tuple(Variety(n, n == "A") for n in names), invented=True,
                  layout=Layout(design="randomised complete blocks"))  # fmt: skip
    date, number = pd.Series(dtype="datetime64[ns]"), pd.Series(dtype=float)
    return Records(
        Path(), trial, stand,
        pd.DataFrame(looks, columns=["date", "plant", "count"]).assign(weight_g=np.nan),
        pd.DataFrame({"date": date, "plant": pd.Series(dtype=str), "height_cm": number}),
        pd.DataFrame({"date": date, "low_c": number, "high_c": number}),
        pd.DataFrame({"date": date, "plant": [], "plot": [], "event": [], "note": []}),
        pd.DataFrame({"date": date, "plant": [], "weight_g": [], "count": [], "grade": []}),
        pd.DataFrame(columns=["file", "line", "column", "value", "doubt"]), "0" * 16, (),
    )  # fmt: skip


@pytest.mark.slow
def test_known_spreads_come_back_from_three_seasons_together():
    """Each within its own 95 % limits, and within a quarter of the truth."""
    both = pooled([components(analyse(season(seed))) for seed in (1, 2, 3)])
    for one, truth in ((both.plot, PLOT), (both.plant, PLANT), (both.pick, PICK)):
        assert one.low < truth < one.high
        assert one.sd == pytest.approx(truth, rel=0.25)


@pytest.mark.slow
def test_limits_hold_as_often_as_they_say():
    """Over 200 seasons 95 % limits should miss 10 times; more than 20 misses, or fewer than 2,
    would come by chance once in some hundreds of runs."""
    missed = dict.fromkeys(("plot", "plant", "pick"), 0)
    sums = dict.fromkeys(missed, 0.0)
    for seed in range(200):
        found = components(analyse(season(1000 + seed)))
        for kind, truth in (("plot", PLOT), ("plant", PLANT), ("pick", PICK)):
            one = found.of(kind)
            missed[kind] += not one.low <= truth <= one.high
            sums[kind] += one.sd**2 / 200
    assert all(2 <= n <= 20 for n in missed.values()), missed
    for kind, truth in (("plot", PLOT), ("plant", PLANT), ("pick", PICK)):
        assert sums[kind] == pytest.approx(truth**2, rel=0.1), kind
