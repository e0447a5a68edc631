"""XLSX: the same table as in CSV, sheets, formulas, and workbooks made to do harm."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime

import openpyxl
import pytest

from trialkit.records import RecordsError, read_records, sheet, workbook

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
    found = problems(xlsx(book(("a", ROWS)), picks="date,plant,count\n2026-07-01,A1,3\n"))
    assert "same table" in found["problem"].iloc[0]


def test_a_formula_never_worked_out_is_no_blank(xlsx) -> None:
    rows = [["date", "plant", "count"], [datetime(2026, 7, 1), "A1", "=1+2"]]
    found = problems(xlsx(book(("a", rows))))
    assert found[["line", "column", "value"]].values.tolist() == [
        [2, "count", sheet.UNKNOWN_FORMULA]
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


def cell_xml(content: bytes, old: str, new: str) -> bytes:
    """The workbook with a part of its first sheet's XML written otherwise."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").decode()
    assert old in sheet
    return repacked(content, sheet1=sheet.replace(old, new).encode())


FORMULA = [["date", "plant", "count"], [datetime(2026, 7, 1), "A1", "=1+2"]]


@pytest.mark.parametrize(
    "written", ["<f/>", "<f\n>1+2</f>", "<f>1+2</f>", '<f t="shared" si="0"/>']
)
def test_formulas_without_a_result_however_written(xlsx, written) -> None:
    content = cell_xml(book(("a", FORMULA)), "<f>1+2</f>", written)
    assert problems(xlsx(content))["value"].tolist() == [sheet.UNKNOWN_FORMULA]


def test_a_formula_of_another_prefix(xlsx) -> None:
    """Namespaces in XML 1.0 (W3C 2009): the prefix is free, the name is what counts."""
    content = book(("a", FORMULA))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("xl/worksheets/sheet1.xml").decode()
    import re as patterns

    own = patterns.sub(r"<(/?)(?=[a-zA-Z])", r"<\1x:", xml).replace("xmlns=", "xmlns:x=")
    content = repacked(content, sheet1=own.encode())
    assert problems(xlsx(content))["value"].tolist() == [sheet.UNKNOWN_FORMULA]


def styled(value: object, **style: object) -> bytes:
    made = openpyxl.Workbook()
    made.active.append(["date", "plant", "count", "weight"])
    made.active.append([datetime(2026, 7, 1), "A1", 3, value])
    for name, setting in style.items():
        setattr(made.active["D2"], name, setting)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


@pytest.mark.parametrize(("number_format", "grams"), [
    ('0.0" kg"', 1200.0), ('0.00\\ "lb"', 1.2 * 453.59237), ("0.0", 1.2), ("General", 1.2),
    ('_(* #,##0.00_);_(* (#,##0.00)', 1.2), ("[Red]0.0", 1.2), ("#,##0.00", 1.2), ("@", 1.2),
])  # fmt: skip
def test_a_number_is_read_as_its_format_shows_it(xlsx, number_format, grams) -> None:
    records = read_records(xlsx(styled(1.2, number_format=number_format)))
    assert records.picks["weight_g"].tolist() == pytest.approx([grams])


@pytest.mark.parametrize(("value", "style", "word"), [
    (0.5, {"number_format": "0%"}, "50%"), (1200, {"number_format": '0.0,"k"'}, "thousands"),
    (5, {"number_format": ";;;"}, "hides"), (5, {"number_format": '"none"'}, "hides"),
    ("#N/A", {}, "#N/A"), (12, {"font": openpyxl.styles.Font(strike=True)}, "struck"),
    (1.5, {"number_format": '0.0" litres"'}, "litres"), ("5_000", {}, "5_000"),
    ("1.250", {}, "1.250"),
])  # fmt: skip
def test_what_cannot_be_read_as_shown_is_refused(xlsx, value, style, word) -> None:
    found = problems(xlsx(styled(value, **style)))
    assert word in found["value"].iloc[0]
    assert found["column"].tolist() == ["weight"]


def test_a_number_of_three_decimals_is_one(xlsx) -> None:
    assert read_records(xlsx(styled(1.25))).picks["weight_g"].tolist() == [1.25]
    assert read_records(xlsx(styled(1.257))).picks["weight_g"].tolist() == [1.257]


def test_an_underscore_in_a_number_cell(xlsx) -> None:
    assert problems(xlsx(cell_xml(styled(5000), "<v>5000</v>", "<v>5_000</v>"))).shape[0] == 1


def test_merged_cells_are_refused(xlsx) -> None:
    made = openpyxl.load_workbook(io.BytesIO(book(("a", ROWS))))
    made.active.merge_cells("B2:B3")
    out = io.BytesIO()
    made.save(out)
    found = problems(xlsx(out.getvalue()))
    assert found[["line", "value"]].values.tolist() == [[2, "B2:B3"]]


def test_a_hidden_sheet_is_not_taken_for_a_visible_one(xlsx) -> None:
    old = [ROWS[0], [date(2026, 7, 1), "A1", 99, 1]]
    made = openpyxl.load_workbook(io.BytesIO(book(("old", old), ("new", ROWS))))
    made["old"].sheet_state = "hidden"
    made.active = 1
    out = io.BytesIO()
    made.save(out)
    records = read_records(xlsx(out.getvalue()))
    assert len(records.picks) == 3
    assert records.doubts["doubt"].tolist() == ["a hidden sheet that is not read"]


def bomb(kind: str) -> bytes:
    head = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    if kind == "unclosed":
        body = "<a>" * 5_000_000
    elif kind == "cells":
        row = "".join("<c><v>1</v></c>" for _ in range(900))
        body = f"<row>{row}</row>" * 12_000 + "</sheetData></worksheet>"
    else:
        body = "".join(f'<row r="{i}"><c r="XFD{i}"/></row>' for i in range(3, 20_003))
        body = ('<row r="1"><c t="inlineStr"><is><t>date</t></is></c></row>' + body
                + "</sheetData></worksheet>")  # fmt: skip
    return repacked(book(("a", ROWS)), sheet1=(head + body).encode())


@pytest.mark.parametrize("kind", ["unclosed", "cells", "far"])
def test_workbooks_made_to_keep_the_parser_busy(xlsx, kind) -> None:
    """Small on disk; refused (or, of one that holds nothing, read) without much of either."""
    import resource
    from time import process_time

    content = bomb(kind)
    assert len(content) < 1_000_000
    folder = xlsx(content)
    before, at = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, process_time()
    problems(folder)
    assert process_time() - at < 20
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 900_000  # kB


def test_the_empty_table_of_a_new_trial_gives_way_to_a_workbook(xlsx) -> None:
    records = read_records(xlsx(book(("picks", ROWS)), picks="date,plant,count,weight\n"))
    assert len(records.picks) == 3
