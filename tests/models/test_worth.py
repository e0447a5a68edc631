"""Money a metre of row, against an enterprise budget worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.models.analysis import analyse
from trialkit.models.results import Missing
from trialkit.models.season_yield import Worth
from trialkit.reading.amounts import price_of
from trialkit.records import Records
from trialkit.report import method
from trialkit.report.opentrial import OpenTrial, Showing, public_records
from trialkit.report.trait_tables import worth_block

DAYS = [50 + 4 * k for k in range(10)]
RATES = {"A": 0.6, "B": 1.0, "C": 0.5}


def priced(made: Records, price: str | None, seed: dict[str, float] | None = None,
           **about) -> Records:
    trial = made.trial
    varieties = tuple(replace(v, seed_cost=(seed or {}).get(v.name)) for v in trial.varieties)
    sold = None if price is None else price_of(price, trial.counted)
    return replace(made, trial=replace(trial, varieties=varieties, price=sold, **about))


def told(made: Records) -> str:
    """The part of the method that is of money."""
    trial = OpenTrial(made, None)
    return worth_block(trial.conclusion.analysis.worth, made.trial, trial.names).plain


def all_told(made: Records) -> str:
    return method.methods(OpenTrial(made, None)).plain


def worth(made: Records) -> pd.DataFrame:
    result = analyse(made).worth
    assert isinstance(result, Worth), result
    return result.table.set_index("variety")


def why_not(made: Records) -> str:
    result = analyse(made).worth
    assert isinstance(result, Missing), result
    return result.reason


def roots(weights: dict[str, list[float]], blocks: int = 3) -> Records:
    """Two plants a plot, 5 g to either side of the plot's mean; 25 cm apart, so 4 a metre."""
    plants = bed(list(weights), blocks=blocks, plants=2)
    grams = [weights[variety][int(block) - 1] for variety, block in zip(
        plants["variety"], plants["block"], strict=True)]
    dug = pd.DataFrame({"date": day(90), "plant": plants["plant"], "count": np.nan,
                        "grade": pd.NA, "weight_g": np.array(grams)
                        + np.tile([5.0, -5.0], len(plants) // 2)})
    return records(plants, harvest=dug)


BUDGET = {"A": [400.0, 500.0, 600.0], "B": [700.0, 900.0, 1100.0]}


def test_an_enterprise_budget_by_hand():
    """Gross return = yield x price; return above seed = gross return - seed cost (the lines of an
    enterprise budget as farm-management handbooks set it out; common practice, no source).

    Blocks of A 400, 500, 600 g and of B 700, 900, 1100 g a plant: means 500 and 900.  Differences
    300, 400, 500, of variance 10000; so the error variance is 10000 / 2 = 5000 on 2 degrees of
    freedom, and a mean of 3 blocks has the standard error sqrt(5000 / 3) = 40.825.  t(0.975; 2) =
    4.30265 (tables of Student's t), so the limits are 175.656 g to either side.

    4 plants a metre, 3.50 a kg: 14 a kg of mean.
    A: gross 0.500 x 14 = 7.00, from 0.324344 x 14 = 4.5408 to 0.675656 x 14 = 9.4592;
       seed 0.12 x 4 = 0.48; left 6.52, from 4.0608 to 8.9792.
    B: gross 0.900 x 14 = 12.60, from 10.1408 to 15.0592; seed 0.40 x 4 = 1.60; left 11.00, from
       8.5408 to 13.4592.
    """
    table = worth(priced(roots(BUDGET), "3.50 a kg", {"A": 0.12, "B": 0.40}))
    by_hand = {
        "A": (7.00, 4.5408, 9.4592, 0.48, 6.52, 4.0608, 8.9792),
        "B": (12.60, 10.1408, 15.0592, 1.60, 11.00, 8.5408, 13.4592),
    }
    for variety, row in by_hand.items():
        assert table.loc[variety].to_list() == pytest.approx(row, abs=2e-4), variety


def test_the_same_budget_in_pounds_and_as_the_report_shows_it():
    """3.50 a kg is 3.50 x 0.45359237 = 1.587573 a lb."""
    made = roots(BUDGET)
    kilos = worth(priced(made, "3.50 a kg"))
    pounds = worth(priced(made, "$1.5875733 a lb"))
    np.testing.assert_allclose(pounds["gross"], kilos["gross"], rtol=1e-6)
    text = told(priced(made, "€3.50 a kg", {"A": 0.12, "B": 0.40}))
    assert "At €3.50 a kg, a metre of row as planted." in text
    assert "Worth a metre of row, €, as planted; in brackets the likely range (95 %)." in text
    for cell in ("7.00 (4.54 to 9.46)", "6.52 (4.06 to 8.98)", "0.48", "11.0 (8.54 to 13.5)"):
        assert cell in text, cell
    # A foot of row is 0.3048 m: 7.00 x 0.3048 = 2.1336.
    feet = told(priced(made, "$3.50 a kg", height_unit="ft"))
    assert "Worth a foot of row, $, as planted" in feet
    assert "2.13 (1.38 to 2.88)" in feet


def test_plants_that_gave_nothing_are_taken_off():
    """One of B's 6 plants, in the third block, gave nothing: 5 / 6 of 900 g x 4 x 3.50 = 10.50
    (the plot's other plant is 5 g below its mean: (700 + 900 + 1095) / 3 = 898.33, so 10.4806)."""
    made = roots(BUDGET)
    third = made.plants[(made.plants["variety"] == "B") & (made.plants["block"] == "3")]
    gone = third["plant"].iloc[0]
    plants = made.plants.copy()
    plants.loc[plants["plant"] == gone, "lost"] = day(40)
    made = replace(made, plants=plants, harvest=made.harvest[made.harvest["plant"] != gone])
    table = worth(priced(made, "3.50 a kg"))
    assert table.loc["B", "gross"] == pytest.approx(898.3333 / 1000 * 14 * 5 / 6, abs=1e-3)


def season(weigh_from: int | None = None, counted: bool = True, blocks: int = 4,
           grams: float = 10.0) -> Records:
    plants = bed("ABC", blocks=blocks, plants=4)
    picks = picked(plants, RATES, DAYS, seed=4)
    if weigh_from is not None:
        some = np.random.default_rng(2).normal(1.0, 0.05, len(picks))
        picks["weight_g"] = np.where(picks["date"] >= day(weigh_from),
                                     picks["count"] * grams * some, np.nan)
    if not counted:
        picks["count"] = np.nan
    return records(plants, picks, threshold=0.5)


def by_plant(made: Records, column: str) -> pd.Series:
    """What was picked of each variety, a plant set out."""
    of = made.picks.merge(made.plants[["plant", "variety"]], on="plant")
    return of.groupby("variety")[column].sum() / made.plants.groupby("variety").size()


def test_counts_sold_by_the_piece():
    made = season()
    table = worth(priced(made, "0.20 each", {"A": 0.1}))
    hand = by_plant(made, "count") * 4 * 0.20
    np.testing.assert_allclose(table["gross"], hand[table.index], rtol=0.03)
    assert (table["low"] < table["gross"]).all()
    assert (table["gross"] < table["high"]).all()
    metre = analyse(made).season.metre.set_index("variety")
    np.testing.assert_allclose(table["low"], 0.2 * metre.loc[table.index, "low"])
    assert table.loc["A", "net"] == pytest.approx(table.loc["A", "gross"] - 0.4)
    assert table.loc[["B", "C"], "net"].isna().all()
    text = told(priced(made, "0.20 each", {"A": 0.1}))
    assert "No seed cost is given for B and C." in text
    dozen = worth(priced(made, "2.40 a dozen"))
    np.testing.assert_allclose(dozen["gross"], table["gross"])


@pytest.mark.parametrize(("weigh_from", "counted"), [(0, True), (0, False), (70, True)],
                         ids=["all weighed", "only weighed", "some weighed"])
def test_picks_sold_by_weight(weigh_from: int, counted: bool):
    """10 g a pod or very nearly: so many pods a metre x 0.010 kg x 3.50."""
    made = season(weigh_from, counted)
    hand = by_plant(season(), "count") * 4 * 0.010 * 3.50
    table = worth(priced(made, "3.50 a kg"))
    np.testing.assert_allclose(table["gross"], hand[table.index], rtol=0.05)
    assert (table["low"] < table["gross"]).all()
    assert (table["gross"] < table["high"]).all()
    assert ("of 10 days were weighed" in told(priced(made, "3.50 a kg"))) == (weigh_from == 70)


def test_some_weighed_is_never_surer_than_the_counts_or_the_weights():
    made = season(70)
    table = worth(priced(made, "3.50 a kg"))
    result = analyse(made)
    pods = result.season.metre.set_index("variety").loc[table.index]
    each = result.weights.each.set_index("variety").loc[table.index]
    wide = np.log(table["high"] / table["low"])
    np.testing.assert_allclose(wide, np.log(pods["high"] / pods["low"])
                               + np.log(each["high"] / each["low"]))


def test_lost_plants_lower_the_worth_and_widen_its_range():
    made = season()
    plants = made.plants.copy()
    of_b = plants.index[plants["variety"] == "B"][:4]
    plants.loc[of_b, "lost"] = day(60)
    gone = set(plants.loc[of_b, "plant"])
    picks = made.picks[~(made.picks["plant"].isin(gone) & (made.picks["date"] > day(60)))]
    whole, less = (worth(priced(m, "0.20 each")).loc["B"] for m in (
        made, replace(made, plants=plants, picks=picks)))
    assert less["gross"] < 0.95 * whole["gross"]
    assert less["low"] / less["gross"] < whole["low"] / whole["gross"]


def test_without_a_spacing_it_is_of_a_plant_set_out():
    made = season()
    bare = replace(made, trial=replace(made.trial, layout=replace(
        made.trial.layout, plant_spacing_cm=None)))
    table, whole = worth(priced(bare, "0.20 each", {"A": 0.1})), worth(priced(made, "0.20 each"))
    np.testing.assert_allclose(4 * table["gross"], whole["gross"])
    assert table.loc["A", "seed"] == pytest.approx(0.1)
    text = told(priced(bare, "0.20 each", {"A": 0.1}))
    assert "Worth a plant set out, as planted" in text


def unreplicated() -> Records:
    return season(blocks=1)


@pytest.mark.parametrize(("made", "price", "reason"), [
    (unreplicated, "0.20 each", "no interval can be given: "),
    (season, "3.50 a kg", "no pick was weighed: weigh some, or write a price \"each\""),
    (lambda: season(0, counted=False), "0.20 each", 'write a price "a kg"'),
    (lambda: roots(BUDGET), "0.20 each", "known by weight and the price is not"),
    (lambda: roots(BUDGET, 1), "3 a kg", "no interval can be given: "),
    (lambda: replace(roots(BUDGET), picks=season().picks), "3 a kg", "both recorded"),
    (lambda: replace(season(), picks=season().picks.head(0)), "3 a kg", "nothing is picked"),
], ids=["one row each", "not weighed", "not counted", "wrong kind", "one block", "both", "none"])
def test_no_figure_where_there_is_no_interval(made, price: str, reason: str):
    trial = priced(made(), price, {"A": 0.1})
    assert reason in why_not(trial)
    block = told(trial).partition("What a harvest is worth")[2].partition("\n\n")[0]
    assert "Not worked out: " in block
    assert not any(c.isdigit() for c in block.replace(price, ""))


def test_a_yield_kept_as_written_and_a_harvest_without_spacing():
    made = roots(BUDGET)
    assert "kept as written (t/ha)" in why_not(priced(made, "3 a kg", harvest_unit="t/ha"))
    bare = replace(made.trial.layout, plant_spacing_cm=None)
    assert "plant_spacing" in why_not(priced(made, "3 a kg", layout=bare))


def test_a_seed_cost_without_a_price_says_what_is_missing():
    assert "seed costs are given but no price" in why_not(priced(season(), None, {"A": 0.1}))


@pytest.mark.slow
def test_a_trial_without_a_price_is_as_it_was():
    made = season()
    assert analyse(made).worth is None
    plain = all_told(made)
    assert "worth" not in plain.replace("worth picking", "")
    with_price = all_told(priced(made, "0.20 each"))
    start = with_price.index("What a harvest is worth")
    end = with_price.find("What the records do not give")
    rest = with_price[:start] + (with_price[end:] if end > 0 else "")
    assert rest.strip() == plain.strip()


def test_a_range_too_wide_to_use_is_not_shown():
    made = priced(season(), "0.20 each")
    result = analyse(made).worth
    wide = replace(result, table=result.table.assign(low=0.01, high=50.0))
    block = method.worth_block(wide, made.trial, ())
    assert block.plain.count("too early to give a range") == 3
    assert "50" not in block.plain


def test_money_stays_off_a_club_page_unless_notes_are_shown():
    made = priced(season(), "0.20 each", {"A": 0.1})
    hidden = public_records(made, Showing(), "Garden 1: bean", "Garden 1").trial
    assert hidden.price is None
    assert {v.seed_cost for v in hidden.varieties} == {None}
    shown = public_records(made, Showing.of("notes"), "Garden 1: bean", "Garden 1").trial
    assert shown.price == made.trial.price
    assert {v.name: v.seed_cost for v in shown.varieties}["A"] == 0.1
