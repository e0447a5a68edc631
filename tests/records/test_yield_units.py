"""Yields in any unit are kept as written; numbers a plot to adjust for; and what is refused."""

from __future__ import annotations

import pytest

from trialkit.models import analyse
from trialkit.records import read_records
from trialkit.trial import TrialProblems, parse_trial

HEAD = 'title = "Two oats"\ncrop = "oats"\nplanted = 2026-03-20\n'
VARIETIES = '[[varieties]]\nname = "Ambrel"\ncheck = true\n[[varieties]]\nname = "Costry"\n'
PLANTS = ("plant,variety,block,row,column\n" + "".join(
    f"{v}{b},{v},{b},{b},{1 + (i + b) % 2}\n" for b in range(1, 5)
    for i, v in enumerate(("Ambrel", "Costry"))))


def _trial(units: str = "", top: str = "") -> str:
    return HEAD + top + (f"[units]\n{units}\n" if units else "") + VARIETIES


@pytest.mark.parametrize(("units", "kept", "weights"), [
    ('weight = "t/ha"', "t/ha", "g"), ('harvest = "bushels an acre"', "bushels an acre", "g"),
    ('weight = "lb/plot"', "lb/plot", "g"), ('weight = "kg/m2"', "kg/m2", "g"),
    ('weight = "bu/ac"', "bu/ac", "g"), ('weight = "kg ha⁻¹"', "kg ha⁻¹", "g"),
    ('weight = "lb"\nharvest = "t/ha"', "t/ha", "lb"), ('weight = "pounds"', None, "lb"),
])
def test_a_unit_is_kept_as_written(units, kept, weights) -> None:
    about = parse_trial(_trial(units))
    assert (about.harvest_unit, about.weight_unit) == (kept, weights)


@pytest.mark.parametrize(("units", "problem"), [
    ('weight = "stone"', "cannot be used"),
    ('weight = "t/ha"\nharvest = "bu/ac"', 'The harvest is in "bu/ac"'),
])
def test_a_unit_that_cannot_be_is_told(units, problem) -> None:
    with pytest.raises(TrialProblems) as told:
        parse_trial(_trial(units))
    found = told.value.problems.iloc[0]
    assert found["column"] == "units.weight"
    assert problem in found["problem"]
    assert "kg" in found["accepted"]


def _dug(heading: str, end: str = "") -> str:
    values = {"Ambrel": (3.1, 3.2, 3.3, 3.4), "Costry": (4.4, 4.3, 4.2, 4.1)}
    return f"plant,{heading}\n" + "".join(
        f"{v}{b},{x}{end}\n" for v, xs in values.items() for b, x in enumerate(xs, start=1))


@pytest.mark.parametrize(("heading", "end"), [
    ("yield", ""), ("yield (t/ha)", ""), ("Yield t/ha", ""), ("t/ha", ""), ("yield", " t/ha"),
])
def test_yields_of_plots_are_shown_as_written(make, heading, end) -> None:
    records = read_records(make(trial=_trial('weight = "t/ha"'), plants=PLANTS,
                                harvest=_dug(heading, end)))
    result = analyse(records).harvest
    assert result.unit == "t/ha"
    assert result.means["estimate"].to_list() == pytest.approx([3.25, 4.25])
    assert result.metre.empty  # no area is known


def test_weights_in_another_unit_are_refused(make, wrong) -> None:
    dug = _dug("weight (kg)")
    found = wrong(trial=_trial('weight = "t/ha"'), plants=PLANTS, harvest=dug)
    assert found[["file", "line", "column"]].to_numpy().tolist() == [
        ["harvest.csv", 1, "weight (kg)"]]
    assert 'the harvest in "t/ha"' in found["problem"].iloc[0]
    found = wrong(trial=_trial('weight = "t/ha"'), plants=PLANTS, harvest=_dug("yield", " kg"))
    assert len(found) == 8
    assert "t/ha" in found["accepted"].iloc[0]


def test_picks_are_not_weighed_in_a_unit_of_an_area(make, wrong) -> None:
    picks = "date,plant,weight\n2026-07-01,Ambrel1,3\n"
    found = wrong(trial=_trial('weight = "t/ha"'), plants=PLANTS, picks=picks, harvest=None)
    assert found[["file", "line", "column"]].to_numpy().tolist() == [["picks.csv", 1, "weight"]]
    assert 'Picks cannot be weighed in "t/ha"' in found["problem"].iloc[0]
    assert "harvest.csv" in found["accepted"].iloc[0]
    named = picks.replace("weight", "weight (kg)")
    records = read_records(make(trial=_trial('weight = "t/ha"'), plants=PLANTS, picks=named,
                                harvest=None))
    assert records.picks["weight_g"].to_list() == [3000]


def test_a_number_a_plot_stands_on_every_line(make, wrong) -> None:
    top = 'covariates = ["Soil test"]\n'
    with_soil = PLANTS.replace("column\n", "column,soil_test\n", 1)
    lines = with_soil.splitlines()
    with_soil = "\n".join([lines[0], *(f"{line},{n}.5" for n, line in enumerate(lines[1:]))]) + "\n"
    records = read_records(make(trial=_trial(top=top), plants=with_soil))
    assert records.plants["Soil test"].to_list() == [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5]
    found = wrong(trial=_trial(top=top), plants=PLANTS)
    assert found["column"].tolist() == ["Soil test"]
    found = wrong(trial=_trial(top=top), plants=with_soil.replace(",0.5", ",").replace("3.5", "x"))
    assert found[["line", "column", "value"]].to_numpy().tolist() == [
        [2, "soil_test", ""], [5, "soil_test", "x"]]
    for names, problem in (('["Block"]', "says something else"), ('["a", "A"]', "named twice"),
                           ('"soil"', "cannot be used")):
        with pytest.raises(TrialProblems, match=problem):
            parse_trial(_trial(top=f"covariates = {names}\n"))
