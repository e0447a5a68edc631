"""Numbers a plot that harvests and own traits are adjusted for, against R; and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, records

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
