"""Which question a trial answers: yield, within reach, early, or whatever was recorded."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import brentq
from statsmodels.stats.weightstats import ttost_ind

from trialkit.decide import conclude
from trialkit.decide.looks import Look, evaluate_looks
from trialkit.decide.one_trait import _inside, _Pair
from trialkit.decide.ratio import fit_plots
from trialkit.decide.series import BEYOND_REACH, needed_to_turn
from trialkit.decide.spending import FEW_DF
from trialkit.models.results import Missing
from trialkit.models.window import first_days, half_days

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from seasons import PLANTED, bed, day, grown, picked, records  # noqa: E402

REFERENCE = Path(__file__).parent / "reference"
DAYS = list(range(45, 105, 4))


def of(found, **changes):
    return replace(found, trial=replace(found.trial, **changes))


def bell(plants, late, total, seed=1, every=4, size=8.0):
    """Counts along each variety's own bell over the season."""
    rng = np.random.default_rng(seed)
    plot = {p: rng.normal(0, 0.1) for p in plants["plot"].unique()}
    rows = []
    for when in DAYS:
        for row in plants.itertuples(index=False):
            height = np.exp(-0.5 * ((when - 75 - late[row.variety]) / 12.0) ** 2) * every / 30.0
            mean = total[row.variety] * height * np.exp(plot[row.plot])
            rows.append((day(when), row.plant, float(rng.poisson(rng.gamma(size, mean / size))),
                         np.nan))
    return pd.DataFrame(rows, columns=["date", "plant", "count", "weight_g"])


@pytest.fixture(scope="module")
def late_season():
    plants = bed("ABC", blocks=4, plants=4)
    picks = bell(plants, {"A": 0, "B": 12, "C": -8}, {"A": 40, "B": 40, "C": 40})
    return records(plants, picks, looks=len(DAYS))


def test_the_early_question_is_answered_in_days(late_season):
    over = of(late_season, question="early", ended=day(105).date())
    found = conclude(over)
    verdict, table = found.verdict, found.table
    assert verdict.answer.startswith("Half of the season's harvest: C ")
    assert verdict.headline == "C was first"
    assert verdict.mark == "Firm"
    assert verdict.pair == ("C", "A")
    assert list(table["variety"]) == ["C", "A", "B"]
    days = (table.set_index("variety")["halfway"] - pd.Timestamp(PLANTED)).dt.days
    assert abs(days["B"] - days["A"] - 12) <= 4
    assert abs(days["C"] - days["A"] + 8) <= 4
    assert "days earlier" in verdict.how_sure


def test_half_of_the_season_waits_for_its_end(late_season):
    found = conclude(of(late_season, question="early"))
    assert isinstance(found.analysis.halfway, Missing)
    assert found.verdict.answer.startswith("The first pick: ")
    assert found.table["halfway"].isna().all()


def test_days_of_first_pick_and_half_by_hand():
    """One plot each: 0, 2, 2, 4 picked at days 40, 44, 48, 52: first 44, half (4 of 8) at 48."""
    plants = bed("AB", blocks=2, plants=1)
    rows = [(day(d), p, float(n), np.nan) for p in plants["plant"]
            for d, n in zip((40, 44, 48, 52), (0, 2, 2, 4), strict=True)]
    found = conclude(records(plants, pd.DataFrame(
        rows, columns=["date", "plant", "count", "weight_g"])))
    totals = found.analysis.totals
    assert first_days(totals) - pd.Timestamp(PLANTED).toordinal() == pytest.approx([44] * 4)
    assert half_days(totals) - pd.Timestamp(PLANTED).toordinal() == pytest.approx([48] * 4)


def test_days_known_to_one_gap_only_are_never_told_apart_for_certain():
    """Every plot begins on the very same look: no difference, and a range no narrower than picks
    four days apart allow (variance of a uniform law, 4^2 / 12 a plot, as in
    Sheppard's corrections)."""
    plants = bed("ABC", blocks=4, plants=2)
    found = conclude(records(plants, picked(plants, dict.fromkeys("ABC", 2.0), DAYS[:6])))
    first = found.analysis.first_pick
    assert first.supported
    se = np.sqrt(2 * (16 / 12) / 4)
    row = first.against_check.iloc[0]
    assert row["estimate"] == pytest.approx(0, abs=1e-9)
    assert row["high"] - row["low"] > 2 * stats.t.isf(0.025, first.means["df"].iloc[0]) * se * 0.99


@pytest.fixture(scope="module")
def tall_season():
    plants = bed("AB", blocks=4, plants=3)
    picks = bell(plants, {"A": 0, "B": 0}, {"A": 40, "B": 80}, seed=3)
    heights = grown(plants, {"A": 150.0, "B": 320.0}, range(20, 105, 7), half=50, speed=12)
    return records(plants, picks, heights, looks=len(DAYS), reach=200.0, bears=None)


def test_within_reach_asks_where_the_crop_bears(tall_season):
    found = conclude(of(tall_season, question="within reach"))
    assert found.verdict.mark == "No comparison"
    assert 'bears = "top"' in found.verdict.next_step
    assert conclude(tall_season).table["within_reach"].isna().all()


def test_within_reach_leaves_out_what_was_picked_above_it(tall_season):
    found = conclude(of(tall_season, question="within reach", bears="top", ended=day(105).date()))
    table = found.table.set_index("variety")
    plain = conclude(of(tall_season, ended=day(105).date())).table.set_index("variety")
    assert table.loc["A", "gave"] == pytest.approx(plain.loc["A", "gave"])
    assert table.loc["B", "gave"] < 0.6 * plain.loc["B", "gave"]
    assert "pods within reach per plant planted" in found.verdict.answer
    # by hand: picks of B on days when its own height, straight between readings, was below reach
    heights = tall_season.heights.merge(tall_season.plants[["plant", "variety"]], on="plant")
    picks = tall_season.picks.merge(tall_season.plants[["plant", "variety"]], on="plant")
    total = 0.0
    for plant, some in picks[picks["variety"] == "B"].groupby("plant"):
        own = heights[heights["plant"] == plant].sort_values("date")
        at = np.interp(some["date"].map(pd.Timestamp.toordinal),
                       own["date"].map(pd.Timestamp.toordinal), own["height_cm"])
        total += some["count"].to_numpy()[at <= 200.0].sum()
    assert table.loc["B", "gave"] == pytest.approx(total / 12)


def test_along_the_stem_nothing_picked_is_left_out(tall_season):
    found = conclude(of(tall_season, question="within reach", bears="along"))
    plain = conclude(tall_season).table.set_index("variety")["gave"]
    assert found.table.set_index("variety")["gave"].to_dict() == pytest.approx(plain.to_dict())


# -- whatever was recorded ------------------------------------------------------------------

def test_weights_alone_are_answered_as_yields():
    plants = bed("ABC", blocks=4, plants=3)
    picks = picked(plants, {"A": 1.0, "B": 2.0, "C": 1.0}, DAYS, plot_sd=0.05)
    grams = picks.assign(weight_g=picks["count"] * 12.0, count=np.nan)
    found = conclude(records(plants, grams, looks=len(DAYS)))
    verdict = found.verdict
    assert verdict.state == "settled"
    assert " g per plant planted" in verdict.answer
    counted = conclude(records(plants, picks, looks=len(DAYS)))
    assert found.table.set_index("variety").loc["B", "ratio"] == pytest.approx(
        counted.table.set_index("variety").loc["B", "ratio"], rel=0.01)


def test_heights_alone_answer_by_height():
    plants = bed("ABC", blocks=4, plants=3)
    found = conclude(records(plants, heights=grown(
        plants, {"A": 150, "B": 220, "C": 150}, range(20, 90, 7))))
    assert found.verdict.answer.startswith("Height on ")
    assert found.verdict.headline == "B is tallest"
    assert "cm" in found.verdict.how_sure


def test_losses_alone_answer_by_the_stand():
    plants = bed("AB", blocks=6, plants=6)
    lost = (plants["variety"] == "A") & plants["plant"].str.endswith(("1", "2", "3", "5", "7"))
    plants.loc[lost, "lost"] = day(20)
    found = conclude(records(plants, heights=grown(plants, {"A": 100, "B": 100}, [10]).iloc[:0],
                             events=pd.DataFrame({"date": [day(40)], "plant": [plants["plant"][0]],
                                                  "plot": [pd.NA], "event": ["watered"],
                                                  "note": [""]})))
    assert found.verdict.answer.startswith("Plants still standing")
    assert found.verdict.state in ("settled", "will not be settled this season")


def test_grades_alone_answer_by_the_odds_of_a_better_grade():
    plants = bed("AB", blocks=6, plants=5)
    rng = np.random.default_rng(5)
    good = np.where(plants["variety"] == "B", 0.9, 0.3)
    harvest = pd.DataFrame({"date": day(90), "plant": plants["plant"], "weight_g": np.nan,
                            "count": np.nan,
                            "grade": np.where(rng.random(len(plants)) < good, "first", "second")})
    found = conclude(of(records(plants, harvest=harvest), grades=("first", "second")))
    assert found.verdict.answer.startswith("Share graded first")
    assert found.verdict.how_sure.startswith("Pieces of B were graded better than those of A, on ")
    assert "odds" not in found.verdict.how_sure
    assert found.verdict.headline == "B graded best"


# -- the season before its end --------------------------------------------------------------

def test_what_a_rest_of_season_would_have_to_bring():
    """A has 60, B at most 40 after 30 days; in the 10 days to come A goes on at 2 a day and ends
    at 80, so that B would need 4 a day, twice A's rate so far."""
    assert needed_to_turn(60 / 40, 30, 10) == pytest.approx(4 / 2)
    assert needed_to_turn(1.0, 30, 10) == 1.0


def test_a_long_lead_late_in_the_season_is_the_seasons():
    plants = bed("AB", blocks=6, plants=4)
    picks = bell(plants, {"A": 0, "B": 0}, {"A": 30, "B": 90}, seed=2)
    upto = picks[picks["date"] <= day(DAYS[-3])]
    found = conclude(records(plants, upto, looks=len(DAYS)))
    rest = found.looks.rest["B", "A"]
    assert rest.needed >= BEYOND_REACH
    assert found.verdict.mark == "Firm"
    assert ": ahead for the season" in found.verdict.answer
    assert "Even if A gave 2.0 times a week what B has given so far" in found.verdict.how_sure
    early = conclude(records(plants, picks[picks["date"] <= day(DAYS[5])], looks=len(DAYS)))
    if early.verdict.state == "settled":
        assert ": ahead so far" in early.verdict.answer
        assert early.verdict.mark == "Leaning"


# -- outside checks -------------------------------------------------------------------------

def test_the_published_square_of_sprays():
    """OrchardSprays (Finney 1947; R's datasets), 8 x 8 square: the ratio of two treatments is
    that of R's glm(decrease ~ treatment + row + column, quasipoisson), reference/orchard.R."""
    said = json.loads((REFERENCE / "orchard.json").read_text())
    decrease = np.array(said["decrease"], dtype=float)
    code = np.unique(said["treatment"], return_inverse=True)[1]
    taken = []
    for name in ("rows", "columns"):
        z = np.eye(8)[np.array(said[name]) - 1]
        taken.append(z[:, 1:] - z[:, :1])
    fit = fit_plots(decrease, np.ones(64), code, np.hstack(taken))
    for k, estimate in enumerate(said["estimate"], start=1):
        # half a piece a treatment keeps one that gave nothing finite: at most 1 in 37 here
        assert fit.ratio(k, 0).estimate == pytest.approx(estimate, abs=0.015)
    assert fit.layout.df == 64 - 8 - 7 - 7


@pytest.mark.parametrize("tension", ["L", "M", "H"])
def test_two_one_sided_tests_on_published_counts(tension):
    """Breaks of 9 looms' warps with either wool (Tippett 1950, Technological Applications of
    Statistics, p. 106; as carried by R's datasets): level by the rule in use, given 5 % for each
    side, just where statsmodels' two one-sided t tests (Schuirmann 1987) of the logarithms are
    both below 5 %."""
    breaks = pd.read_csv(Path(__file__).parents[1] / "models" / "reference" / "warpbreaks.csv")
    some = breaks[breaks["tension"] == tension]
    a, b = (np.log(some.loc[some["wool"] == wool, "breaks"].to_numpy(float)) for wool in "AB")
    df = float(len(a) + len(b) - 2)
    se = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / len(a))
    look = Look(date(2025, 8, 1), a.mean() - b.mean(), se, df)

    def level(band):
        return evaluate_looks([look], 1, 0.1 * (df + FEW_DF) / df, last=True,
                              alike_within=band).alike

    told = {}
    for band in np.log([1.1, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0]):
        p, *_ = ttost_ind(a, b, -band, band)
        told[band] = p < 0.05
        assert level(band) == told[band]
    assert set(told.values()) == {True, False}
    # At the very edge too.
    edge = brentq(lambda band: ttost_ind(a, b, -band, band)[0] - 0.05, 0.01, 3.0, xtol=1e-12)
    assert level(edge + 1e-6)
    assert not level(edge - 1e-6)


def records_result():
    plants = bed("AB", blocks=3, plants=1)
    return conclude(records(plants, heights=grown(plants, {"A": 100, "B": 100}, [30, 60]))
                    ).analysis.height


@pytest.mark.parametrize("gap", [0.0, 1.0, 2.5])
def test_a_range_inside_the_band_is_two_one_sided_tests(gap):
    """statsmodels' two one-sided t tests: at 5 %, equivalent just where the 90 % range lies within
    the band."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(10 + gap, 2, 12), rng.normal(10, 2, 12)
    p, *_ = ttost_ind(a, b, -3.0, 3.0)
    pooled = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 12)
    mean = a.mean() - b.mean()
    low, high = mean + np.array([-1, 1]) * stats.t.isf(0.05, 22) * pooled
    assert _inside(records_result(), _Pair("a", "b", mean, low, high, 0.5), 3.0) == (p < 0.05)


# -- records that cannot carry it -----------------------------------------------------------

def test_heights_that_stop_at_the_stick_are_no_measure_of_reach(tall_season):
    stuck = tall_season.heights.assign(height_cm=tall_season.heights["height_cm"].clip(upper=180.0))
    found = conclude(of(replace(tall_season, heights=stuck), question="within reach", bears="top"))
    assert found.verdict.headline == "Heights stop short"
    assert "180 cm" in found.verdict.how_sure


# -- place in the bed -----------------------------------------------------------------------

def test_a_trend_that_turns_the_order_round_stands_in_the_answer():
    """B stands at the poor end of most blocks: as weighed it is behind A, and the ground being
    allowed for ahead of it."""
    plants = bed("ABC", blocks=5, plants=1)
    orders = {"1": "BCA", "2": "BCA", "3": "CBA", "4": "BAC", "5": "BCA"}
    plants = plants.assign(column=[
        float(orders[block].index(variety) + 1)
        for block, variety in zip(plants["block"], plants["variety"], strict=True)])
    rng = np.random.default_rng(3)
    level = 400 + 80.0 * plants["column"] + 60.0 * (plants["variety"] == "B")
    harvest = pd.DataFrame({"date": day(90), "plant": plants["plant"], "count": np.nan,
                            "weight_g": level + rng.normal(0, 4, len(plants)), "grade": None})
    verdict = conclude(records(plants, harvest=harvest)).verdict
    assert "turns the order round" in verdict.answer
    assert "turns the order round" not in verdict.how_sure


@pytest.mark.parametrize(("slope", "told"), [(0.0, False), (1.0, True)])
def test_place_is_mentioned_where_its_own_test_tells_and_nowhere_else(slope, told):
    plants = bed("ABC", blocks=4, plants=1)
    lots = np.random.default_rng(7)
    plants["column"] = np.concatenate([lots.permutation(3) + 1.0 for _ in range(4)])
    picks = bell(plants, dict.fromkeys("ABC", 0), dict.fromkeys("ABC", 40.0), 7)
    column = plants.set_index("plant")["column"].reindex(picks["plant"]).to_numpy()
    picks["count"] = np.round(picks["count"] * np.exp(slope * (column - 2.0)))
    found = conclude(records(plants, picks, looks=len(DAYS)))
    said = found.verdict.answer + found.verdict.how_sure
    assert found.analysis.position.clear == told
    assert ("llowing for" in said) == told


# -- what a grower looks for first -----------------------------------------------------------

def test_a_variety_lost_or_barren_is_said_to_be_so():
    plants = bed("ABC", blocks=4, plants=4)
    picks = bell(plants, {"A": 0, "B": 0, "C": 0}, {"A": 40, "B": 40, "C": 40})
    gone = plants["variety"] == "C"
    plants.loc[gone, "lost"] = day(58)
    left = picks[~(picks["plant"].isin(plants["plant"][gone]) & (picks["date"] >= day(58)))]
    said = conclude(records(plants, left, looks=len(DAYS))).verdict
    assert "C lost all 16 plants." in said.sentence
    assert len(said.sentence.split()) <= 27
    assert said.answer.startswith(said.sentence)

    plants = bed("ABC", blocks=4, plants=4)
    barren = picks.assign(count=picks["count"].where(
        ~picks["plant"].isin(plants["plant"][plants["variety"] == "C"]), 0.0))
    answer = conclude(records(plants, barren, looks=len(DAYS))).verdict.answer
    assert "C gave nothing" in answer
    assert "C gave less" not in answer
