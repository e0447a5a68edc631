"""Traits of one's own by phone, by spreadsheet and by settling: into the log and the records."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, settle, undo_last
from trialkit.records.incoming.entries import COLUMNS, check_of

TRAITS = """
[[traits]]
name = "Mildew"
kind = "score"
scale = ["none", "some", "much"]
better = "less"

[[traits]]
name = "flower width"
kind = "measure"
unit = "mm"

[[traits]]
name = "split"
kind = "share"
"""
DAY = "2026-07-01"
Make = Callable[..., Path]


def phone(folder: Path, rows: list[tuple[str, str, str]], name: str = "ann") -> Path:
    """What a phone sends: plant, kind, value of one day."""
    path = folder.parent / f"{name}.csv"
    before = ""
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow([*COLUMNS, "check"])
        for at, (plant, kind, value) in enumerate(rows, start=1):
            cells = [f"{name}-{at}", "2026-07-01T08:00:00+00:00", DAY, plant, kind, value, "", "",
                     f"{name} 1a2b"]
            before = check_of(at, len(rows), before, cells)
            out.writerow([*cells, before])
    return path


def said(folder: Path) -> dict[tuple[str, str], str]:
    traits = read_records(folder).traits
    return {(r.plant, r.trait): r.value for r in traits.itertuples()}


def test_what_a_phone_sends_stands_among_the_traits(make: Make) -> None:
    folder = make(own=TRAITS)
    sent = phone(folder, [("A1", "count", "4"), ("A1", "trait:Mildew", "2"),
                          ("C1", "trait:mildew", "None"), ("C1", "trait:flower width", "34.50"),
                          ("plot 1B", "trait:split", "3 of 20")])
    assert add_files(folder, [sent]).added == 5
    assert said(folder) == {("A1", "Mildew"): "some", ("C1", "Mildew"): "none",
                            ("C1", "flower width"): "34.5", ("plot 1B", "split"): "3/20"}
    assert add_files(folder, [sent]).added == 0
    assert undo_last(folder).records == 5
    assert said(folder) == {}


def test_what_cannot_be_is_told_with_its_line_and_nothing_comes_in(make: Make) -> None:
    folder = make(own=TRAITS)
    sent = phone(folder, [("A1", "trait:Mildew", "lots"), ("A1", "trait:rust", "1"),
                          ("Z9", "trait:split", "3/20"), ("C1", "trait:split", "30/20")])
    with pytest.raises(RecordsError) as told:
        add_files(folder, [sent])
    found = told.value.problems
    assert list(zip(found["line"], found["column"], found["value"], strict=True)) == [
        (2, "value", "lots"), (3, "kind", "trait:rust"), (4, "plant", "Z9"), (5, "value", "30/20")]
    assert "none, some, much" in found["accepted"].iloc[0]
    assert "trait:Mildew" in found["accepted"].iloc[1]
    assert not (folder / "log.csv").exists()


def test_two_phones_that_differ_are_told_and_settled(make: Make) -> None:
    folder = make(own=TRAITS)
    one = phone(folder, [("A1", "trait:Mildew", "some"), ("C1", "trait:Mildew", "none")])
    two = phone(folder, [("A1", "trait:Mildew", "much"), ("C1", "trait:Mildew", "1")], "bob")
    report = add_files(folder, [one, two])
    assert report.conflicts[["plant", "trait", "left", "right"]].to_numpy().tolist() == [
        ["A1", "Mildew", "some", "much"]]
    assert said(folder) == {("C1", "Mildew"): "none"}
    assert read_records(folder).doubts["column"].tolist() == ["Mildew"]
    settled = settle(folder, date.fromisoformat(DAY), "A1", "mildew", "3")
    assert "A1, Mildew: much." in settled.text
    assert said(folder) == {("A1", "Mildew"): "much", ("C1", "Mildew"): "none"}


def test_a_table_of_ones_own_that_says_the_same_is_one_record(make: Make) -> None:
    own = f"date,plant,trait,value\n{DAY},A1,mildew,2\n{DAY},C1,mildew,much\n"
    folder = make(own=TRAITS, traits=own)
    report = add_files(folder, [phone(folder, [("A1", "trait:Mildew", "some"),
                                               ("C1", "trait:Mildew", "none")])])
    assert report.conflicts["plant"].tolist() == ["C1"]
    assert report.conflicts["left_source"].tolist() == ["traits.csv line 3"]
    assert said(folder) == {("A1", "Mildew"): "2"}


def test_records_of_a_trait_no_longer_declared_stay_in_the_log(make: Make) -> None:
    folder = make(own=TRAITS)
    add_files(folder, [phone(folder, [("A1", "trait:Mildew", "some")])])
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace('"some", ', ""))
    assert said(folder) == {}
    assert "none, much" in read_records(folder).doubts["doubt"].iloc[0]
    (folder / "trial.toml").write_text(text.replace("Mildew", "rust"))
    assert "no such trait" in read_records(folder).doubts["doubt"].iloc[0]
    (folder / "trial.toml").write_text(text)
    assert said(folder) == {("A1", "Mildew"): "some"}


SHEETS = TRAITS.replace('kind = "share"', 'kind = "share"\nof = "looked at"') + """
[[traits]]
name = "first bloom"
kind = "day"

[[traits]]
name = "seeds a pod"
kind = "count"
"""


@pytest.mark.parametrize(("sheet", "expected"), [
    # A column beside the plant, with picks.
    ("date,plant,count,mildew\n2026-07-01,A1,4,much\n2026-07-01,C1,0,1\n",
     {("A1", "Mildew"): "much", ("C1", "Mildew"): "none"}),
    # Two columns for a share, one of them blank on a line; a percentage named in the heading.
    ("date;plant;split;Looked at\n2026-07-01;A1;3;20\n2026-07-01;C1;;20\n",
     {("A1", "split"): "3/20"}),
    ("date,plant,split (%)\n2026-07-01,A1,12.5\n2026-07-01,C1,3/8\n",
     {("A1", "split"): "12.5 %", ("C1", "split"): "3/8"}),
    # Decimal commas, and the unit in the heading.
    ('date;plant;Flower width (mm)\n2026-07-01;A1;34,5\n2026-07-01;C1;31\n',
     {("A1", "flower width"): "34.5", ("C1", "flower width"): "31"}),
    # The day itself in the cell, without any date column.
    ("plant,first bloom\nA1,28 June 2026\nC1,\nA2,2026-07-02\n",
     {("A1", "first bloom"): "yes", ("A2", "first bloom"): "yes"}),
    # Days across, the trait in the title, after the day, or on a line above.
    ("Mildew,,\nplant,2026-07-01,2026-07-08\nA1,none,some\nC1,,much\n",
     {("A1", "Mildew"): "some", ("C1", "Mildew"): "much"}),
    ("plant,2026-07-01 count,2026-07-01 mildew\nA1,3,2\nC1,4,1\n",
     {("A1", "Mildew"): "some", ("C1", "Mildew"): "none"}),
    (",2026-07-01,\nplant,count,seeds a pod\nA1,3,7\nC1,4,6\n",
     {("A1", "seeds a pod"): "7", ("C1", "seeds a pod"): "6"}),
    # A line a value.
    ("date,plant,trait,value\n2026-07-01,A1,mildew,3\n2026-07-01,A1,count,5\n",
     {("A1", "Mildew"): "much"}),
    # Plots, each looked at as a whole.
    ("date,plot,mildew\n2026-07-01,1A,some\n2026-07-01,1B,none\n",
     {("A1", "Mildew"): "some", ("C1", "Mildew"): "none"}),
])
def test_columns_of_a_spreadsheet_come_in(make: Make, tmp_path: Path, sheet, expected) -> None:
    folder = make(own=SHEETS)
    path = tmp_path / "seen.csv"
    path.write_text(sheet)
    add_files(folder, [path])
    assert said(folder) == expected
    assert add_files(folder, [path]).added == 0


@pytest.mark.parametrize(("sheet", "line", "column", "value", "accepted"), [
    ("date,plant,mildew\n2026-07-01,A1,lots\n", 2, "mildew", "lots", "none, some, much"),
    ("date,plant,flower width (cm)\n2026-07-01,A1,3.4\n", 1, "flower width (cm)",
     "flower width (cm)", "flower width"),
    ("date,plant,split\n2026-07-01,A1,3\n", 2, "split", "3", "3/20"),
    ("date,plant,split,looked at\n2026-07-01,A1,30,20\n", 2, "split", "30/20", "3/20"),
    ("plant,first bloom\nA1,28 June 2026\nC1,late\n", 3, "first bloom", "late", ""),
    ("plant,2026-07-01,mildew\nA1,3,2\n", 1, "mildew", "mildew", "a date before the word"),
    ("date,plant,mildew,Mildew\n2026-07-01,A1,2,3\n", 1, "Mildew", "Mildew", "one column for each"),
    ("date,plant,trait,value\n2026-07-01,A1,rust,3\n", 2, "trait", "rust", "seeds a pod"),
])
def test_what_a_column_cannot_be_is_told(
    make: Make, tmp_path: Path, sheet, line, column, value, accepted
) -> None:
    folder = make(own=SHEETS)
    path = tmp_path / "seen.csv"
    path.write_text(sheet)
    with pytest.raises(RecordsError) as told:
        add_files(folder, [path])
    found = told.value.problems
    assert found[["line", "column", "value"]].to_numpy().tolist()[0] == [line, column, value]
    assert accepted in found["accepted"].iloc[0]
    assert not (folder / "log.csv").exists()


def test_a_column_corrected_in_the_sheet_corrects_the_record(make: Make, tmp_path: Path) -> None:
    folder = make(own=SHEETS)
    path = tmp_path / "seen.csv"
    path.write_text("date,plant,mildew\n2026-07-01,A1,some\n2026-07-01,C1,1\n")
    add_files(folder, [path])
    path.write_text("date,plant,mildew\n2026-07-01,A1,much\n2026-07-01,C1,\n")
    report = add_files(folder, [path])
    assert report.corrected[["plant", "trait", "before", "now"]].to_numpy().tolist() == [
        ["A1", "Mildew", "some", "much"], ["C1", "Mildew", "none", "taken back"]]
    assert said(folder) == {("A1", "Mildew"): "much"}
