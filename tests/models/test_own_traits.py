"""Traits of one's own, each kind against a published set; what cannot be worked out is said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import bed, day, records

from trialkit.models import Missing
from trialkit.models.analysis import analyse
from trialkit.records import read_records
from trialkit.report.measures import Measure
from trialkit.report.trait_tables import answer_lines, own_treatment_lines
from trialkit.trial import OwnTrait

REFERENCE = Path(__file__).parent / "reference"


def _trial(table: pd.DataFrame, trait: OwnTrait):
    """A trial whose plots are the units of a published set.

    table: variety, plot, value, and block where there is one; a row a record.
    """
    table = table.reset_index(drop=True)
    block = table["block"].astype(str) if "block" in table else pd.Series("1", index=table.index)
    table = table.assign(plot=table["plot"].astype(str), block=block,
                         variety=table["variety"].astype(str))
    table["plant"] = [f"p{i}" for i in range(len(table))]
    plants = table[["plant", "variety", "block", "plot"]].assign(
        row=_scattered(table), column=table.groupby("plot").cumcount() + 1.0,
        treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA).astype({"lost": "datetime64[ns]"})
    trial = records(plants, check=str(table["variety"].iloc[0]))
    rows = pd.DataFrame({"date": table.get("date", day(50)), "plant": table["plant"], "plot": None,
                         "trait": trait.name, "value": table["value"].astype(str)})
    return replace(trial, traits=rows, trial=replace(trial.trial, traits=(trait,)))


def _scattered(table: pd.DataFrame) -> np.ndarray:
    """A row for each plot, those of a variety spread evenly over the bed."""
    plots = table.drop_duplicates("plot")
    place = (plots.groupby("variety").cumcount() + 0.5) / plots.groupby("variety")[
        "plot"].transform("size")
    return table["plot"].map(place.set_axis(plots["plot"]).rank(method="first")).to_numpy(float)


def _log_odds(result, varieties) -> np.ndarray:
    """Log odds of each variety against the check."""
    return np.log(result.against_check.set_index("variety")["estimate"].loc[varieties])


def test_a_measure_gives_tukeys_intervals() -> None:
    # PlantGrowth, dried weight of 30 plants (Dobson 1983, Introduction to Statistical Modelling);
    # Tukey's intervals as in the example of R's TukeyHSD.
    weights = {
        "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
        "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
        "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
    }
    table = pd.DataFrame([(v, f"{v}{i}", x) for v, xs in weights.items() for i, x in enumerate(xs)],
                         columns=["variety", "plot", "value"])
    result = analyse(_trial(table, OwnTrait("dry weight", "measure", unit="g"))).own["dry weight"]
    assert result.means["estimate"].to_list() == pytest.approx([5.032, 4.661, 5.526], abs=1e-9)
    pair = result.pairs.set_index(["left", "right"]).loc[("trt1", "trt2")]
    assert pair["estimate"] == pytest.approx(-0.865, abs=1e-9)
    assert (-pair["high"], -pair["low"]) == pytest.approx((0.1737839, 1.5562161), abs=1e-5)
    assert pair["p"] == pytest.approx(0.0120064, abs=1e-5)
    assert result.unit == "g"


def test_a_count_gives_the_means_of_plots() -> None:
    # InsectSprays, insects in plots after six sprays (Beall 1942, Biometrika 32:243).
    counts = {
        "A": [10, 7, 20, 14, 14, 12, 10, 23, 17, 20, 14, 13],
        "B": [11, 17, 21, 11, 16, 14, 17, 17, 19, 21, 7, 13],
        "C": [0, 1, 7, 2, 3, 1, 2, 1, 3, 0, 1, 4],
        "D": [3, 5, 12, 6, 4, 3, 5, 5, 5, 5, 2, 4],
        "E": [3, 5, 3, 5, 3, 6, 1, 1, 3, 2, 6, 4],
        "F": [11, 9, 15, 22, 15, 16, 13, 10, 26, 26, 24, 13],
    }
    table = pd.DataFrame([(v, f"{v}{i}", x) for v, xs in counts.items() for i, x in enumerate(xs)],
                         columns=["variety", "plot", "value"])
    result = analyse(_trial(table, OwnTrait("insects", "count", better="less"))).own["insects"]
    means = result.means.set_index("variety")["estimate"]
    assert means.to_dict() == pytest.approx(
        {"A": 14.5, "B": 15.3333, "C": 2.0833, "D": 4.9167, "E": 3.5, "F": 16.6667}, rel=0.01)
    ratio = result.against_check.set_index("variety").loc["C"]
    assert ratio["estimate"] == pytest.approx(np.exp(-1.94017947), rel=0.01)
    assert ratio["high"] < 0.3
    assert result.better == "less"


def test_a_yes_or_no_is_binomial_with_plots_random() -> None:
    # bacteria: presence of H. influenzae, 50 children (Venables & Ripley 2002, MASS, section 10.4);
    # lme4's Laplace fit (own.R): log odds against placebo -1.2021, -0.7095.
    table = pd.read_csv(REFERENCE / "bacteria.csv")
    table = table.assign(variety=table["trt"], plot=table["ID"],
                         value=table["y"].map({"y": "yes", "n": "no"}))
    order = ["drug", "drug+"]
    table = pd.concat([table[table["trt"] == "placebo"], table[table["trt"] != "placebo"]])
    result = analyse(_trial(table, OwnTrait("ill", "yes or no"))).own["ill"]
    assert result.scale == "odds"
    assert _log_odds(result, order).to_list() == pytest.approx([-1.2020869, -0.7094952], abs=0.06)
    assert result.unit == "%"
    assert result.means["estimate"].between(60, 95).all()


def test_a_share_is_binomial_with_a_spread_between_plots() -> None:
    # cbpp (Lesnoff et al. 2004, Trop. Anim. Health Prod. 36:315); lme4 with a random effect a
    # record (own.R): -1.2265, -1.3288, -1.8662 against the first period.
    table = pd.read_csv(REFERENCE / "cbpp.csv")
    table = table.assign(variety="p" + table["period"].astype(str), block=table["herd"],
                         plot=[f"{h}.{p}" for h, p in zip(table["herd"], table["period"],
                                                          strict=True)],
                         value=[f"{n}/{of}" for n, of in zip(table["incidence"], table["size"],
                                                             strict=True)])
    result = analyse(_trial(table, OwnTrait("fell ill", "share", better="less"))).own["fell ill"]
    assert "unit" in result.method.groups
    assert _log_odds(result, ["p2", "p3", "p4"]).to_list() == pytest.approx(
        [-1.226498, -1.328831, -1.866248], abs=0.12)


def test_a_score_is_a_cumulative_logit() -> None:
    # wine: bitterness on five steps (Randall 1989, Biom. J. 31:247); R's clm with judges as blocks.
    known = json.loads((REFERENCE / "wine.json").read_text())["temp"]
    table = pd.read_csv(REFERENCE / "wine.csv")
    table = table.assign(variety=table["temp"], block=table["judge"],
                         plot=[f"{j}.{t}" for j, t in zip(table["judge"], table["temp"],
                                                          strict=True)],
                         value=table["rating"])
    trait = OwnTrait("bitter", "score", low=1, high=5, ends=("not", "very"))
    result = analyse(_trial(table, trait)).own["bitter"]
    assert _log_odds(result, ["warm"]).to_list() == pytest.approx(
        [known["effects"]["warm"]], abs=0.02)
    pair = result.against_check.iloc[0]
    # Student's t on the layout's 8 df (9 judges, 2 varieties): 2.306.
    half = np.log(pair["high"] / pair["low"]) / 2
    assert half / 2.306004 == pytest.approx(known["se"]["warm"], abs=0.01)
    means = result.means.set_index("variety")["estimate"]
    plain = table.groupby("temp")["rating"].mean()
    assert means.to_dict() == pytest.approx(plain.to_dict(), abs=0.15)


def _days(first: dict[str, list[int | None]]):
    """Plants of a 4-block bed seen every 2 days until they flower; None: never by day 70."""
    plants = bed(["A", "B"], plants=2)
    rows = []
    taken = {v: iter(days) for v, days in first.items()}
    for plant, variety in zip(plants["plant"], plants["variety"], strict=True):
        at = next(taken[variety])
        rows += [(day(d), plant, "no") for d in range(40, (at or 72), 2)]
        rows += [(day(at), plant, "yes")] if at else []
    trait = OwnTrait("first bloom", "day", better="less")
    table = pd.DataFrame(rows, columns=["date", "plant", "value"]).assign(
        plot=None, trait=trait.name)
    trial = records(plants)
    return replace(trial, traits=table, trial=replace(trial.trial, traits=(trait,)))


def test_a_day_counts_from_planting() -> None:
    result = analyse(_days({"A": [50, 52, 54, 50, 52, 56, 54, 52],
                            "B": [60, 58, 62, 60, 64, 60, 62, 58]})).own["first bloom"]
    means = result.means.set_index("variety")["estimate"]
    assert means.to_dict() == pytest.approx({"A": 52.5, "B": 60.5})
    assert result.against_check["estimate"].iloc[0] == pytest.approx(8.0)
    assert result.supported


def test_plants_that_have_not_bloomed_are_allowed_for_by_the_middle_plant_or_said() -> None:
    late = {"A": [50, 52, 54, 50, 52, 56, 54, None], "B": [60, 58, 62, 60, 64, 60, 62, 58]}
    result = analyse(_days(late)).own["first bloom"]
    assert result.supported  # the first of two plants of a plot is its middle one
    never = {"A": [50, 52, 54, 50, 52, 56, None, None], "B": late["B"]}
    result = analyse(_days(never)).own["first bloom"]
    assert not result.supported
    assert "in 1 of 8 plots it was not seen on half of the plants yet" in result.why_not
    assert result.means[["low", "high"]].isna().all(axis=None)


@pytest.mark.parametrize(("trait", "values", "why"), [
    (OwnTrait("vigour", "score", low=1, high=5), ["3"] * 6, "every vigour recorded is the same"),
    (OwnTrait("ill", "yes or no"), ["yes", "no"] * 3, ""),
    (OwnTrait("seeds", "count"), ["0", "0", "0", "3", "4", "5"], "A had no seeds"),
    (OwnTrait("split", "share"), ["0/9", "0/8", "0/9", "3/9", "4/9", "5/9"], "A had none"),
    (OwnTrait("split", "share"), ["9/9", "8/8", "9/9", "3/9", "4/9", "5/9"], "A had all"),
    (OwnTrait("rot", "share"), ["5 %", "0 %", "9 %", "13 %", "24 %", "35 %"], ""),
    (OwnTrait("mildew", "score", words=("none", "some", "much"), low=1, high=3),
     ["none", "none", "none", "much", "much", "much"], "could not be fitted"),
])
def test_what_cannot_be_worked_out_is_described(trait, values, why) -> None:
    table = pd.DataFrame({"variety": ["A", "A", "A", "B", "B", "B"], "value": values,
                          "plot": [f"u{i}" for i in range(6)], "block": ["1", "2", "3"] * 2})
    result = analyse(_trial(table, trait)).own[trait.name]
    assert not isinstance(result, Missing)
    assert (why in result.why_not) if why else result.supported or result.why_not
    assert result.supported == (not result.why_not)
    if not result.supported:
        assert result.means[["low", "high"]].isna().all(axis=None)
        assert result.against_check["p"].isna().all()
    assert result.means["estimate"].notna().all()


def test_a_row_each_is_described_and_nothing_recorded_is_missing() -> None:
    table = pd.DataFrame({"variety": ["A", "A", "B", "B"], "plot": ["1", "1", "2", "2"],
                          "value": ["3", "4", "5", "4"]})
    result = analyse(_trial(table, OwnTrait("width", "measure", unit="mm"))).own["width"]
    assert not result.supported
    assert result.means["estimate"].to_list() == [3.5, 4.5]
    empty = _trial(table, OwnTrait("width", "measure"))
    none = analyse(replace(empty, traits=empty.traits.iloc[:0])).own["width"]
    assert isinstance(none, Missing)
    assert none.reason == "no width is recorded yet"


def test_every_plot_stands_behind_its_varietys_mean() -> None:
    table = pd.DataFrame({"variety": ["A", "A", "B", "B"] * 2, "plot": list("abcdabcd"),
                          "value": ["1/10", "3/10", "6/10", "4/10", "0/5", "1/5", "3/5", "5/5"]})
    plots = analyse(_trial(table, OwnTrait("split", "share"))).own["split"].by_plot
    # 1 of 15, 4 of 15, 9 of 15, 9 of 15: shares of all looked at, in percent.
    assert sorted(plots["value"]) == pytest.approx([100 / 15, 400 / 15, 60, 60])


def test_a_measure_under_treatments_in_a_split_plot_as_r() -> None:
    # Yates' oats (1935) as a trait of one's own; lmer(Y ~ V * N + B + (1 | B:V)) by Kenward and
    # Roger: N F 37.68565 on 3 and 45, V:N F 0.30282 on 6 and 45; emmeans ~ N | V: 0.6 less 0.0 cwt
    # 44.8333 for Golden Rain (se 7.6826), R 4.2.2 (treatments.R).
    oats = read_records(Path(__file__).parents[2] / "data" / "oats-1935")
    rows = pd.DataFrame({"date": day(90), "plant": oats.plants["plant"], "plot": None,
                         "trait": "yield", "value": oats.harvest["weight_g"].astype(str)})
    trial = replace(oats.trial, traits=(OwnTrait("yield", "measure"),))
    found = analyse(replace(oats, traits=rows, trial=trial))
    own, both = found.own["yield"], found.own["yield"].combined
    tests = both.tests.set_index("term")
    assert tests.loc["treatment", "F"] == pytest.approx(37.68565, abs=1e-4)
    assert tests.loc["variety:treatment", "F"] == pytest.approx(0.30282, abs=1e-4)
    assert tests["den_df"].tolist() == pytest.approx([45, 45])
    one = both.answers.set_index(["variety", "left", "right"]).loc[
        ("Golden Rain", "0.0 cwt", "0.6 cwt")]
    assert one["estimate"] == pytest.approx(-44.8333, abs=1e-3)
    half = stats.t.isf(0.025 / 18, 45) * 7.6826  # three varieties, six pairs of treatments
    assert (one["high"] - one["low"]) / 2 == pytest.approx(half, abs=2e-3)
    cell = both.cells.set_index(["variety", "treatment"]).loc[("Victory", "0.0 cwt")]
    assert (cell["estimate"], cell["se"]) == pytest.approx((71.5, 6.86956), abs=1e-4)
    assert (own.pairs["df"] == 10).all()
    assert any("can't show that varieties answer differently" in line
               for line in own_treatment_lines(own))
    # The same as a harvest.
    pd.testing.assert_frame_equal(found.harvest.combined.cells, both.cells, check_exact=False)


def test_a_count_under_treatments_as_glmmtmb() -> None:
    # warpbreaks (Tippett 1950, Technological Applications of Statistics): glmmTMB(breaks ~ wool *
    # tension, nbinom2, REML = TRUE), emmeans on the log scale: wool:tension F 3.661 (treatments.R).
    table = pd.read_csv(REFERENCE / "warpbreaks.csv")
    table = table.assign(variety=table["wool"], plot=[f"p{i}" for i in range(len(table))],
                         value=table["breaks"])
    trial = _trial(table, OwnTrait("breaks", "count", better="less"))
    trial = replace(trial, plants=trial.plants.assign(treatment=table["tension"]))
    both = analyse(trial).own["breaks"].combined
    cells = both.cells.set_index(["variety", "treatment"])["estimate"]
    assert np.log(cells["A"][["L", "M", "H"]].to_numpy()) == pytest.approx(
        [3.796737, 3.178054, 3.200938], abs=1e-4)
    one = both.answers.set_index(["variety", "left", "right"])["estimate"]
    assert np.log(one["B", "H", "L"]) == pytest.approx(-0.4074356, abs=1e-4)
    assert both.p("variety:treatment") == pytest.approx(0.033, abs=0.002)
    assert both.tests.set_index("term").loc["variety:treatment", "den_df"] == 48
    (line,) = answer_lines(both, Measure(""))
    assert line.startswith("Varieties answer differently to the treatments: compare them under one")


def test_plants_of_a_part_are_no_repetitions_of_its_treatment() -> None:
    """Three plants in each part of Yates' split plot that differ by chance alone: treatments are
    tested between parts, as on their means."""
    oats = read_records(Path(__file__).parents[2] / "data" / "oats-1935")
    thrice = pd.concat([oats.plants.assign(plant=oats.plants["plant"] + f"/{k}")
                        for k in range(3)], ignore_index=True)
    apart = np.concatenate([np.full(len(oats.plants), step) for step in (-5.0, 0.0, 5.0)])
    dug = pd.concat([oats.harvest] * 3, ignore_index=True).assign(plant=thrice["plant"])
    made = replace(oats, plants=thrice, harvest=dug.assign(weight_g=dug["weight_g"] + apart))
    tests = analyse(made).harvest.tests.set_index("term")
    assert tests.loc["treatment", "F"] == pytest.approx(37.68565, abs=1e-2)
    assert tests.loc["treatment", "den_df"] == pytest.approx(45, abs=0.1)
    assert tests.loc["variety", "F"] == pytest.approx(1.48534, abs=1e-3)


def test_varieties_that_answer_differently_are_told_in_words() -> None:
    plants = bed(["A", "B"], blocks=6, plants=1)
    plants = pd.concat([plants.assign(plant=plants["plant"] + t, plot=plants["plot"] + t,
                                      column=2 * plants["column"] + (t == "fed"), treatment=t)
                        for t in ("fed", "not fed")], ignore_index=True)
    rng = np.random.default_rng(2)
    value = 20 + 8.0 * ((plants["variety"] == "A") & (plants["treatment"] == "fed")) + rng.normal(
        0, 1, len(plants))
    rows = pd.DataFrame({"date": day(50), "plant": plants["plant"], "plot": None,
                         "trait": "stem", "value": value.astype(str)})
    made = records(plants, design="randomised complete blocks")
    own = analyse(replace(made, traits=rows, trial=replace(
        made.trial, traits=(OwnTrait("stem", "measure", unit="cm"),)))).own["stem"]
    lines = own_treatment_lines(own)
    assert lines[1].startswith("Varieties answer differently to the treatments. Fed less not fed: ")
    assert "A 8.1 (6.8 to 9.4) cm" in lines[1]
    assert own.pairs["df"].iloc[0] == 24 - 6 - 4 + 1  # four combinations in six blocks


def test_what_is_compared_by_odds_is_told_without_them_under_two_treatments() -> None:
    """Of twelve plants a plot 9 rotted where A was fed and B was not, 3 elsewhere, a few either
    way."""
    plants = bed(["A", "B"], blocks=8, plants=1)
    plants = pd.concat([plants.assign(plant=plants["plant"] + t, plot=plants["plot"] + t,
                                      column=2 * plants["column"] + (t == "fed"), treatment=t)
                        for t in ("fed", "not fed")], ignore_index=True)
    fed, a = (plants["treatment"] == "fed").to_numpy(), (plants["variety"] == "A").to_numpy()
    rotten = np.where(fed == a, 9, 3) + np.arange(len(plants)) % 3 - 1
    rows = pd.DataFrame({"date": day(50), "plant": plants["plant"], "plot": None, "trait": "rot",
                         "value": [f"{n}/12" for n in rotten]})
    made = records(plants, design="randomised complete blocks")
    own = analyse(replace(made, traits=rows, trial=replace(made.trial, traits=(
        OwnTrait("rot", "share", better="less"),)))).own["rot"]
    assert own.combined.scale == "odds"
    said = own_treatment_lines(own)[-1]
    assert "odds" not in said
    assert "times" not in said
    assert said.endswith("Fed beside not fed: B a smaller share; A a larger share.")


def test_treatments_that_are_blocks_are_left_out_and_said() -> None:
    plants = bed(["A", "B"], blocks=4, plants=1)
    plants["treatment"] = np.where(plants["block"].isin(["1", "2"]), "fed", "not fed")
    rows = pd.DataFrame({"date": day(50), "plant": plants["plant"], "plot": None, "trait": "stem",
                         "value": [str(v) for v in range(len(plants))]})
    made = records(plants, design="randomised complete blocks")
    own = analyse(replace(made, traits=rows, trial=replace(
        made.trial, traits=(OwnTrait("stem", "measure", unit="cm"),)))).own["stem"]
    assert own.combined.cells.empty
    assert any("cannot be told from varieties or blocks" in note for note in own.notes)
