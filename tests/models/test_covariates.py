"""Numbers a plot that harvests and own traits are adjusted for, against R; and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from seasons import bed, day, records

from trialkit.decide import conclude
from trialkit.decide.series import looks_so_far
from trialkit.models import analyse
from trialkit.records import RecordsError, read_records
from trialkit.trial import OwnTrait

REFERENCE = Path(__file__).parent / "reference"
KNOWN = json.loads((REFERENCE / "cabbages.json").read_text())


def _cabbages(**trial):
    table = pd.read_csv(REFERENCE / "cabbages.csv")
    table = table.assign(plant=[f"p{i}" for i in range(len(table))])
    # Each cultivar's plots spread over the bed.
    place = table.groupby("Cult").cumcount() * 2 + (table["Cult"] == "c52")
    plants = pd.DataFrame({
        "plant": table["plant"], "variety": table["Cult"], "block": table["Date"],
        "plot": table["plant"], "row": place + 1.0, "column": 1.0, "treatment": pd.NA,
        "lost": pd.NaT, "lost_reason": pd.NA, "head": table["HeadWt"]},
    ).astype({"lost": "datetime64[ns]"})
    dug = pd.DataFrame({"date": day(90), "plant": table["plant"], "weight_g": table["VitC"],
                        "count": np.nan, "grade": None})
    made = records(plants, harvest=dug, check="c39")
    rows = pd.DataFrame({"date": day(90), "plant": table["plant"], "plot": None,
                         "trait": "vitamin C", "value": table["VitC"].astype(str)})
    return replace(made, traits=rows, trial=replace(
        made.trial, traits=(OwnTrait("vitamin C", "measure"),), harvest_unit="mg/100 g", **trial))


@pytest.mark.parametrize("which", ["harvest", "own"])
def test_analysis_of_covariance(which) -> None:
    # Rawlings (1988), cabbages of R's MASS; lm(VitC ~ Cult + Date + HeadWt), covariates.R.
    found = analyse(_cabbages(covariates=("head",)))
    result = found.harvest if which == "harvest" else found.own["vitamin C"]
    one = result.against_check.iloc[0]
    assert one["estimate"] == pytest.approx(KNOWN["c52"], abs=1e-6)
    assert one["df"] == KNOWN["df"]
    half = (one["high"] - one["low"]) / 2
    assert half / 2.004044783 == pytest.approx(KNOWN["se"], abs=1e-6)  # t, 55 df, 97.5 %
    assert "Adjusted for head" in result.method.plain
    if which == "harvest":
        tests = found.harvest.tests.set_index("term")
        assert tests.loc["head", "F"] == pytest.approx(KNOWN["F"], rel=1e-6)


def test_without_being_declared_nothing_is_adjusted() -> None:
    one = analyse(_cabbages()).harvest.against_check.iloc[0]
    assert one["estimate"] != pytest.approx(KNOWN["c52"], abs=0.5)


def test_what_cannot_be_told_from_varieties_is_left_out_and_said() -> None:
    made = _cabbages(covariates=("head",))
    plants = made.plants.assign(head=made.plants["variety"].map({"c39": 1.0, "c52": 2.0}))
    result = analyse(replace(made, plants=plants)).harvest
    assert result.supported
    assert any("cannot be told from them" in note for note in result.notes)
    plain = analyse(_cabbages()).harvest
    assert result.means["estimate"].to_list() == pytest.approx(plain.means["estimate"].to_list())


def test_too_few_plots_to_adjust_for_anything_is_said() -> None:
    plants = bed(["A", "B", "C"], blocks=2, plants=1).assign(
        soil=[1.0, 2, 4, 3, 2, 5], shade=[3.0, 1, 1, 7, 4, 2])
    dug = pd.DataFrame({"date": day(90), "plant": plants["plant"],
                        "weight_g": [9.0, 5, 7, 3, 8, 6], "count": np.nan, "grade": None})
    made = records(plants, harvest=dug)
    assert analyse(made).harvest.supported
    trial = replace(made.trial, covariates=("soil", "shade"))
    result = analyse(replace(made, trial=trial)).harvest
    assert "too few plots to adjust" in result.reason


@pytest.mark.parametrize("cells", [(",1.5", ","), (",", ","), (",-", ",2")])
def test_a_covariate_left_blank_is_told(tmp_path, cells) -> None:
    # A whole column of numbers is read at once; a blank in it is an error all the same.
    (tmp_path / "trial.toml").write_text(
        'title = "T"\ncrop = "bean"\nplanted = 2026-05-20\ncovariates = ["soil"]\n'
        '[[varieties]]\nname = "A"\n')
    (tmp_path / "plants.csv").write_text(
        f"plant,variety,soil\nA1,A{cells[0]}\nA2,A{cells[1]}\nA3,A,3\n")
    with pytest.raises(RecordsError) as told:
        read_records(tmp_path)
    rows = told.value.problems
    assert rows["column"].unique().tolist() == ["soil"]
    assert rows["line"].iloc[-1] == 2 + (cells[1] == ",")


def _eelworms(**trial):
    """48 plots of Cochran & Cox 1957, p. 46, their counts after fumigation as one pick."""
    table = pd.read_csv(REFERENCE / "eelworms.csv")
    name = [f"p{i}" for i in range(len(table))]
    plants = table[["variety", "block"]].assign(
        plant=name, plot=name, row=table["row"].astype(float), column=table["column"].astype(float),
        treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA, initial=table["initial"]).astype(
        {"lost": "datetime64[ns]"})
    picks = pd.DataFrame({"date": day(60), "plant": name, "count": table["final"].astype(float),
                          "weight_g": table["final"] * 10.0})
    made = records(plants, picks, check="Con", design="randomised complete blocks")
    return replace(made, trial=replace(made.trial, **trial))


def test_counts_are_adjusted_as_by_glmmtmb_and_plots_totals_as_by_glm() -> None:
    known = json.loads((REFERENCE / "eelworms.json").read_text())  # eelworms.R
    found = analyse(_eelworms(covariates=("initial",)))
    pods = found.pods
    base, c = pods.varieties.index("Con"), pods.covariance
    for variety, log_ratio in known["log_ratio"].items():
        at = pods.varieties.index(variety)
        assert pods.log_rate[at] - pods.log_rate[base] == pytest.approx(log_ratio, abs=2e-4)
        se = np.sqrt(c[at, at] + c[base, base] - 2 * c[at, base])
        assert se == pytest.approx(known["se"][variety], rel=5e-3)
    assert pods.fit.fixed["covariate_0"] == pytest.approx(known["initial"], abs=1e-6)
    assert pods.df == 48 - 4 - 4 - 1
    assert "Adjusted for initial, plot by plot" in pods.method.plain
    looks = looks_so_far(found, found.totals)
    for variety, log_ratio in known["totals"].items():
        last = looks.totals[variety, "Con"][-1]
        assert last.estimate == pytest.approx(log_ratio, abs=2e-3)
        assert last.df <= 39
    verdict = conclude(found.records).verdict
    assert "before allowing for initial" in verdict.answer
    assert "Allowing for initial, " in verdict.how_sure


def test_weights_of_picks_are_adjusted_too() -> None:
    """Ten times the count: least squares of logarithms on variety, block, number (statsmodels)."""
    result = analyse(_eelworms(covariates=("initial",))).weights
    table = pd.read_csv(REFERENCE / "eelworms.csv")
    expected = table["final"].mean() + table["final"].min() / 2
    table["y"] = np.log((table["final"] + table["final"].min() / 2) / expected)
    fit = smf.ols("y ~ C(variety, Treatment('Con')) + block + initial", table).fit()
    one = result.against_check.set_index("variety").loc["Car"]
    assert np.log(one["estimate"]) == pytest.approx(
        fit.params["C(variety, Treatment('Con'))[T.Car]"], abs=1e-8)
    assert one["df"] == fit.df_resid


def test_a_number_that_is_the_block_adjusts_no_count() -> None:
    made = _eelworms(covariates=("initial",))
    of_block = made.plants["block"].map({"B1": 1.0, "B2": 2.0, "B3": 3.0, "B4": 4.0})
    found = analyse(replace(made, plants=made.plants.assign(initial=of_block)))
    plain = analyse(_eelworms())
    assert found.totals.adjusted == {}
    assert found.pods.log_rate == pytest.approx(plain.pods.log_rate)
    assert "cannot be told from them" in found.pods.method.full
    assert found.pods.df == plain.pods.df == 40
