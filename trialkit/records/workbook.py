"""XLSX workbooks as sheets.

A workbook is a zip archive of XML; its size unpacked is known before anything is unpacked, and a
larger one is refused.  Dates and numbers come as the spreadsheet holds them, whatever it shows.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from trialkit.records.findings import Findings
from trialkit.records.sheet import MOST_COLUMNS, Sheet, sheet_of_rows

MOST_UNPACKED = 200_000_000
MOST_ROWS = 1_048_576
ACCEPTED = "an .xlsx workbook with the column names in the first row of a sheet"
_DECLARATION = re.compile(rb"<!(?:DOCTYPE|ENTITY)")


def read_workbook(
    file: str, content: bytes, table: str, findings: Findings, *, only_named: bool = False
) -> Sheet | None:
    """The sheet that bears the table's name, else the first that holds anything.

    only_named : None, and no error, where no sheet bears the name.  Otherwise None means that it
    cannot be read, and ``findings`` say why.
    """
    if not _is_safe(file, content, findings):
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a cell that is no date comes as an error, and is told
            found = _rows(content, table, only_named)
    except Exception as error:  # a damaged workbook fails in many ways, all of them the file's
        findings.error(file, None, "", "", f"It cannot be read ({type(error).__name__}).", ACCEPTED)
        return None
    if found is None:
        if not only_named:
            findings.error(file, None, "", "", "The workbook holds nothing.", ACCEPTED)
        return None
    name, rows, left_out = found
    label = f"{file}, sheet {name}"
    for other in left_out:
        findings.doubt(f"{file}, sheet {other}", None, "", "", "a sheet that is not read")
    return _as_sheet(label, rows, findings)


def _is_safe(file: str, content: bytes, findings: Findings) -> bool:
    """Whether unpacking is bounded: the size declared, and no XML entities that could grow."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            size = sum(entry.file_size for entry in entries)
            if size > MOST_UNPACKED or len(entries) > 10_000:
                findings.error(
                    file, None, "", f"{size:,} bytes unpacked", "The workbook is too large.",
                    f"at most {MOST_UNPACKED // 1_000_000} MB unpacked; save the sheet as CSV",
                )
                return False
            for entry in entries:
                with archive.open(entry) as part:
                    if _declares(part.read(entry.file_size)):
                        findings.error(file, None, "", "", "It holds XML that no spreadsheet "
                                       "writes.", ACCEPTED)
                        return False
    except Exception:  # not a zip archive, encrypted, cut short, an unknown compression
        findings.error(file, None, "", "", "It is not an .xlsx workbook, or is damaged.", ACCEPTED)
        return False
    return True


def _declares(xml: bytes) -> bool:
    if xml[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    return _DECLARATION.search(xml) is not None or b"<\0!\0D\0" in xml or b"\0<\0!\0D" in xml


def _rows(
    content: bytes, table: str, only_named: bool
) -> tuple[str, list[tuple[int, list[str]]], list[str]] | None:
    """Name of the sheet chosen, its rows with their numbers, and the sheets that hold more."""
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    try:
        sheets = [s for s in book.worksheets if hasattr(s, "iter_rows")]
        named = [s for s in sheets if s.title.strip().casefold() == table]
        for sheet in named or ([] if only_named else sheets):
            rows = list(_cells(sheet))
            if rows:
                # Other sheets of a workbook that holds one by the table's name are its owner's.
                others = [] if named else [s.title for s in sheets if s is not sheet and _any(s)]
                return sheet.title, _with_formulas(content, sheet.title, rows), others
        return None
    finally:
        book.close()


def _any(sheet: Any) -> bool:
    return next(_cells(sheet), None) is not None


def _cells(sheet: Any) -> Iterator[tuple[int, list[str]]]:
    """Rows that hold anything, as text, with their numbers."""
    sheet.reset_dimensions()  # a workbook may claim a million columns
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > MOST_ROWS:
            raise ValueError("more rows than a sheet can have")
        if len(row) > MOST_COLUMNS and any(v is not None for v in row[MOST_COLUMNS:]):
            raise ValueError("too many columns")
        cells = [_text(value) for value in row[:MOST_COLUMNS]]
        if any(cells):
            yield number, cells


def _text(value: object) -> str:
    """A cell's value as text; dates in ISO form, whole numbers without a decimal point."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        day = value.date().isoformat()
        return day if value.time() == time(0) else f"{day}T{value.time().isoformat('seconds')}"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        # 15 figures are what a spreadsheet keeps: 0.1 + 0.2 is 0.3 there.
        return str(int(value)) if value.is_integer() else f"{value:.15g}"
    if isinstance(value, timedelta):
        return str(value)
    return str(value).strip()


UNKNOWN_FORMULA = "#a formula without a stored result"


def _with_formulas(
    content: bytes, title: str, rows: list[tuple[int, list[str]]]
) -> list[tuple[int, list[str]]]:
    """The rows, a formula that no spreadsheet has worked out yet marked as such.

    Such a cell has no value in the file; left alone it would read as blank: as not looked at.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        formulas = any(
            b"<f>" in xml or b"<f " in xml
            for name in archive.namelist() if name.startswith("xl/worksheets/")
            for xml in (archive.read(name),)
        )
    if not formulas:
        return rows
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=False)
    try:
        said = dict(_cells(book[title]))
    finally:
        book.close()
    known = dict(rows)
    out = []
    for number, cells in sorted(said.items()):
        values = known.get(number, [])
        values += [""] * (len(cells) - len(values))
        out.append((number, [
            UNKNOWN_FORMULA if text.startswith("=") and not value else value
            for text, value in zip(cells, values, strict=False)
        ]))
    return out


def _as_sheet(label: str, rows: list[tuple[int, list[str]]], findings: Findings) -> Sheet | None:
    heading_line, heading = rows[0]
    width = max((i for i, name in enumerate(heading) if name), default=-1) + 1
    sound = True
    cells, lines = [], []
    for number, row in rows[1:]:
        if any(row[width:]):
            sound = False
            extra = next(text for text in row[width:] if text)
            findings.error(label, number, "", extra, "It stands in a column without a name.",
                           "a name in the first row of each column")
        cells.append((row + [""] * width)[:width])
        lines.append(number)
    if not sound:
        return None
    return sheet_of_rows(label, heading[:width], heading_line, cells, lines)
