"""One row of each variety: how unlike rows would have to be, through `conclude`."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.decide import conclude
from trialkit.decide.conclude import SeenRows
from trialkit.gardens.components import seen_plots


def rows_of(names, plants=6):
    """One row of each variety."""
    return pd.concat([bed([n], blocks=1, plants=plants).assign(
        plant=lambda f, n=n: n + f["plant"].astype(str), plot=pd.NA, block=pd.NA, row=float(k),
        column=np.arange(1.0, plants + 1)) for k, n in enumerate(names, 1)], ignore_index=True)


@pytest.fixture(scope="module")
def season():
    plants = rows_of("AB")
    return records(plants, picked(plants, {"A": 0.5, "B": 1.2}, range(50, 90, 4), seed=4,
                                  plant_sd=0.2))


def test_a_row_each_is_told_with_the_row_difference_that_would_do_it(season):
    found = conclude(season)
    assert found.verdict.state == "description only"
    assert "could explain this on their own" in found.verdict.how_sure
    assert "has yet shown how much your rows differ" in found.verdict.how_sure
    assert "better" not in found.verdict.how_sure
    # by hand: plants' pods over the average plant's on the same dates, two rows, k = 1.96
    total = season.picks.groupby("plant")["count"].sum()
    by = total.groupby(total.index.str[0])
    gap = np.log(by.mean()["B"] / by.mean()["A"])
    within = (by.var() / by.mean() ** 2).mean() * (2 / 6)
    sd = np.sqrt(((gap / 1.95996) ** 2 - within) / 2)
    assert found.rows.sd == pytest.approx(sd, rel=0.02)


def test_what_similar_beds_of_the_growers_own_show_is_set_beside_it(season):
    sd = conclude(season).rows.sd
    words = {0.5 * sd: "less alike than yours", 0.9 * sd: "rows may explain it",
             1.5 * sd: "ordinary rows explain it"}
    for seen, said in words.items():
        told = conclude(season, SeenRows(seen, 1.2 * seen)).verdict.how_sure
        assert said in told
        assert "better" not in told
    endless = conclude(season, SeenRows(0.5 * sd, np.inf)).verdict.how_sure
    assert "up to any amount" in endless
    assert "inf" not in endless.replace("information", "")


def test_a_row_each_that_was_dug():
    plants = rows_of("AB")
    weights = np.r_[np.linspace(90, 110, 6), np.linspace(180, 220, 6)]
    dug = pd.DataFrame({"date": day(80), "plant": plants["plant"], "weight_g": weights,
                        "count": np.nan, "grade": pd.NA})
    found = conclude(records(plants, harvest=dug))
    within = 2 * np.var(weights[:6] / 100, ddof=1) / 6
    want = np.sqrt(((np.log(2) / 1.95996) ** 2 - within) / 2)
    assert found.rows.sd == pytest.approx(want, rel=1e-3)
    assert "could explain this on their own" in found.verdict.how_sure


def test_nothing_of_the_kind_where_plots_are_repeated_or_alone():
    plants = bed("AB", blocks=3, plants=3)
    assert conclude(records(plants, picked(plants, {"A": 1, "B": 1}, [50, 54, 58]))).rows is None
    alone = rows_of("A")
    assert conclude(records(alone, picked(alone, {"A": 1}, [50, 54, 58]))).rows is None
    two = rows_of("AB")
    nothing = conclude(records(two, picked(two, {"A": 1.0, "B": 0.0}, [50, 54, 58])))
    assert "inf" not in nothing.verdict.how_sure


def test_the_spread_of_plots_comes_from_the_file_of_what_was_learned(tmp_path):
    file = tmp_path / "spread.toml"
    assert seen_plots(tmp_path) is None
    for text, want in [
        ("[plot]\nspread = 0.2\nlearned = true\nlow = 0.1\nhigh = 0.4\n", SeenRows(0.2, 0.4)),
        ("[plot]\nspread = 0.2\nlearned = true\n", SeenRows(0.2, np.inf)),
        ("[plot]\nspread = 0.15\nlearned = false\n", None),
        ("[plot]\nspread = 'wide'\nlearned = true\n", None),
        ("plot = 3\n", None),
        ("not toml", None),
    ]:
        file.write_text(text)
        assert seen_plots(tmp_path) == want
