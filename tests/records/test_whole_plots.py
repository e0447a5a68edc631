"""Whole plots picked into one basket: what is read, and what is refused."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, settle, undo_last
from trialkit.records.plots import recorded

LINES = "plant,variety,block,plot,lost\nA1,Ambrel,1,1A,\nA2,Ambrel,1,1A,2026-07-03\n" \
        "C1,Costry,1,1B,\nC2,Costry,1,1B,\n"


def test_a_plot_stands_in_place_of_a_plant_and_both_mix(make) -> None:
    records = read_records(make(plants=LINES, picks=(
        "date,plant,plot,count\n2026-07-01,,1A,9\n2026-07-01,C1,,4\n2026-07-01,C2,1B,3\n"
        "2026-07-04,,1A,5\n")))
    assert records.picks["plant"].tolist() == ["plot 1A", "C1", "C2", "plot 1A"]
    assert records.picks["plot"].fillna("").tolist() == ["1A", "", "", "1A"]
    assert records.picks["count"].tolist() == [9, 4, 3, 5]
    there = recorded(records.plants, records.picks)
    # The second of its plants was lost on 3 July: one was alive on the 4th.
    assert there["plants"].tolist() == [2, 1, 1, 1]
    assert there["variety"].tolist() == ["Ambrel", "Costry", "Costry", "Ambrel"]
    assert there["plot"].tolist() == ["1A", "1B", "1B", "1A"]


def test_one_line_a_plot_with_the_number_of_its_plants(make) -> None:
    records = read_records(make(
        plants="plot,variety,plants,block\n1A,Ambrel,6,1\n1B,Costry,5,1\n",
        picks="date,plot,count\n2026-07-01,1A,30\n2026-07-01,1B,20\n",
        heights="date,plant,height\n2026-07-01,1A,90\n2026-07-01,1B.2,80\n"))
    assert records.plants.groupby("plot")["plant"].size().to_dict() == {"1A": 6, "1B": 5}
    assert records.plants["plant"].tolist()[:2] == ["1A.1", "1A.2"]
    assert recorded(records.plants, records.picks)["plants"].tolist() == [6, 5]
    # A plot's own label where a plant is asked for is the plot; one of its plants has a name.
    assert records.heights["plant"].tolist() == ["plot 1A", "1B.2"]
    assert records.doubts.empty


@pytest.mark.parametrize(("tables", "line", "column", "problem"), [
    ({"picks": "date,plant,plot,count\n2026-07-01,,,3\n"}, 2, "plant", "It is blank"),
    ({"picks": "date,plant,plot,count\n2026-07-01,,9Z,3\n"}, 2, "plot", "No plant"),
    ({"picks": "date,plant,plot,count\n2026-07-01,A1,1B,3\n"}, 2, "plot", "A1 stands in 1A"),
    ({"picks": "date,plant,plot,count\n2026-07-01,,1A,3\n2026-07-01,A1,,3\n"}, 2, "plot",
     "A plant of it has a count of its own that day"),
    ({"plants": "plot,variety,plants\n1A,Ambrel,0\n1B,Costry,5\n"}, 2, "plants", "one plant"),
    ({"plants": "plot,variety,plants\n1A,Ambrel,2.5\n"}, 2, "plants", "whole number"),
    ({"plants": "plant,plot,variety\n,,Ambrel\n"}, 2, "plant", "It is blank"),
    ({"plants": LINES.replace("C1,Costry,1,1B", "C1,Costry,1,1A"),
      "picks": "date,plot,count\n2026-07-01,1A,3\n"}, 2, "plot", "several varieties"),
    ({"plants": "plant,variety,block,plot\nA1,Ambrel,1,1\nA2,Ambrel,2,1\n",
      "picks": "date,plot,count\n2026-07-01,1,3\n"}, 2, "plot", "1/1 or 2/1"),
])
def test_baskets_that_cannot_be_are_refused(wrong, tables, line, column, problem) -> None:
    found = wrong(**{"plants": LINES, **tables})
    assert (found["line"].tolist(), found["column"].tolist()) == ([line], [column])
    assert problem in found["problem"].iloc[0]
    assert found["accepted"].iloc[0]


def test_a_spreadsheet_of_plots_is_brought_in_as_baskets(make, tmp_path: Path) -> None:
    folder = make(plants=LINES)
    sheet = tmp_path / "row totals.csv"
    sheet.write_text("plot,2026-07-01,2026-07-04\n1A,9,5\n1B,7,\n")
    assert add_files(folder, [sheet]).added == 3
    records = read_records(folder)
    held = records.picks.set_index(["plot", "date"])["count"].sort_index()
    assert held.to_list() == [9, 5, 7]
    settle(folder, date(2026, 7, 4), "1a", "count", "6")
    held = read_records(folder).picks.set_index(["plot", "date"])["count"].sort_index()
    assert held.to_list() == [9, 6, 7]


def test_a_basket_beside_its_own_plants_is_refused_before_it_is_in_the_log(
    make, tmp_path: Path,
) -> None:
    folder = make(plants=LINES, picks="date,plant,count\n2026-07-01,A1,3\n")
    sheet = tmp_path / "baskets.csv"
    sheet.write_text("date,plot,count\n2026-07-01,1A,9\n2026-07-04,1A,2\n")
    with pytest.raises(RecordsError, match="A plant of it has a count of its own that day"):
        add_files(folder, [sheet])
    assert not (folder / "log.csv").exists()
    sheet.write_text("date,plot,count\n2026-07-04,1A,2\n")
    assert add_files(folder, [sheet]).added == 1
    undo_last(folder)
    assert len(read_records(folder).picks) == 1


def test_large_baskets_are_judged_among_baskets(make) -> None:
    days = [f"2026-07-{d:02d}" for d in range(1, 25)]
    picks = "date,plant,plot,count\n" + "".join(
        f"{d},,1A,{60 + i % 5}\n{d},C1,,{3 + i % 2}\n" for i, d in enumerate(days))
    assert read_records(make(plants=LINES, picks=picks)).doubts.empty
    odd = read_records(make(plants=LINES, picks=picks + "2026-07-25,,1A,600\n2026-07-25,C1,,60\n"))
    assert sorted(odd.doubts["value"]) == ["60", "600"]


def test_a_plots_label_is_known_whatever_its_case_and_with_the_word_before_it(make) -> None:
    records = read_records(make(
        plants=LINES, picks="date,plot,count\n2026-07-01,plot 1a,9\n2026-07-02, 1b ,3\n",
        events="date,plot,event\n2026-07-01,Plot 1A,topped\n"))
    assert records.picks["plot"].tolist() == ["1A", "1B"]
    assert records.events["plot"].tolist() == ["1A"]
    assert records.doubts["doubt"].str.startswith("read as '1").sum() == 3
