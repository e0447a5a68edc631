"""trial.toml: what it may say, and every problem at once with its line."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import FrozenInstanceError
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.reading.amounts import Habits
from trialkit.trial import Trial, TrialProblems, draft_trial, habits_of, parse_trial

WHOLE = """\
title = "Five beans"
garden = "Long Acre"
crop = "climbing bean"
planted = 2026-05-24
counted = "pods"
reach = "7 ft"
looks = 20
ended = 2026-10-12
threshold_per_week = 1.5
dates = "day first"
invented = true
source = "made up"
notes = "none"

[units]
height = "inches"
weight = "lb"
harvest = "bushels an acre"

[layout]
design = "randomised complete blocks"
rows = 4
columns = 30
row_spacing = "1.2 m"
plant_spacing = 12
sun = "south"
shade = "west"
seed = 37

[[varieties]]
name = "Ambrel"
check = true
note = "the usual one"

[[varieties]]
name = "Costry"
"""
LEAST = """\
title = "T"
crop = "bean"
planted = 2026-05-24
[[varieties]]
name = "A"
"""


def problems(text: str) -> dict[str, tuple[int | None, str]]:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(text)
    table = caught.value.problems
    assert (table["file"] == "trial.toml").all()
    lines = [None if line is pd.NA else int(line) for line in table["line"]]
    return dict(zip(table["column"], zip(lines, table["problem"], strict=True), strict=True))


def test_everything_it_may_say() -> None:
    trial = parse_trial(WHOLE)
    assert (trial.title, trial.garden, trial.crop) == ("Five beans", "Long Acre", "climbing bean")
    assert trial.planted == date(2026, 5, 24)
    assert trial.ended == date(2026, 10, 12)
    assert (trial.counted, trial.looks, trial.threshold_per_week) == ("pods", 20, 1.5)
    assert (trial.height_unit, trial.weight_unit) == ("in", "lb")
    assert trial.harvest_unit == "bushels an acre"
    assert trial.reach_cm == pytest.approx(7 * 30.48)
    assert trial.layout.row_spacing_cm == pytest.approx(120)
    assert trial.layout.plant_spacing_cm == pytest.approx(12 * 2.54)  # bare: in the unit of heights
    assert (trial.layout.rows, trial.layout.columns, trial.layout.seed) == (4, 30, 37)
    assert (trial.layout.sun, trial.layout.shade) == ("south", "west")
    assert trial.check == "Ambrel"
    assert trial.variety_names == ("Ambrel", "Costry")
    assert trial.varieties[0].note == "the usual one"
    assert trial.day_order == "day first"
    assert trial.invented


def test_the_least_it_must_say() -> None:
    trial = parse_trial(LEAST)
    assert trial.check is None
    assert (trial.counted, trial.height_unit, trial.weight_unit) == ("pods", "cm", "g")
    assert trial.reach_cm is None
    assert not trial.invented


def test_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        parse_trial(LEAST).title = "other"  # type: ignore[misc]


@pytest.mark.parametrize("text", ["\ufeff" + WHOLE, WHOLE.replace("\n", "\r\n")])
def test_byte_order_mark_and_windows_lines(text: str) -> None:
    assert parse_trial(text) == parse_trial(WHOLE)


@pytest.mark.parametrize("day", ['"2026-05-24"', '"24 May 2026"', "2026-05-24T10:00:00"])
def test_planted_as_text_too(day: str) -> None:
    assert parse_trial(LEAST.replace("2026-05-24", day)).planted == date(2026, 5, 24)


def test_all_problems_at_once_with_their_lines() -> None:
    found = problems("""\
titel = "T"
crop = "bean"
planted = "03/07/2026"
reach = "1,234"
looks = "20"
dates = "year first"
height_unit = "cm"
rows = 4

[units]
height = "kg"

[layout]
row_spacing = "3 oz"
colums = 3

[[varieties]]
name = "A"
chek = true

[[varieties]]
name = " a "

[[varieties]]
name = "B"
check = "yes"
""")
    assert found["titel"] == (1, "Did you mean 'title'?")
    assert found["title"][1] == "It is missing."
    assert found["planted"] == (3, "It could be 3 July or 7 March.")
    assert found["reach"][0] == 4
    assert found["looks"][0] == 5
    assert found["dates"][0] == 6
    assert found["height_unit"] == (7, "Write it under [units], as height = ...")
    assert found["rows"] == (8, "It belongs under [layout]: rows = ...")
    assert found["units.height"][0] == 11
    assert found["layout.row_spacing"] == (14, "'oz' is not a unit of length.")
    assert found["layout.colums"] == (15, "Did you mean 'columns'?")
    assert found["varieties.chek"] == (19, "Did you mean 'check'?")
    assert found["varieties.name"] == (22, "It is named twice.")
    assert found["varieties.check"][0] == 26


@pytest.mark.parametrize(("old", "new", "key"), [
    ("2026-05-24", '""', "planted"),
    ("2026-05-24", "0001-01-01", "planted"),
    ('title = "T"', 'title = ""', "title"),
    ('title = "T"', "title = 3", "title"),
    ('name = "A"', 'name = " "', "varieties.name"),
    ('[[varieties]]\nname = "A"', "", "varieties"),
    ("[[varieties]]", "[varieties]", "varieties"),
    ('[[varieties]]\nname = "A"', 'varieties = ["A"]', "varieties"),
    ('crop = "bean"', 'crop = "bean"\nlooks = 0', "looks"),
    ('crop = "bean"', 'crop = "bean"\nlooks = true', "looks"),
    ('crop = "bean"', 'crop = "bean"\nended = "autumn"', "ended"),
    ('crop = "bean"', 'crop = "bean"\nended = 2026-05-23', "ended"),
    ('crop = "bean"', 'crop = "bean"\nthreshold_per_week = -1', "threshold_per_week"),
    ('crop = "bean"', 'crop = "bean"\nthreshold_per_week = inf', "threshold_per_week"),
    ('crop = "bean"', 'crop = "bean"\nreach = "0 cm"', "reach"),
    ('crop = "bean"', 'crop = "bean"\nreach = 1e9', "reach"),
    ('crop = "bean"', 'crop = "bean"\nreach = true', "reach"),
    ('crop = "bean"', 'crop = "bean"\ninvented = "yes"', "invented"),
    ('crop = "bean"', 'crop = "bean"\nunits = 3', "units"),
])  # fmt: skip
def test_each_thing_that_cannot_be(old: str, new: str, key: str) -> None:
    assert key in problems(LEAST.replace(old, new))


def test_two_checks() -> None:
    text = LEAST + 'check = true\n[[varieties]]\nname = "B"\ncheck = true\n'
    assert problems(text)["varieties.check"] == (9, "Another variety is the check already.")


def test_not_toml_says_on_which_line() -> None:
    found = problems('title = "T"\ncrop = "bean\n')
    assert found[""][0] == 2
    assert "not valid TOML" in found[""][1]


def test_the_message_reads_without_the_table() -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(LEAST.replace("title", "titel"))
    text = str(caught.value)
    assert "line 1, titel: Did you mean 'title'?" in text
    assert "title: It is missing." in text


def test_no_text_of_the_file_moves_the_cursor() -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(LEAST.replace('"T"', '"T"\nlooks = "\\u001b[2J\\u0007"'))
    assert "\x1b" not in str(caught.value)
    assert "\\x1b[2J" in str(caught.value)


def test_a_draft_keeps_what_could_be_read() -> None:
    trial, found = draft_trial(LEAST.replace("2026-05-24", '"soon"'))
    assert trial.title == "T"
    assert [p.column for p in found] == ["planted"]


def test_names_with_markup_stay_as_they_are() -> None:
    name = '<script>alert(\\"x\\")</script>'
    assert parse_trial(LEAST.replace('"A"', f'"{name}"')).variety_names == (
        '<script>alert("x")</script>',
    )


def test_the_demo_trial_can_be_read() -> None:
    path = Path(__file__).parents[1] / "data" / "beans" / "trial.toml"
    assert isinstance(parse_trial(path.read_text(encoding="utf-8")), Trial)


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_trial_or_has_problems(text: str) -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(text)
    assert len(caught.value.problems)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(WHOLE)), st.text(max_size=5), st.integers(0, 8))
def test_a_slip_anywhere_is_read_or_named(at: int, more: str, fewer: int) -> None:
    text = WHOLE[:at] + more + WHOLE[at + fewer :]
    with suppress(TrialProblems):
        assert isinstance(parse_trial(text), Trial)


@pytest.mark.parametrize("day", ["4/20/25", '"4/20/25"', "4/20/2025", "20 April 2025"])
def test_the_day_of_planting_as_tables_have_it(day: str) -> None:
    text = LEAST.replace("planted = 2026-05-24", f'dates = "month first"\nplanted = {day}')
    assert parse_trial(text).planted == date(2025, 4, 20)


def test_values_without_their_quotes_are_read() -> None:
    text = LEAST.replace("[[varieties]]", "reach = 7 ft  # on tiptoe\n[layout]\n"
                         "row_spacing = 3 ft\nsun = south\n[[varieties]]")
    trial = parse_trial(text)
    assert trial.reach_cm == pytest.approx(7 * 30.48)
    assert trial.layout.row_spacing_cm == pytest.approx(3 * 30.48)
    assert trial.layout.sun == "south"


def test_what_could_be_two_days_is_refused_in_trial_toml_too() -> None:
    found = problems(LEAST.replace("2026-05-24", "4/1/25"))
    assert found["planted"] == (3, "It could be 1 April or 4 January.")


def test_habits_of_a_folder(tmp_path: Path) -> None:
    """What the options of the command line are read with."""
    assert habits_of(tmp_path) == Habits()
    (tmp_path / "trial.toml").write_text(WHOLE)
    habits = habits_of(tmp_path)
    assert habits == parse_trial(WHOLE).habits == Habits("day first", "in", "lb")
    assert habits.day("7/11/25") == date(2025, 11, 7)
    assert habits.length_cm("3 ft") == pytest.approx(91.44)
    assert habits.weight_g("2") == pytest.approx(2 * 453.59237)
