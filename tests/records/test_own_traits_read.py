"""Traits of one's own: how they are declared and what their table may hold."""

from __future__ import annotations

import pytest

from trialkit.records import read_records
from trialkit.records.owntraits import read_value, values_of
from trialkit.trial import OwnTrait, TrialProblems, parse_trial

HEAD = 'title = "Two beans"\ncrop = "climbing bean"\nplanted = 2026-05-20\n'
VARIETIES = '[[varieties]]\nname = "Ambrel"\ncheck = true\n[[varieties]]\nname = "Costry"\n'
MILDEW = '[[traits]]\nname = "mildew"\nkind = "score"\nscale = ["none", "much"]\nbetter = "less"\n'


def trial(*traits: str) -> str:
    return HEAD + VARIETIES + "".join(traits)


def test_every_kind_is_declared() -> None:
    (mildew, colour, width, ill) = parse_trial(trial(
        MILDEW,
        '[[traits]]\nname = "colour"\nkind = "score"\nfrom = 1\nto = 9\nscale = ["pale", "deep"]\n',
        '[[traits]]\nname = "flower width"\nkind = "measure"\nunit = "mm"\non = "plot"\n'
        'when = "once"\n',
        '[[traits]]\nname = "ill"\nkind = "yes or no"\n')).traits
    assert mildew == OwnTrait("mildew", "score", ("none", "much"), 1, 2, better="less")
    assert (colour.low, colour.high, colour.ends) == (1, 9, ("pale", "deep"))
    assert (width.unit, width.on, width.when) == ("mm", "plot", "once")
    assert ill.kind == "yes or no"


@pytest.mark.parametrize(("traits", "key", "problem"), [
    ('[[traits]]\nkind = "count"\n', "traits.name", "missing"),
    ('[[traits]]\nname = "a"\nkind = "colour"\n', "traits.kind", "cannot be used"),
    ('[[traits]]\nname = "count"\nkind = "count"\n', "traits.name", "has that name"),
    (MILDEW + MILDEW, "traits.name", "named twice"),
    ('[[traits]]\nname = "a"\nkind = "score"\n', "traits.kind", "needs a scale"),
    ('[[traits]]\nname = "a"\nkind = "score"\nfrom = 5\nto = 1\n', "traits.to", "go up from 5"),
    ('[[traits]]\nname = "a"\nkind = "count"\nscale = ["x", "y"]\n', "traits.scale", "Only a"),
    ('[[traits]]\nname = "a"\nkind = "count"\nbetter = "big"\n', "traits.better", "cannot be used"),
    ('[[traits]]\nname = "a"\nkind = "count"\nbeter = "more"\n', "traits.beter", "'better'"),
])
def test_what_is_wrong_is_told_with_its_line(traits, key, problem) -> None:
    with pytest.raises(TrialProblems) as told:
        parse_trial(trial(traits))
    found = told.value.problems
    assert found["column"].tolist() == [key]
    assert problem in found["problem"].iloc[0]
    assert found["line"].iloc[0] > 7
    assert found["accepted"].iloc[0] or "Did you mean" in found["problem"].iloc[0]


SHARE = OwnTrait("split", "share")
SCORE = OwnTrait("mildew", "score", ("none", "some", "much"), 1, 3)


@pytest.mark.parametrize(("trait", "text", "value"), [
    (SCORE, "None", (1, 1)), (SCORE, "3", (3, 1)), (SHARE, "3/20", (0.15, 20)),
    (SHARE, "3 of 20", (0.15, 20)), (OwnTrait("a", "day"), "", (1, 1)),
    (OwnTrait("a", "yes or no"), "Y", (1, 1)), (OwnTrait("a", "yes or no"), "0", (0, 1)),
    (OwnTrait("a", "measure"), "-2.5", (-2.5, 1)), (OwnTrait("a", "count"), "7", (7, 1)),
])
def test_values_are_read(trait, text, value) -> None:
    assert read_value(trait, text) == pytest.approx(value)
    assert read_value(SHARE, "15 %")[0] == pytest.approx(0.15)


def test_the_table_is_read_and_its_errors_are_placed(make, wrong) -> None:
    traits = ("date,plant,plot,trait,value\n2026-07-01,A1,,Mildew,none\n2026-07-01,,1B,mildew,2\n"
              "2026-07-02,A1,,mildew,\n")
    records = read_records(make(trial=trial(MILDEW), traits=traits))
    assert records.traits["trait"].tolist() == ["mildew"] * 3
    assert records.traits["plant"].tolist() == ["A1", "plot 1B", "A1"]
    read = values_of(records.traits, records.trial.traits[0])
    assert read["amount"].tolist() == [1, 2]
    found = wrong(trial=trial(MILDEW), traits=(
        "date,plant,trait,value\n2026-07-01,A1,mildew,5\n2026-07-01,A1,mildw,1\n"
        "2026-07-01,Z9,mildew,1\n2026-05-01,A1,mildew,1\n"))
    told = sorted(zip(found["line"], found["column"], found["value"], strict=True))
    assert told == [(2, "value", "5"), (3, "trait", "mildw"), (4, "plant", "Z9"),
                    (5, "date", "2026-05-01")]
    assert "none, much" in found.set_index("line").loc[2, "accepted"]
    assert "'mildew'" in found.set_index("line").loc[3, "problem"]
