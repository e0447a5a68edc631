"""Bringing in phones and spreadsheets: nothing twice, nothing lost, nothing settled in silence."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, settle, undo_last
from trialkit.records.incoming.entries import check_of
from trialkit.records.log import COLUMNS, COLUMNS_BEFORE
from trialkit.trial import TrialProblems

DAY = date(2026, 7, 1)
PHONE = "record_id,recorded_at,date,plant,kind,value,unit,note,device\r\n"


@pytest.fixture
def folder(make) -> Path:
    return make()


@pytest.fixture
def phone(tmp_path):
    """Writes an export: phone("A", "a1,A1,count,3", "a2,A1,height,5'6,in", date=...)."""

    def write(device: str, *rows: str, day: str = "2026-07-01", name: str | None = None) -> Path:
        path = tmp_path / (name or f"phone {device}.csv")
        with path.open("w", newline="") as file:
            writer = csv.writer(file, lineterminator="\r\n")
            file.write(PHONE)
            for row in rows:
                ident, plant, kind, *rest = row.split(",")
                value, unit, note = (*rest, "", "", "")[:3]
                at = f"{day}T10:00:00+02:00"
                writer.writerow([ident, at, day, plant, kind, value, unit, note, device])
        return path

    return write


@pytest.fixture
def sheet(tmp_path):
    def write(text: str, name: str = "sheet.csv") -> Path:
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


def counts(folder: Path) -> dict[tuple[date, str], float | None]:
    picks = read_records(folder).picks
    return {
        (day.date(), plant): None if count != count else count
        for day, plant, count in picks[["date", "plant", "count"]].itertuples(index=False)
    }


def log_lines(folder: Path) -> list[dict[str, str]]:
    with (folder / "log.csv").open(newline="") as file:
        return list(csv.DictReader(file))


class TestPhone:
    def test_every_kind(self, folder, phone) -> None:
        report = add_files(folder, [phone(
            "A", "a1,A1,count,3,pods", "a2,A2,count,0", "a3,C1,not-looked", "a4,A1,weight,32.5,g",
            "a5,A1,height,5'6\",", "a6,C1,height,66,in", "a7,C1,note,,,wilting",
        )])  # fmt: skip
        assert (report.added, report.known, report.batch) == (7, 0, 1)
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "A2"): 0, (DAY, "C1"): None}
        records = read_records(folder)
        assert records.picks["weight_g"].dropna().tolist() == [32.5]
        assert records.heights["height_cm"].tolist() == pytest.approx([167.64, 167.64])
        assert records.events[["plant", "event", "note"]].values.tolist() == [
            ["C1", "note", "wilting"]
        ]
        assert records.doubts.empty

    def test_a_bare_measure_is_in_the_unit_of_the_trial(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,height,150", "a2,A1,weight,20")])
        records = read_records(folder)
        assert records.heights["height_cm"].tolist() == [150]
        assert log_lines(folder)[0]["unit"] == "cm"

    def test_the_same_export_twice_adds_nothing(self, folder, phone) -> None:
        path = phone("A", "a1,A1,count,3", "a2,A2,count,0")
        add_files(folder, [path])
        before = (folder / "log.csv").read_bytes()
        report = add_files(folder, [path, path])
        assert (report.added, report.known, report.batch) == (0, 4, None)
        assert (folder / "log.csv").read_bytes() == before

    def test_a_longer_export_adds_what_is_new(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        report = add_files(folder, [phone("A", "a1,A1,count,3", "a2,A2,count,1")])
        assert (report.added, report.known) == (1, 1)
        # And the shorter one after it changes nothing.
        assert add_files(folder, [phone("A", "a1,A1,count,3")]).added == 0
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "A2"): 1}

    def test_what_the_phone_took_back(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3", "a2,A2,count,1")])
        report = add_files(folder, [phone(
            "A", "a1,A1,count,3", "a2,A2,count,1", "undo-a1,A1,undo,a1", "undo-a2,A2,undo,a2",
            "a3,A1,count,4",
        )])  # fmt: skip
        assert counts(folder) == {(DAY, "A1"): 4}
        assert report.corrected[["plant", "before", "now"]].values.tolist() == [
            ["A1", "3", "4"], ["A2", "1", "taken back"],
        ]  # fmt: skip
        assert [line["value"] for line in log_lines(folder)][:2] == ["3", "1"]  # kept

    def test_an_undo_before_what_it_takes_back(self, folder, phone) -> None:
        add_files(folder, [phone("A", "undo-a1,A1,undo,a1")])
        add_files(folder, [phone("A", "a1,A1,count,3")])
        assert counts(folder) == {}

    def test_a_later_record_of_the_same_phone_corrects(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        report = add_files(folder, [phone("A", "a1,A1,count,3", "a2,A1,count,5")])
        assert counts(folder) == {(DAY, "A1"): 5}
        assert len(report.corrected) == 1
        assert report.conflicts.empty

    def test_an_export_edited_by_hand_is_a_conflict_and_comes_in_once(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        assert len(add_files(folder, [phone("A", "a1,A1,count,8")]).conflicts) == 1
        assert add_files(folder, [phone("A", "a1,A1,count,8")]).added == 0
        assert add_files(folder, [phone("A", "a1,A1,count,3")]).added == 0  # the export as it was
        assert counts(folder) == {(DAY, "A1"): None}

    def test_the_order_is_that_of_the_journal_whatever_the_clock_says(self, folder, phone) -> None:
        path = phone("A", "a1,A1,count,3", "a2,A1,count,5")
        text = path.read_text().splitlines()
        text[1] = text[1].replace("2026-07-01T10", "2031-01-01T10")
        path.write_text("\n".join(text) + "\n")
        add_files(folder, [path])
        assert counts(folder) == {(DAY, "A1"): 5}

    @pytest.mark.parametrize(("row", "column", "problem"), [
        (",A1,count,3", "record_id", "blank"),
        ("a1,Z9,count,3", "plant", "not listed"),
        ("a1,,count,3", "plant", "blank"),
        ("a1,A1,tally,3", "kind", "no such kind"),
        ("a1,A1,count,", "value", "blank"),
        ("a1,A1,count,many", "value", "not a number"),
        ("a1,A1,count,2.5", "value", "whole number"),
        ("a1,A1,count,-2", "value", "below zero"),
        ("a1,A1,height,3,kg", "unit", "not a unit of height"),
        ("a1,A1,undo,", "value", "blank"),
    ])  # fmt: skip
    def test_what_cannot_be_is_told_and_nothing_comes_in(
        self, folder, phone, row, column, problem
    ) -> None:
        good, bad = phone("A", "a1,A1,count,3"), phone("B", "b1,C1,count,3", row)
        with pytest.raises(RecordsError) as caught:
            add_files(folder, [good, bad])
        found = caught.value.problems
        assert found[["file", "line", "column"]].values.tolist() == [["phone B.csv", 3, column]]
        assert problem in found["problem"].iloc[0]
        assert not (folder / "log.csv").exists()

    def test_a_day_before_planting(self, folder, phone) -> None:
        with pytest.raises(RecordsError, match="before planting"):
            add_files(folder, [phone("A", "a1,A1,count,3", day="2026-01-01")])

    def test_an_export_without_some_columns(self, folder, sheet) -> None:
        with pytest.raises(RecordsError, match="lacks columns"):
            add_files(
                folder, [sheet("record_id,kind,date,plant,value\na1,count,2026-07-01,A1,3\n")]
            )

    def test_text_that_a_spreadsheet_would_run(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,note,,,=HYPERLINK(1)")])
        assert log_lines(folder)[0]["note"] == "'=HYPERLINK(1)"
        assert read_records(folder).events["note"].tolist() == ["=HYPERLINK(1)"]
        # The phone guards its cells in the same way.
        add_files(folder, [phone("B", "b1,A1,note,,,'+1 pod")])
        assert read_records(folder).events["note"].tolist()[1] == "+1 pod"


class TestTwoPhones:
    def test_parts_of_one_bed_are_merged(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3"), phone("B", "b1,C1,count,2")])
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 2}

    def test_the_same_said_twice_is_one_record(self, folder, phone) -> None:
        report = add_files(folder, [phone("A", "a1,A1,count,3"), phone("B", "b1,A1,count,3")])
        assert counts(folder) == {(DAY, "A1"): 3}
        assert report.conflicts.empty

    def test_not_looked_contradicts_nothing(self, folder, phone) -> None:
        report = add_files(folder, [phone("A", "a1,A1,not-looked"), phone("B", "b1,A1,count,0")])
        assert counts(folder) == {(DAY, "A1"): 0}
        assert report.conflicts.empty

    def test_the_same_id_on_two_phones(self, folder, phone) -> None:
        add_files(folder, [phone("A", "1,A1,count,3"), phone("B", "1,C1,count,2")])
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 2}
        report = add_files(folder, [phone("A", "1,A1,count,3"),
                                    phone("B", "1,C1,count,2", "undo-1,C1,undo,1")])  # fmt: skip
        assert report.added == 1
        assert counts(folder) == {(DAY, "A1"): 3}

    def test_a_conflict_is_shown_side_by_side_and_neither_is_used(self, folder, phone) -> None:
        paths = [phone("A", "a1,A1,count,3", "a2,A2,count,1"), phone("B", "b1,A1,count,5")]
        report = add_files(folder, paths)
        assert report.conflicts.values.tolist() == [[DAY, "A1", "count", "3", "A", "5", "B"]]
        assert "3 (A), 5 (B)" in report.text
        records = read_records(folder)
        assert counts(folder) == {(DAY, "A1"): None, (DAY, "A2"): 1}
        assert records.doubts[["file", "column", "value"]].values.tolist() == [
            ["log.csv", "count", "A1"]
        ]
        assert "A says 3, B says 5" in records.doubts["doubt"].iloc[0]
        # It stays open, and is shown again, until somebody settles it.
        assert len(add_files(folder, paths).conflicts) == 1

    def test_a_conflict_of_a_later_day_waits(self, folder, phone) -> None:
        day = "2026-07-09"
        add_files(
            folder, [phone("A", "a1,A1,count,3", day=day), phone("B", "b1,A1,count,5", day=day)]
        )
        assert len(read_records(folder, date(2026, 7, 9)).doubts) == 1
        assert read_records(folder, date(2026, 7, 8)).doubts.empty

    def test_a_conflict_is_settled_by_a_new_record(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3"), phone("B", "b1,A1,count,5")])
        settle(folder, DAY, "A1", "count", "4")
        assert counts(folder) == {(DAY, "A1"): 4}
        assert [line["value"] for line in log_lines(folder)] == ["3", "5", "4"]
        assert read_records(folder).doubts.empty
        # What is said after that may differ again.
        report = add_files(folder, [phone("A", "a1,A1,count,3", "a2,A1,count,6")])
        assert report.conflicts[["left", "right"]].values.tolist() == [["4", "6"]]

    def test_a_conflict_ends_when_a_phone_corrects_itself(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3"), phone("B", "b1,A1,count,5")])
        report = add_files(folder, [phone("A", "a1,A1,count,3", "a2,A1,count,5")])
        assert report.conflicts.empty
        assert counts(folder) == {(DAY, "A1"): 5}

    def test_units_do_not_make_a_conflict(self, folder, phone) -> None:
        report = add_files(folder, [phone("A", "a1,A1,height,66,in"),
                                    phone("B", "b1,A1,height,167.64,cm")])  # fmt: skip
        assert report.conflicts.empty
        assert read_records(folder).heights["height_cm"].tolist() == pytest.approx([167.64])

    @pytest.mark.parametrize(("plant", "trait", "value"), [
        ("Z9", "count", "3"), ("A1", "colour", "3"), ("A1", "count", "x"), ("A1", "count", ""),
        ("A1", "weight", "3 cm"),
    ])  # fmt: skip
    def test_what_cannot_settle_anything(self, folder, phone, plant, trait, value) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        before = (folder / "log.csv").read_bytes()
        with pytest.raises(RecordsError):
            settle(folder, DAY, plant, trait, value)
        assert (folder / "log.csv").read_bytes() == before


class TestBesideTheGrowersOwnTables:
    def test_they_are_never_written_to(self, make, phone) -> None:
        folder = make(picks="date,plant,count\n2026-07-01,A1,3\n", heights="date,plant,height\n")
        before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}
        add_files(folder, [phone("A", "a1,A1,count,5", "a2,A1,height,90")])
        undo_last(folder)
        after = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}
        assert {name: after[name] for name in before} == before
        assert set(after) - set(before) == {"log.csv", ".trialkit.lock"}

    def test_read_as_one(self, make, phone) -> None:
        picks = "date,plant,count,weight\n2026-07-01,A1,3,\n2026-07-01,A2,,\n2026-07-01,C1,2,9\n"
        folder = make(picks=picks, heights="date,plant,height\n2026-07-01,C2,80\n")
        report = add_files(folder, [phone(
            "A", "a1,A1,count,3", "a2,A1,weight,30", "a3,A2,count,1", "a4,C2,count,4",
            "a5,C2,height,80", "a6,A1,height,70",
        )])  # fmt: skip
        assert report.conflicts.empty
        records = read_records(folder)
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "A2"): 1, (DAY, "C1"): 2, (DAY, "C2"): 4}
        assert records.picks["weight_g"].tolist()[0] == 30
        assert len(records.picks) == 4
        assert sorted(records.heights["height_cm"]) == [70, 80]

    def test_a_conflict_with_them(self, make, phone) -> None:
        folder = make(picks="date,plant,count\n2026-07-01,A1,3\n2026-07-01,A2,1\n",
                      heights="date,plant,height\n2026-07-01,A1,80\n")  # fmt: skip
        report = add_files(folder, [phone("A", "a1,A1,count,5", "a2,A1,height,90")])
        assert report.conflicts[["trait", "left", "left_source", "right"]].values.tolist() == [
            ["count", "3", "picks.csv line 2", "5"],
            ["height", "80 cm", "heights.csv line 2", "90 cm"],
        ]
        assert counts(folder) == {(DAY, "A1"): None, (DAY, "A2"): 1}
        assert read_records(folder).heights.empty
        # The grower's own table is the grower's to change.
        (folder / "picks.csv").write_text("date,plant,count\n2026-07-01,A1,5\n2026-07-01,A2,1\n")
        assert counts(folder) == {(DAY, "A1"): 5, (DAY, "A2"): 1}

    def test_errors_in_them_do_not_keep_records_out(self, make, phone) -> None:
        folder = make(picks="date,plant,count\n2026-07-01,A1,many\n")
        assert add_files(folder, [phone("A", "a1,A1,count,5")]).added == 1

    def test_errors_in_what_it_is_checked_against_do(self, make, phone) -> None:
        path = phone("A", "a1,A1,count,5")
        with pytest.raises(RecordsError, match="not listed in trial"):
            add_files(make(plants="plant,variety\nA1,Nobody\n"), [path])
        with pytest.raises(TrialProblems):
            add_files(make(trial="title = 3\n"), [path])

    def test_as_of_a_day(self, folder, phone) -> None:
        later = phone("A", "a2,A1,count,6", day="2026-07-04", name="b.csv")
        add_files(folder, [phone("A", "a1,A1,count,5"), later])
        assert len(read_records(folder, DAY).picks) == 1

    def test_not_a_trial(self, tmp_path, phone) -> None:
        (tmp_path / "empty").mkdir()
        with pytest.raises(RecordsError, match=r"trial\.toml"):
            add_files(tmp_path / "empty", [phone("A", "a1,A1,count,5")])
        assert list((tmp_path / "empty").iterdir()) == []


class TestSpreadsheets:
    def test_a_table(self, folder, sheet) -> None:
        text = (
            "Date,Plant ID,Pods,Weight (oz),Height,Notes\n"
            "1 Jul 2026,A1,3,2,5'6\",fine\n2026-07-01,C1,0,,,\n2026-07-01,C2,,,,\n"
        )
        report = add_files(folder, [sheet(text)])
        assert report.added == 5
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 0}
        records = read_records(folder)
        assert records.picks["weight_g"].dropna().tolist() == pytest.approx([56.69904625])
        assert records.heights["height_cm"].tolist() == pytest.approx([167.64])
        assert records.events["note"].tolist() == ["fine"]

    def test_plants_down_and_dates_across(self, folder, sheet) -> None:
        text = (
            "plant,variety,row,2026-07-01,4 Jul 2026,2026-07-04 height (in),2026-07-04 weight\n"
            "A1,Ambrel,1,3,,60,\nA2,Ambrel,1,0,2,,12\nC1,Costry,1,-,1,,\n"
        )
        report = add_files(folder, [sheet(text)])
        assert report.doubts.empty
        fourth = date(2026, 7, 4)
        assert counts(folder) == {
            (DAY, "A1"): 3, (DAY, "A2"): 0, (fourth, "A2"): 2, (fourth, "C1"): 1,
        }  # fmt: skip
        records = read_records(folder)
        assert records.heights["height_cm"].tolist() == pytest.approx([152.4])
        assert records.picks["weight_g"].dropna().tolist() == [12]

    def test_the_files_name_says_what_is_across(self, folder, sheet) -> None:
        add_files(folder, [sheet("plant,2026-07-01\nA1,150\n", "heights july.csv")])
        assert read_records(folder).heights["height_cm"].tolist() == [150]

    def test_one_pick_with_its_day_in_the_name(self, folder, sheet) -> None:
        add_files(folder, [sheet("plant,count,weight,notes\nA1,3,,\nC1,,,hail\n",
                                 "picks 2026-07-01.csv")])  # fmt: skip
        assert counts(folder) == {(DAY, "A1"): 3}
        with pytest.raises(RecordsError, match="file's name"):
            add_files(folder, [sheet("plant,count\nA1,3\n", "picks.csv")])

    def test_a_workbook(self, folder, tmp_path) -> None:
        book = openpyxl.Workbook()
        from datetime import datetime

        book.active.append(["plant", datetime(2026, 7, 1), datetime(2026, 7, 4)])
        book.active.append(["A1", 3, None])
        book.active.append(["C1", 0, 2])
        book.save(tmp_path / "filled.xlsx")
        add_files(folder, [tmp_path / "filled.xlsx"])
        assert counts(folder) == {
            (DAY, "A1"): 3, (DAY, "C1"): 0, (date(2026, 7, 4), "C1"): 2,
        }  # fmt: skip
        assert add_files(folder, [tmp_path / "filled.xlsx"]).added == 0

    def test_decimal_commas(self, folder, sheet) -> None:
        text = (
            "date;plant;weight (kg)\n2026-07-01;A1;0,25\n2026-07-01;C1;1,234\n"
            "2026-07-01;A2;2,5 kg\n"
        )
        add_files(folder, [sheet(text)])
        assert sorted(read_records(folder).picks["weight_g"]) == pytest.approx([250, 1234, 2500])

    def test_twice_adds_nothing_and_more_columns_add_what_is_new(self, folder, sheet) -> None:
        text = "plant,2026-07-01\nA1,3\nC1,0\n"
        assert add_files(folder, [sheet(text)]).added == 2
        assert add_files(folder, [sheet(text)]).added == 0
        more = "plant,2026-07-01,2026-07-04\nA1,3,1\nC1,0,\n"
        assert add_files(folder, [sheet(more)]).added == 1

    def test_a_changed_cell_corrects_and_an_emptied_one_takes_back(self, folder, sheet) -> None:
        add_files(folder, [sheet("plant,2026-07-01\nA1,3\nC1,2\n")])
        report = add_files(folder, [sheet("plant,2026-07-01\nA1,5\nC1,\n")])
        assert report.corrected[["plant", "before", "now"]].values.tolist() == [
            ["A1", "3", "5"], ["C1", "2", "taken back"],
        ]  # fmt: skip
        assert counts(folder) == {(DAY, "A1"): 5}
        assert [line["value"] for line in log_lines(folder)][:2] == ["3", "2"]

    def test_an_old_file_brought_in_again_changes_nothing_and_says_so(self, folder, sheet) -> None:
        old, new = "plant,2026-07-01\nA1,3\nC1,2\n", "plant,2026-07-01\nA1,5\nC1,\n"
        for text in (old, new):
            add_files(folder, [sheet(text)])
        report = add_files(folder, [sheet(old)])
        assert report.added == 0
        assert report.older[["plant", "before", "now"]].values.tolist() == [
            ["A1", "3", "5"], ["C1", "2", "nothing"],
        ]  # fmt: skip
        assert counts(folder) == {(DAY, "A1"): 5}

    def test_a_cell_set_back_in_a_new_file_is_a_correction(self, folder, sheet) -> None:
        for text in ("plant,2026-07-01\nA1,3\n", "plant,2026-07-01\nA1,5\n",
                     "plant,2026-07-01\nA1,3\nC1,1\n"):  # fmt: skip
            add_files(folder, [sheet(text)])
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 1}
        refilled = "plant,2026-07-01\nA1,\nC1,1\n", "plant,2026-07-01\nA1,3\nC1,1\nC2,\n"
        add_files(folder, [sheet(refilled[0])])
        assert counts(folder) == {(DAY, "C1"): 1}
        add_files(folder, [sheet(refilled[1])])
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 1}

    def test_another_file_that_differs_is_a_conflict(self, folder, sheet) -> None:
        add_files(folder, [sheet("plant,2026-07-01\nA1,3\n", "mine.csv")])
        report = add_files(folder, [sheet("plant,2026-07-01\nA1,5\n", "yours.csv")])
        assert report.conflicts[["left_source", "right_source"]].values.tolist() == [
            ["mine.csv", "yours.csv"]
        ]

    @pytest.mark.parametrize(("text", "problem"), [
        ("date,plant,count\n2026-07-01,A1,3\n2026-07-01,A1,2\n", "on line 2 already"),
        ("date,plant,count\n2026-07-01,A1,3\n2026-07-01,A1,3\n", "on line 2 already"),
        ("plant,2026-07-01,1 July 2026\nA1,3,4\n", "same day as"),
        ("plant,03/07/2026\nA1,3\n", "3 July or 7 March"),
        ("plant,2026-07-01 mood\nA1,3\n", "'mood' is not count"),
        ("plant,colour\nA1,red\n", "neither counts"),
        ("name,count\nA1,3\n", "no such column"),
        ("date,plant,count,pods\n2026-07-01,A1,3,3\n", "same as another column"),
        ("date,plant,count\n2026-07-01,,3\n", "blank"),
        ("date,plant,count\nsoon,A1,3\n", "not a date"),
        ("date,plant,weight\n2026-07-01,A1,\"1,234\"\n", "1.234 or 1234"),
    ])  # fmt: skip
    def test_what_cannot_be_is_told_and_nothing_comes_in(
        self, folder, sheet, text, problem
    ) -> None:
        with pytest.raises(RecordsError) as caught:
            add_files(folder, [sheet(text)])
        assert caught.value.problems["problem"].str.contains(problem, regex=False).any()
        assert not (folder / "log.csv").exists()

    def test_columns_that_are_not_read(self, folder, sheet) -> None:
        report = add_files(folder, [sheet("date,plant,count,mood\n2026-07-01,A1,3,good\n")])
        assert report.doubts["column"].tolist() == ["mood"]

    def test_a_file_that_is_not_there(self, folder, tmp_path) -> None:
        with pytest.raises(RecordsError, match="not a file"):
            add_files(folder, [tmp_path / "nowhere.csv"])


class TestUndo:
    def test_takes_back_the_last_batch_and_then_the_one_before(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        add_files(folder, [phone("B", "b1,C1,count,2", "b2,C2,count,1")])
        first = undo_last(folder)
        assert (first.batch, first.records, first.sources) == (2, 2, ("B",))
        assert counts(folder) == {(DAY, "A1"): 3}
        assert undo_last(folder).batch == 1
        assert counts(folder) == {}
        last = undo_last(folder)
        assert (last.batch, last.records) == (None, 0)
        assert "nothing" in last.text

    def test_keeps_what_was_said(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        before = (folder / "log.csv").read_bytes()
        undo_last(folder)
        assert (folder / "log.csv").read_bytes().startswith(before)

    def test_brought_in_again_it_stands_again(self, folder, phone, sheet) -> None:
        paths = [phone("A", "a1,A1,count,3"), sheet("plant,2026-07-01\nC1,2\n")]
        add_files(folder, paths)
        undo_last(folder)
        assert add_files(folder, paths).added == 2
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 2}
        assert undo_last(folder).records == 2
        assert counts(folder) == {}

    def test_a_correction_taken_back_leaves_the_old_value(self, folder, phone, sheet) -> None:
        add_files(folder, [sheet("plant,2026-07-01\nA1,3\nC1,2\n")])
        add_files(folder, [sheet("plant,2026-07-01\nA1,5\nC1,\n")])
        undo_last(folder)
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "C1"): 2}

    def test_a_phones_undo_taken_back(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        add_files(folder, [phone("A", "a1,A1,count,3", "undo-a1,A1,undo,a1")])
        assert counts(folder) == {}
        undo_last(folder)
        assert counts(folder) == {(DAY, "A1"): 3}

    def test_a_settlement_taken_back_opens_the_conflict(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3"), phone("B", "b1,A1,count,5")])
        settle(folder, DAY, "A1", "count", "4")
        undo_last(folder)
        assert counts(folder) == {(DAY, "A1"): None}


def rewritten(folder: Path, change) -> None:
    path = folder / "log.csv"
    path.write_text(change(path.read_text()))


class TestTheLog:
    @pytest.fixture
    def logged(self, folder, phone) -> Path:
        add_files(folder, [phone("A", "a1,A1,count,3", 'a2,A1,note,,,"a, b"\nc')])
        return folder

    def test_columns_numbers_and_time_of_entry(self, logged) -> None:
        lines = log_lines(logged)
        assert tuple(lines[0]) == COLUMNS
        assert [line["entry"] for line in lines] == ["1", "2"]
        assert lines[0]["source"] == lines[0]["device"] == "A"
        from datetime import datetime

        entered = datetime.fromisoformat(lines[0]["entered_at"])
        assert entered.tzinfo is not None
        assert abs((datetime.now(entered.tzinfo) - entered).total_seconds()) < 600

    def test_only_grows(self, logged, phone) -> None:
        steps: list[Sequence[str]] = [["b1,C1,count,2"], ["b1,C1,count,2", "undo-b1,C1,undo,b1"]]
        before = (logged / "log.csv").read_bytes()
        for rows in steps:
            add_files(logged, [phone("B", *rows)])
            now = (logged / "log.csv").read_bytes()
            assert now.startswith(before)
            assert len(now) > len(before)
            before = now

    def test_what_a_killed_writer_left_is_swept(self, logged, phone) -> None:
        left = logged / ".log.csv.0123456789ab.part"
        left.write_text("half a li")
        (logged / ".mine.part").write_text("mine")
        add_files(logged, [phone("B", "b1,C1,count,2")])
        assert not left.exists()
        assert (logged / ".mine.part").exists()

    def test_stands_in_the_fingerprint_and_the_files(self, logged, phone) -> None:
        first = read_records(logged)
        assert ("log.csv", 2) in first.files
        add_files(logged, [phone("B", "b1,C1,count,2")])
        assert read_records(logged).fingerprint != first.fingerprint

    @pytest.mark.parametrize(("old", "new", "column"), [
        ("1,1,", "one,1,", "entry"), (",count,3", ",count,x", "value"),
        (",count,", ",tally,", "kind"), ("2026-07-01,A1,count", "soon,A1,count", "date"),
        ("2026-07-01,A1,count", ",A1,count", "date"), (",A1,count", ",Q1,count", "plant"),
        ("batch", "batsch", "batch"),
    ])  # fmt: skip
    def test_a_log_damaged_by_hand_is_told(self, logged, old, new, column) -> None:
        rewritten(logged, lambda text: text.replace(old, new, 1))
        with pytest.raises(RecordsError) as caught:
            read_records(logged)
        assert set(caught.value.problems["file"]) == {"log.csv"}
        # The check says that the line was changed, beside what is wrong with the cell.
        told = caught.value.problems["column"].tolist()
        assert column in told
        assert set(told) <= {column, "check"}

    def test_a_log_saved_by_a_spreadsheet_is_read_but_not_added_to(self, logged, phone) -> None:
        def semicolons(text: str) -> str:
            return text.replace(",", ";")

        rewritten(logged, semicolons)
        assert counts(logged) == {(DAY, "A1"): 3}
        before = (logged / "log.csv").read_bytes()
        with pytest.raises(RecordsError, match="another form"):
            add_files(logged, [phone("B", "b1,C1,count,2")])
        assert (logged / "log.csv").read_bytes() == before

    @pytest.mark.parametrize("change", [
        lambda text: "\ufeff" + text, lambda text: text.replace("\n", "\r\n"),
        lambda text: text.rstrip("\n"), lambda text: text + "\n\n",
    ])  # fmt: skip
    def test_small_changes_by_an_editor_do_no_harm(self, logged, phone, change) -> None:
        rewritten(logged, change)
        add_files(logged, [phone("B", "b1,C1,count,2")])
        assert counts(logged) == {(DAY, "A1"): 3, (DAY, "C1"): 2}

    def test_renamed_plants_are_errors_where_the_log_names_them(self, logged) -> None:
        (logged / "plants.csv").write_text("plant,variety\nX1,Ambrel\n")
        with pytest.raises(RecordsError) as caught:
            read_records(logged)
        assert caught.value.problems[["file", "line"]].values.tolist() == [
            ["log.csv", 2],
            ["log.csv", 3],
        ]


class TestNothingPassesUnnoticed:
    """A cut file, a changed figure, a device with a telling name, a name used twice."""

    @pytest.fixture
    def export(self, tmp_path):
        """An export as phones write it now, with checks."""
        path = tmp_path / "pick.csv"
        names = ["record_id", "recorded_at", "date", "plant", "kind", "value", "unit", "note",
                 "device"]  # fmt: skip
        lines, before = [",".join([*names, "check"])], ""
        for at, plant in enumerate(("A1", "A2", "C1"), start=1):
            cells = [f"r{at}", "2026-07-01T10:00:00+02:00", "2026-07-01", plant, "count", "10", "",
                     "", "Ann x7k2"]  # fmt: skip
            before = check_of(at, 3, before, cells)
            lines.append(",".join([*cells, before]))
        path.write_text("\r\n".join(lines) + "\r\n", newline="")
        return path

    def test_the_whole_export_is_read(self, folder, export) -> None:
        assert add_files(folder, [export]).added == 3

    @pytest.mark.parametrize("step", [8, pytest.param(3, marks=pytest.mark.slow)])
    def test_any_cut_and_any_flipped_figure_of_an_export_is_noticed(
        self, folder, export, step
    ) -> None:
        content = export.read_bytes()
        start = content.index(b"\n") + 1
        # Without the line end, or with half of it, every record is there.
        for end in range(start + 1, len(content) - 2, step):
            export.write_bytes(content[:end])
            with pytest.raises(RecordsError):
                add_files(folder, [export])
        for at in range(start, len(content) - 2, step):
            if content[at: at + 1].isalnum():
                flipped = bytes([content[at] ^ 1])
                export.write_bytes(content[:at] + flipped + content[at + 1:])
                with pytest.raises(RecordsError):
                    add_files(folder, [export])
        assert not (folder / "log.csv").exists()

    @pytest.mark.parametrize("step", [8, pytest.param(3, marks=pytest.mark.slow)])
    def test_any_cut_of_a_line_of_the_log_is_noticed(self, folder, export, step) -> None:
        add_files(folder, [export])
        log = folder / "log.csv"
        content = log.read_bytes()
        last = content.rindex(b"\n", 0, len(content) - 1) + 1
        for end in range(last + 1, len(content) - 1, step):
            log.write_bytes(content[:end])
            with pytest.raises(RecordsError):
                read_records(folder)
        log.write_bytes(content.replace(b",count,10,", b",count,11,", 1))
        with pytest.raises(RecordsError, match="not as it was written"):
            read_records(folder)

    def test_lines_of_the_log_lost_or_moved(self, folder, export) -> None:
        add_files(folder, [export])
        log = folder / "log.csv"
        head, one, two, three = log.read_bytes().splitlines(keepends=True)
        for lines in ([head, one, three], [head, two, one, three], [head, one, two, two, three]):
            log.write_bytes(b"".join(lines))
            with pytest.raises(RecordsError, match="not as it was written"):
                read_records(folder)

    def test_an_export_of_old_cut_in_a_value(self, folder, tmp_path) -> None:
        path = tmp_path / "old.csv"
        path.write_text(PHONE + "a1,2026-07-01T10:00:00+02:00,2026-07-01,A1,count,1")
        with pytest.raises(RecordsError, match="cut short"):
            add_files(folder, [path])

    def test_a_log_of_old_is_read_and_goes_on_with_checks(self, folder, phone) -> None:
        line = "1,1,2026-07-02T10:00:00+02:00,settled,settled-1,,2026-07-01,A1,count,7,,,\n"
        (folder / "log.csv").write_text(",".join(COLUMNS_BEFORE) + "\n" + line)
        assert counts(folder)[DAY, "A1"] == 7
        add_files(folder, [phone("P", "p1,A2,count,3")])
        with (folder / "log.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert [row["act"] for row in rows] == ["settle", "record"]
        assert all(row["check"] for row in rows)
        assert counts(folder) == {(DAY, "A1"): 7, (DAY, "A2"): 3}

    def test_a_phone_called_settled_settles_nothing(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3"), phone("settled", "b1,A1,count,9")])
        assert counts(folder)[DAY, "A1"] is None
        settle(folder, DAY, "A1", "count", "5")
        assert counts(folder)[DAY, "A1"] == 5
        add_files(folder, [phone("settled", "b1,A1,count,9", "b2,A1,count,8")])
        assert counts(folder)[DAY, "A1"] is None

    def test_a_phone_called_settled_and_losses(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,lost,,,rot"), phone("settled", "b1,A1,lost,,,slugs")])
        records = read_records(folder)
        assert len(records.doubts) == 1
        assert records.plants["lost_reason"].isna().all()

    def test_an_undo_touches_no_record_of_another_phone(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        add_files(folder, [phone("B", "b1,A2,count,4", "b2,A1,undo,a1")])
        assert counts(folder) == {(DAY, "A1"): 3, (DAY, "A2"): 4}

    def test_one_record_name_with_two_values_is_a_conflict(self, folder, phone) -> None:
        add_files(folder, [phone("A", "a1,A1,count,3")])
        report = add_files(folder, [phone("A", "a1,A1,count,8")])
        assert len(report.conflicts) == 1
        assert counts(folder)[DAY, "A1"] is None
        settle(folder, DAY, "A1", "count", "8")
        assert counts(folder)[DAY, "A1"] == 8
