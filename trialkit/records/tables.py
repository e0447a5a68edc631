"""CSV and XLSX files as text tables with the line each row stands on.

Nothing is interpreted here beyond the shape of a table: encoding, separator, heading, rows.
"""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.records.problems import Findings

# Larger files are refused before they are read: a season of 10,000 plants is 20 MB.
LARGEST_CSV = 500_000_000
LARGEST_SHEET = 200_000_000
WHAT_IS_READ = "a CSV file in UTF-8, or an .xlsx workbook"


@dataclass(frozen=True)
class RawTable:
    """file: its name; frame: every cell as text, "" for empty; lines: (rows,) line numbers."""

    file: str
    frame: pd.DataFrame
    lines: np.ndarray


def read_table(path: Path, findings: Findings) -> RawTable | None:
    """Read one file; what is wrong with it goes to ``findings`` and None comes back."""
    try:
        size = path.stat().st_size
        if path.suffix.lower() == ".xlsx":
            return _read_xlsx(path, findings)
        if size > LARGEST_CSV:
            findings.error(path.name, None, "", f"{size} bytes", "The file is too large.",
                           f"at most {LARGEST_CSV // 1_000_000} MB")
            return None
        content = path.read_bytes()
    except OSError as error:
        findings.error(path.name, None, "", "", f"It cannot be read ({error.strerror}).", WHAT_IS_READ)
        return None
    return _parse_csv(path.name, content, findings)


def _decode(file: str, content: bytes, findings: Findings) -> str | None:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    if b"\x00" in content[:4000]:
        findings.error(file, None, "", "", "It is not a text file.", WHAT_IS_READ)
        return None
    findings.doubt(file, None, "", "", "not in UTF-8; read as Windows Western text (cp1252), so "
                   "check accents in names")
    return content.decode("cp1252", errors="replace")


def separator(heading: str) -> str:
    """The separator a heading uses: tab, semicolon or comma, whichever splits it most."""
    return max((",", ";", "\t"), key=lambda s: len(next(csv.reader([heading], delimiter=s), [])))


def _parse_csv(file: str, content: bytes, findings: Findings) -> RawTable | None:
    text = _decode(file, content, findings)
    if text is None:
        return None
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    heading = text.split("\n", 1)[0]
    if not heading.strip():
        findings.error(file, 1, "", "", "The first line must name the columns.", "a heading line")
        return None
    sep = separator(heading)
    try:
        names = next(csv.reader(io.StringIO(text), delimiter=sep))
    except csv.Error as error:
        findings.error(file, 1, "", heading, f"It cannot be read ({error}).", WHAT_IS_READ)
        return None
    try:
        frame = pd.read_csv(
            io.StringIO(text), sep=sep, header=None, names=range(len(names)), skiprows=1,
            dtype=str, keep_default_na=False, na_filter=False, skip_blank_lines=False,
            index_col=False, on_bad_lines="error",
        ) if '"' not in heading or "\n" not in "".join(names) else _slow(text, sep, len(names))
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError):
        return _rows_one_by_one(file, text, sep, names, findings)
    frame.columns = pd.Index(names)
    return _finished(file, frame, _lines(frame))


def _slow(text: str, sep: str, width: int) -> pd.DataFrame:
    rows = list(csv.reader(io.StringIO(text), delimiter=sep))[1:]
    return pd.DataFrame([r + [""] * (width - len(r)) for r in rows], dtype=str)


def _lines(frame: pd.DataFrame) -> np.ndarray:
    """The line each row starts on: a quoted cell may run over several."""
    lines = np.arange(2, len(frame) + 2)
    for name in range(frame.shape[1]):
        column = frame.iloc[:, name]
        if column.dtype == object or str(column.dtype).startswith("str"):
            extra = column.str.count("\n") if column.str.contains("\n", regex=False).any() else None
            if extra is not None:
                lines = lines + np.concatenate([[0], np.cumsum(extra.to_numpy(dtype=int))[:-1]])
    return lines


def _rows_one_by_one(
    file: str, text: str, sep: str, names: list[str], findings: Findings
) -> RawTable | None:
    """Where the fast reader gives up: name every line with too many cells."""
    reader = csv.reader(io.StringIO(text), delimiter=sep)
    rows, lines, start, good = [], [], 0, True
    try:
        for cells in reader:
            line, start = start + 1, reader.line_num
            if line == 1:
                continue
            if len(cells) > len(names) and any(c.strip() for c in cells[len(names):]):
                good = False
                findings.error(file, line, "", sep.join(cells), f"The line has {len(cells)} cells.",
                               f"{len(names)} cells, as the heading has; put quotes round text "
                               f"with a '{sep}' in it")
                continue
            rows.append((cells + [""] * len(names))[: len(names)])
            lines.append(line)
    except csv.Error as error:
        findings.error(file, reader.line_num, "", "", f"It cannot be read ({error}).", WHAT_IS_READ)
        return None
    if not good:
        return None
    return _finished(file, pd.DataFrame(rows, columns=names, dtype=str), np.array(lines, dtype=int))


def _finished(file: str, frame: pd.DataFrame, lines: np.ndarray) -> RawTable:
    """Drop lines with nothing on them (their numbers stay used)."""
    if len(frame):
        first = frame.iloc[:, 0].to_numpy()
        empty = (first == "") | pd.isna(first)
        if empty.any():
            at = np.flatnonzero(empty)
            blank = (frame.iloc[at].fillna("").map(str.strip) == "").all(axis=1).to_numpy()
            keep = np.ones(len(frame), dtype=bool)
            keep[at[blank]] = False
            frame, lines = frame[keep].reset_index(drop=True), lines[keep]
    return RawTable(file, frame, lines)


def _read_xlsx(path: Path, findings: Findings) -> RawTable | None:
    """The first sheet of a workbook, cells as text; refused if it unpacks too large."""
    import openpyxl

    accepted = "an .xlsx workbook with the table on its first sheet"
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > LARGEST_SHEET:
            findings.error(path.name, None, "", f"{size} bytes unpacked", "It is too large.",
                           f"at most {LARGEST_SHEET // 1_000_000} MB unpacked")
            return None
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        rows = [[_cell(c) for c in row] for row in book.worksheets[0].iter_rows(values_only=True)]
        book.close()
    except Exception as error:  # a damaged workbook fails in many ways, all of them the file's
        findings.error(path.name, None, "", "", f"It cannot be read ({type(error).__name__}).", accepted)
        return None
    if not rows or not any(rows[0]):
        findings.error(path.name, 1, "", "", "The first row must name the columns.", accepted)
        return None
    width = max(i for i, name in enumerate(rows[0]) if name) + 1
    cells = [(row + [""] * width)[:width] for row in rows[1:]]
    frame = pd.DataFrame(cells, columns=rows[0][:width], dtype=str)
    return _finished(path.name, frame, np.arange(2, len(frame) + 2))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if hasattr(value, "date") and callable(value.date):
        return str(value.date().isoformat())
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
