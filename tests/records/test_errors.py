"""Everything that stops a reading, each with file, line, column, value and what would do."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.findings import LISTED
from trialkit.trial import TrialProblems

PICKS = "date,plant,count,weight\n"


@pytest.mark.parametrize(("tables", "line", "column", "value", "problem"), [
    ({"picks": PICKS + "2026-07-01,A1,few,\n"}, 2, "count", "few", "not a number"),
    ({"picks": PICKS + "2026-07-01,A1,none,\n"}, 2, "count", "none", "0 (you looked"),
    ({"picks": PICKS + "2026-07-01,A1,-1,\n"}, 2, "count", "-1", "below zero"),
    ({"picks": PICKS + "2026-07-01,A1,-1,\n2026-07-01,C1,x,\n"}, 2, "count", "-1", "below zero"),
    ({"picks": PICKS + "2026-07-01,A1,2.5,\n"}, 2, "count", "2.5", "whole number"),
    ({"picks": PICKS + '2026-07-01,A1,"2,5",\n'}, 2, "count", "2,5", "whole number"),
    ({"picks": PICKS + "2026-07-01,A1,1e13,\n"}, 2, "count", "1e+13", "too large"),
    ({"picks": PICKS + "2026-07-01,A1,1,-5\n"}, 2, "weight", "-5", "below zero"),
    ({"picks": PICKS + "2026-07-01,A1,1,5 miles\n"}, 2, "weight", "5 miles", "not a unit"),
    ({"picks": PICKS + "2026-07-01,A9,1,\n"}, 2, "plant", "A9", "not listed in plants.csv"),
    ({"picks": PICKS + "2026-07-01,,1,\n"}, 2, "plant", "", "blank"),
    ({"picks": PICKS + ",A1,1,\n"}, 2, "date", "", "blank"),
    ({"picks": PICKS + "03/07/2026,A1,1,\n"}, 2, "date", "03/07/2026", "3 July or 7 March"),
    ({"picks": PICKS + "soon,A1,1,\n"}, 2, "date", "soon", "not a date"),
    ({"picks": PICKS + "2026-05-19,A1,1,\n"}, 2, "date", "2026-05-19", "before planting"),
    ({"picks": PICKS + "2062-07-01,A1,1,\n"}, 2, "date", "2062-07-01", "years after planting"),
    ({"heights": "date,plant,height\n2026-07-01,A1,tall\n"}, 2, "height", "tall", "not a number"),
    ({"heights": "date,plant,height\n2026-07-01,A1,-5\n"}, 2, "height", "-5", "below zero"),
    ({"heights": "date,plant,height\n2026-05-01,A1,5\n"}, 2, "date", "2026-05-01", "before"),
    ({"heights": "date,plant,height\n2026-07-01,Z1,5\n"}, 2, "plant", "Z1", "not listed"),
    ({"plants": "plant,variety\nA1,Ambrel\nA1,Costry\n"}, 3, "plant", "A1", "already, on line 2"),
    ({"plants": "plant,variety\nA1,Ambrel\na1,Costry\n"}, 3, "plant", "a1", "already, on line 2"),
    ({"plants": "plant,variety\nA1,Costri\n"}, 2, "variety", "Costri", "Did you mean 'Costry'?"),
    ({"plants": "plant,variety\nA1,\n"}, 2, "variety", "", "blank"),
    ({"plants": "plant,variety\n,Ambrel\n"}, 2, "plant", "", "blank"),
    ({"plants": "plant,variety,row\nA1,Ambrel,first\n"}, 2, "row", "first", "not a number"),
    ({"plants": "plant,variety,lost\nA1,Ambrel,yes\n"}, 2, "lost", "yes", "not a date"),
    ({"plants": "plant,variety,lost\nA1,Ambrel,2026-05-01\n"}, 2, "lost", "2026-05-01", "before"),
    ({"plants": "plant,variety\n"}, None, "", "", "lists no plant"),
    ({"plants": None}, None, "", "", "no such file"),
    ({"weather": "date,low,high\n2026-07-01,21,12\n"}, 2, "low", "21 to 12", "above the high"),
    ({"weather": "date,low,high\n2026-07-01,60,88\n"}, 2, "high", "88", "Fahrenheit"),
    ({"weather": "date,low,high\n2026-07-01,mild,20\n"}, 2, "low", "mild", "not a number"),
    ({"events": "date,plant,event\n2026-07-01,A7,topped\n"}, 2, "plant", "A7", "not listed"),
    ({"events": "date,plot,event\n2026-07-01,9Z,topped\n"}, 2, "plot", "9Z", "No plant"),
    ({"events": "date,event\n2026-07-01,\n"}, 2, "event", "", "blank"),
    ({"harvest": "plant,weight\nA1,-3\n"}, 2, "weight", "-3", "below zero"),
    ({"harvest": "date,plant,count\n2026-01-03,A1,3\n"}, 2, "date", "2026-01-03", "before"),
    ({"picks": "date,plant\n2026-07-01,A1\n"}, 1, "count or weight", "", "no such column"),
    ({"picks": "date,count\n2026-07-01,1\n"}, 1, "plant or plot", "", "no such column"),
    ({"picks": "datte,plant,count\n"}, 1, "date", "", "Is it the one called 'datte'?"),
    ({"picks": "date,plant,count,pods\n"}, 1, "pods", "", "same as the column 'count'"),
])  # fmt: skip
def test_each_error_is_placed_and_told(wrong, tables, line, column, value, problem) -> None:
    found = wrong(**tables).iloc[0]
    assert found["file"] == f"{next(iter(tables))}.csv"
    assert (None if pd.isna(found["line"]) else found["line"]) == line
    assert found["column"] == column
    assert found["value"] == value
    assert problem in found["problem"]
    assert found["accepted"]


def test_all_at_once_over_all_files_in_their_order(wrong) -> None:
    found = wrong(
        plants="plant,variety,row\nA1,Ambrel,x\nC1,Costri,1\n",
        picks=PICKS + "2026-07-01,A1,x,y\n3/7/2026,Q1,1,\n",
        heights="date,plant,height\n2026-07-01,A1,tall\n",
        weather="date,low,high\n2026-07-01,5,x\n",
    )
    assert found[["file", "line", "column"]].values.tolist() == [
        ["plants.csv", 2, "row"],
        ["plants.csv", 3, "variety"],
        ["picks.csv", 2, "count"],
        ["picks.csv", 2, "weight"],
        ["picks.csv", 3, "date"],
        ["picks.csv", 3, "plant"],
        ["heights.csv", 2, "height"],
        ["weather.csv", 2, "high"],
    ]


def test_the_description_and_the_tables_at_once(wrong) -> None:
    trial = 'title = "T"\ncrop = "b"\nplanted = "soon"\n[[varieties]]\nname = "Ambrel"\n'
    found = wrong(trial=trial, plants="plant,variety\nA1,Ambrel\n", picks=PICKS + "x,A1,1,\n")
    assert found["file"].tolist() == ["trial.toml", "picks.csv"]


def test_the_description_alone(make) -> None:
    with pytest.raises(TrialProblems):
        read_records(make(trial="title = 3\n"))


def test_no_folder_and_no_description(tmp_path) -> None:
    with pytest.raises(RecordsError, match="No such file"):
        read_records(tmp_path / "nowhere")
    with pytest.raises(RecordsError, match=r"trial\.toml"):
        read_records(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordsError):
        read_records(tmp_path / "file")


def test_a_folder_in_place_of_a_file(make) -> None:
    folder = make()
    (folder / "picks.csv").mkdir()
    with pytest.raises(RecordsError, match="not a file"):
        read_records(folder)


def test_a_pipe_in_place_of_a_file_is_not_waited_for(make) -> None:
    import os

    folder = make()
    os.mkfifo(folder / "picks.csv")
    with pytest.raises(RecordsError, match="not a file"):
        read_records(folder)


def test_a_file_too_large_is_refused_unread(make, monkeypatch) -> None:
    from trialkit.records import files

    monkeypatch.setattr(files, "MOST_BYTES", 1000)
    with pytest.raises(RecordsError, match="too large"):
        read_records(make(picks=PICKS + "2026-07-01,A1,1,\n" * 100))


def test_a_fault_on_every_line_is_listed_in_bounds(wrong) -> None:
    found = wrong(picks=PICKS + "2026-07-01,A1,x,\n" * 5000)
    assert len(found) == LISTED + 1
    assert found["line"].tolist()[:3] == [2, 3, 4]
    assert f"{5000 - LISTED:,} more lines" in found["problem"].iloc[-1]


def test_the_message_fits_a_terminal(make) -> None:
    with pytest.raises(RecordsError) as caught:
        read_records(make(picks=PICKS + "2026-07-01,A1,x,\n" * 5000))
    text = str(caught.value)
    assert text.startswith(
        '201 problems in the records:\npicks.csv\n  lines 2, 3, 4 and 197 more, count "x": It is'
    )
    assert len(text.splitlines()) < 50
    assert "4,800 more lines" in text.splitlines()[-1]


def test_no_text_of_a_file_moves_the_cursor(make) -> None:
    with pytest.raises(RecordsError) as caught:
        read_records(make(picks=PICKS + "2026-07-01,A1,\x1b[2J\u202e,\n"))
    assert "\x1b" not in str(caught.value)
    assert "\u202e" not in str(caught.value)
    assert caught.value.problems["value"].tolist() == ["\\x1b[2J\\u202e"]


def test_events_in_a_plot_that_stands_in_several_blocks(wrong) -> None:
    plants = "plant,variety,block,plot\nA1,Ambrel,X,1\nC1,Costry,X,2\nA2,Ambrel,Y,1\n"
    found = wrong(plants=plants, events="date,plot,event\n2026-07-01,1,topped\n")
    assert found[["line", "value"]].values.tolist() == [[2, "1"]]
    assert "X/1 or Y/1" in found["problem"].iloc[0]


class TestUntil:
    def test_before_planting(self, make) -> None:
        with pytest.raises(RecordsError, match="before planting"):
            read_records(make(), date(2026, 5, 1))

    def test_not_a_date(self, make) -> None:
        with pytest.raises(TypeError, match="until"):
            read_records(make(), "2026-07-01")  # type: ignore[arg-type]

    def test_a_time_of_day_is_its_day(self, make) -> None:
        records = read_records(make(picks=PICKS + "2026-07-01,A1,1,\n"), datetime(2026, 7, 1, 9))
        assert records.until == date(2026, 7, 1)
        assert len(records.picks) == 1


@pytest.mark.parametrize("before", ["", "\n", "\n\n"])
def test_an_error_carries_its_table_and_row_whatever_its_line(wrong, before) -> None:
    found = wrong(
        picks=before + "date,plant,count\n2026-07-01,A1,3\n\n2026-07-01,ZZ,4\n2026-07-01,C1,x\n",
        heights=before + "date,plant,height\n2036-12-31,A1,100\n2037-01-01,A1,100\n",
        weather="date,low\n2026-07-01,12\n2026-07-02,hot\n",
    )
    assert sorted(found[["table", "row", "column"]].itertuples(index=False, name=None)) == [
        ("heights", 1, "date"), ("picks", 1, "plant"), ("picks", 2, "count"),
        ("weather", 1, "low"),
    ]
    lines = found[found["table"] == "picks"]["line"].tolist()
    assert lines == [4 + len(before), 5 + len(before)]


def test_an_error_about_a_whole_table_names_it_and_no_row(wrong) -> None:
    (found,) = wrong(picks="date,plan,count\n2026-07-01,A1,3\n").itertuples()
    assert found.table == "picks"
    assert pd.isna(found.row)
