"""XLSX: the same table as in CSV, sheets, formulas, and workbooks made to do harm."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime

import openpyxl
import pytest

from trialkit.records import RecordsError, read_records, workbook

ROWS = [
    ["Date", "Plant", "Count", "Weight (g)"],
    [datetime(2026, 7, 1), "A1", 3, 12.5],
    [date(2026, 7, 1), "C1", 0, None],
    ["2026-07-04", "A1", None, "-"],
]


def book(*sheets: tuple[str, list[list]]) -> bytes:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for title, rows in sheets:
        sheet = made.create_sheet(title)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


@pytest.fixture
def xlsx(make):
    """Writes the trial with one more file."""

    def made(content: bytes, name: str = "picks.xlsx", **tables):
        folder = make(**tables)
        (folder / name).write_bytes(content)
        return folder

    return made


def problems(folder):
    with pytest.raises(RecordsError) as caught:
        read_records(folder)
    return caught.value.problems


def test_a_table_in_a_workbook(xlsx) -> None:
    picks = read_records(xlsx(book(("Sheet1", ROWS)))).picks
    assert picks["date"].dt.date.tolist() == [date(2026, 7, 1)] * 2 + [date(2026, 7, 4)]
    assert picks["plant"].tolist() == ["A1", "C1", "A1"]
    assert picks["count"].tolist()[:2] == [3, 0]
    assert picks["count"].isna().tolist() == [False, False, True]
    assert picks["weight_g"].tolist()[0] == 12.5


def test_numbers_as_names(xlsx) -> None:
    rows = [
        ["date", "plant", "count"],
        [datetime(2026, 7, 1), 12, 3],
        [datetime(2026, 7, 1), 7.0, 1],
    ]
    folder = xlsx(book(("picks", rows)), plants="plant,variety\n12,Ambrel\n7,Costry\n")
    assert read_records(folder).picks["plant"].tolist() == ["12", "7"]


def test_errors_name_sheet_and_row(xlsx) -> None:
    rows = [[], ["date", "plant", "count"], [], [datetime(2026, 7, 1), "A1", "few"]]
    found = problems(xlsx(book(("July", rows))))
    assert found[["file", "line", "column", "value"]].values.tolist() == [
        ["picks.xlsx, sheet July", 4, "count", "few"],
    ]


def test_the_sheet_with_the_tables_name_is_read(xlsx) -> None:
    records = read_records(xlsx(book(("Notes", [["hello"]]), ("Picks", ROWS))))
    assert len(records.picks) == 3
    assert records.doubts.empty


def test_other_sheets_are_doubted(xlsx) -> None:
    records = read_records(xlsx(book(("a", ROWS), ("b", [["x"]]), ("empty", []))))
    assert records.doubts["file"].tolist() == ["picks.xlsx, sheet b"]


def test_one_workbook_for_all_tables(xlsx) -> None:
    plants = [["plant", "variety"], ["A1", "Ambrel"], ["C1", "Costry"]]
    heights = [["date", "plant", "height (cm)"], [datetime(2026, 7, 1), "A1", 120]]
    folder = xlsx(
        book(("plants", plants), ("picks", ROWS), ("heights", heights), ("mine", [["x"]])),
        "trial.xlsx",
        plants=None,
    )
    records = read_records(folder)
    assert (len(records.plants), len(records.picks), len(records.heights)) == (2, 3, 1)
    assert records.doubts.empty


def test_two_files_for_one_table_are_refused(xlsx) -> None:
    found = problems(xlsx(book(("a", ROWS)), picks="date,plant,count\n"))
    assert "same table" in found["problem"].iloc[0]


def test_a_formula_never_worked_out_is_no_blank(xlsx) -> None:
    rows = [["date", "plant", "count"], [datetime(2026, 7, 1), "A1", "=1+2"]]
    found = problems(xlsx(book(("a", rows))))
    assert found[["line", "column", "value"]].values.tolist() == [
        [2, "count", workbook.UNKNOWN_FORMULA]
    ]


def test_a_cell_beside_the_table_is_named(xlsx) -> None:
    rows = [["date", "plant", "count"], [datetime(2026, 7, 1), "A1", 3, "??"]]
    assert problems(xlsx(book(("a", rows))))["value"].tolist() == ["??"]


@pytest.mark.parametrize(
    "content", [b"", b"PK\x03\x04", b"not a workbook", b"\xd0\xcf\x11\xe0" * 9]
)
def test_what_is_no_workbook(xlsx, content) -> None:
    assert "not an .xlsx workbook" in problems(xlsx(content))["problem"].iloc[0]


def repacked(content: bytes, **parts: bytes) -> bytes:
    """The workbook with some parts replaced; the ending of a name is enough."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            key = entry.filename.rpartition("/")[2].partition(".")[0]
            new.writestr(entry.filename, parts.get(key, old.read(entry)))
    return out.getvalue()


def test_a_zip_bomb_is_refused_before_it_is_unpacked(xlsx) -> None:
    bomb = repacked(book(("a", ROWS)), sheet1=b" " * (workbook.MOST_UNPACKED + 1))
    assert len(bomb) < 1_000_000
    found = problems(xlsx(bomb))
    assert "too large" in found["problem"].iloc[0]
    assert "unpacked" in found["value"].iloc[0]


def test_a_bomb_that_lies_about_its_size_is_refused(xlsx) -> None:
    bomb = bytearray(repacked(book(("a", ROWS)), sheet1=b" " * 50_000_000))
    size = (50_000_000).to_bytes(4, "little")
    while size in bomb:
        bomb[bomb.index(size) : bomb.index(size) + 4] = (1000).to_bytes(4, "little")
    assert len(problems(xlsx(bytes(bomb)))) == 1


def test_xml_entities_are_refused(xlsx) -> None:
    laughs = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]><x>&b;</x>'
    assert "XML" in problems(xlsx(repacked(book(("a", ROWS)), sheet1=laughs)))["problem"].iloc[0]
    wide = laughs.decode().encode("utf-16")
    assert "XML" in problems(xlsx(repacked(book(("a", ROWS)), sheet1=wide)))["problem"].iloc[0]


def test_a_sheet_that_claims_a_million_columns_is_read_by_what_it_holds(xlsx) -> None:
    content = book(("a", ROWS))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    claimed = sheet.replace(b'ref="A1:D4"', b'ref="A1:XFD1048576"')
    assert claimed != sheet
    assert len(read_records(xlsx(repacked(content, sheet1=claimed))).picks) == 3


def test_a_row_number_beyond_any_sheet(xlsx) -> None:
    content = book(("a", ROWS))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    far = sheet.replace(b'<row r="4"', b'<row r="99999999"')
    assert far != sheet
    assert len(problems(xlsx(repacked(content, sheet1=far)))) == 1
