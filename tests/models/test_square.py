"""Latin squares: rows and columns of the bed are in every model, and in its degrees of freedom.

* millet: Snedecor & Cochran 1989, Statistical Methods, 8th ed., section 14.10: analysis of
  variance of a 5 x 5 square, by hand;
* wireworms: Cochran 1938, Empire J. Exp. Agric. 6:157-175, counts in a 5 x 5 square (as carried
  by R's agridat package);
* a simulated square of 5 varieties, 3 plants a plot and 4 picks.
The count models against R's glmmTMB by reference/square.R, values stored in reference/square.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import day, picked, records

from trialkit.decide.series import looks_so_far
from trialkit.models import analyse
from trialkit.models.support import plot_contrasts
from trialkit.models.totals import log_index

REFERENCE = Path(__file__).parent / "reference"
MILLET = """B257 E230 A279 C287 D202
D245 A283 E245 B280 C260
E182 B252 C280 D246 A250
A203 C204 D227 E193 B259
C231 D271 B266 A334 E338"""
FIVE = ["ABCDE", "BADEC", "CEABD", "DCEAB", "EDBCA"]


def square(rows, plants=1) -> pd.DataFrame:
    """A square of plots, `plants` a plot along its row; rows are the variety of each plot."""
    frame = pd.DataFrame(
        [(f"{r}-{c}-{k}", variety, f"{r}-{c}", r, (c - 1) * plants + k)
         for r, line in enumerate(rows, 1) for c, variety in enumerate(line, 1)
         for k in range(1, plants + 1)],
        columns=["plant", "variety", "plot", "row", "column"])
    return frame.assign(block=pd.NA, treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA).astype(
        {"row": float, "column": float, "lost": "datetime64[ns]"})


def simulated():
    """Also written to reference/square.csv for R (python test_square.py)."""
    plants = square(FIVE, plants=3)
    rates = {"A": 0.5, "B": 1.0, "C": 0.7, "D": 0.6, "E": 0.8}
    picks = picked(plants, rates, [50, 53, 57, 60], seed=11, plot_sd=0.35, plant_sd=0.4, size=20.0)
    rng = np.random.default_rng(5)
    place = (plants["row"] - 1) / 4 * 0.5 + np.ceil(plants["column"] / 3).map(
        {1: 0.3, 2: 0.0, 3: 0.5, 4: 0.2, 5: 0.45})
    kept = dict(zip(plants["plant"], 1 - place.clip(0, 0.9), strict=True))
    picks["count"] = rng.binomial(picks["count"].astype(int), picks["plant"].map(kept)).astype(
        float)
    return plants, picks


def wireworms():
    frame = pd.read_csv(REFERENCE / "wireworms.csv")
    rows = frame.pivot(index="row", columns="column", values="variety").to_numpy()
    plants = square(rows)
    name = frame["row"].astype(str) + "-" + frame["column"].astype(str) + "-1"
    picks = pd.DataFrame({"date": day(50), "plant": name, "count": frame["count"].astype(float),
                          "weight_g": np.nan})
    return plants, picks


def against(result, left, right):
    """Log ratio and standard error from the result's own estimates."""
    i, j = result.varieties.index(left), result.varieties.index(right)
    c = result.covariance
    return (result.log_rate[i] - result.log_rate[j], np.sqrt(c[i, i] + c[j, j] - 2 * c[i, j]))


@pytest.mark.parametrize(("season", "key"), [(wireworms, "wireworms"), (simulated, "square")])
def test_counts_of_a_square_as_glmmtmb(season, key):
    """Wireworms: rates of the fumigants to plots without (P); and a season of four picks."""
    stored = json.loads((REFERENCE / "square.json").read_text())[key]
    plants, picks = season()
    found = analyse(records(plants, picks, check=stored["against"], design="Latin square")).pods
    for variety, log_ratio, se in zip(stored["variety"], stored["log_ratio"], stored["se"],
                                      strict=True):
        assert against(found, variety, stored["against"]) == pytest.approx((log_ratio, se),
                                                                           rel=2e-3, abs=2e-4)
    ours = found.fit.group_sd
    for name, sd in stored["sd"].items():
        name = {"row": "bed_row", "column": "bed_column"}.get(name, name)
        assert ours[name] == pytest.approx(sd, abs=2e-3)
    assert found.df == 12  # (v - 1)(v - 2), Cochran & Cox 1957, table 4.6
    assert {"bed_row", "bed_column"} <= set(found.method.groups)
    assert "block" not in found.method.groups


def test_a_weighed_square_by_hand():
    """Millet: sums of squares rows 13,601, columns 6,146, spacings 4,157 on 4 df each; error on
    12 (Snedecor & Cochran).  Comparison of two means: sqrt(2 s2 / 5) and the studentised range."""
    cells = MILLET.split()
    rows = ["".join(cell[0] for cell in line.split()) for line in MILLET.splitlines()]
    plants = square(rows)
    weight = np.array([float(cell[1:]) for cell in cells])
    dug = pd.DataFrame({"date": day(90), "plant": plants["plant"], "weight_g": weight})
    found = analyse(records(plants, harvest=dug, check="B", design="Latin square")).harvest
    total = float(((weight - weight.mean()) ** 2).sum())
    error = (total - 13_601 - 6_146 - 4_157) / 12
    row = found.tests.set_index("term").loc["variety"]
    assert row["F"] == pytest.approx(4_157 / 4 / error, rel=1e-3)
    assert (row["num_df"], row["den_df"]) == (4, pytest.approx(12))
    assert (found.pairs["df"] == 12).all()
    half = stats.studentized_range.ppf(0.95, 5, 12) * np.sqrt(error / 5)
    assert (found.pairs["high"] - found.pairs["low"]).to_numpy() / 2 == pytest.approx(half,
                                                                                      rel=1e-3)
    assert found.method.groups == ()
    assert found.method.formula == "weight ~ variety + bed_row + bed_column"  # complete: fixed


def test_without_the_word_square_rows_and_columns_are_not_taken_out():
    plants, picks = simulated()
    found = analyse(records(plants, picks, design="completely randomised")).pods
    assert found.df == 20
    assert "bed_row" not in found.method.groups


def test_totals_of_plots_take_rows_and_columns_out():
    """Least squares on the 25 logarithms, rows, columns and varieties, by hand (balanced: plain
    means)."""
    plants, picks = simulated()
    pods = analyse(records(plants, picks, design="Latin square")).pods
    index = pods.tally.by_plot.assign(log_index=log_index)
    found = plot_contrasts(index)
    y = index["log_index"]
    mean = {name: y.groupby(index[name]).transform("mean") for name in
            ("bed_row", "bed_column", "variety")}
    left = y - sum(mean.values()) + 2 * y.mean()
    assert found.df == 12
    by_variety = y.groupby(index["variety"]).mean()
    assert found.estimate - found.estimate[0] == pytest.approx((by_variety - by_variety["A"])[
        found.varieties].to_numpy())
    c = found.covariance
    assert c[0, 0] + c[1, 1] - 2 * c[0, 1] == pytest.approx(2 * (left**2).sum() / 12 / 5)


def test_looks_and_rate_take_rows_and_columns_out():
    """The last look is the plots' own analysis of variance: 12 df, standard error by hand; and
    the rate over the season has the square's groupings."""
    plants, picks = simulated()
    # Without a check, one error serves all.
    analysis = analyse(records(plants, picks, design="Latin square", check=None))
    looks = looks_so_far(analysis, analysis.totals)
    index = analysis.pods.tally.by_plot
    y = log_index(index)
    mean = [y.groupby(index[n]).transform("mean") for n in ("bed_row", "bed_column", "variety")]
    left = y - sum(mean) + 2 * y.mean()
    last = looks.totals["A", "B"][-1]
    assert last.df == 12
    # In proportion to the fit, where few pods make the logarithms' own error larger or smaller.
    assert 0.5 < last.se / np.sqrt(2 * (left**2).sum() / 12 / 5) < 2
    many = picked(plants, dict.fromkeys("ABCDE", 1.0), range(50, 80, 4), seed=3, plot_sd=0.3)
    rate = analyse(records(plants, many, design="Latin square")).rate
    assert {"bed_row", "bed_column"} <= set(rate.method.groups)


def test_two_squares_have_rows_and_columns_of_their_own():
    """Two 4 x 4 squares: 31 df less rows 2 x 3, columns 2 x 3, squares 1, varieties 3: 15
    (Cochran & Cox 1957, section 4.4; Gomez & Gomez 1984, from memory)."""
    one = square(["ABCD", "BADC", "CDAB", "DCBA"])
    both = pd.concat([one.assign(block="1", plant="1-" + one["plant"], plot="1-" + one["plot"]),
                      one.assign(block="2", plant="2-" + one["plant"], plot="2-" + one["plot"])],
                     ignore_index=True)
    rates = dict.fromkeys("ABCD", 1.0)
    found = analyse(records(both, picked(both, rates, [50, 54, 58]), design="Latin square"))
    assert found.audit.strata["df"].tolist() == [1, 6, 6, 3, 15]
    assert found.pods.df == 15
    assert {"bed_row", "bed_column"} <= set(found.pods.method.groups)


@pytest.mark.slow
def test_false_winners_in_a_square():
    """No true difference, rows and columns that differ: at most 5 % named (200 seasons)."""
    told = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        order = rng.permutation(list("ABCD"))
        line = ["".join(order[(r + c) % 4] for c in range(4)) for r in rng.permutation(4)]
        plants = square(line, plants=2)
        place = dict(zip(plants["plot"], np.repeat(rng.uniform(0.4, 1, 4), 4 * 2), strict=False))
        picks = picked(plants, dict.fromkeys("ABCD", 1.0), [50, 54, 58], seed=seed, plot_sd=0.25)
        kept = picks["plant"].str.rsplit("-", n=1).str[0].map(place)
        picks["count"] = rng.binomial(picks["count"].astype(int), kept).astype(float)
        pods = analyse(records(plants, picks, design="Latin square")).pods
        told.append((pods.pairs["p"] < 0.05).any())
    assert np.mean(told) < 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / 200)


if __name__ == "__main__":  # writes what R reads
    found = analyse(records(*simulated(), design="Latin square"))
    found.pods.looks[["pods", "variety", "bed_row", "bed_column", "unit", "plant", "pick",
                      "log_days"]].to_csv(REFERENCE / "square.csv", index=False)
