"""CSV files as sheets: encoding, separator, quotes (RFC 4180), lines.

Read: UTF-8 with or without a byte order mark, UTF-16 with one, and Windows Western text (cp1252,
with a doubt); line ends of Windows, Unix and old Macs; commas, semicolons or tabs; a first line
"sep=;".  A plain file goes through pandas's reader whole; anything else cell by cell, so that
every fault has its line.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import warnings
from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.reading.amounts import BLANKS, Mark
from trialkit.records.findings import Findings
from trialkit.records.sheet import (
    MOST_COLUMNS,
    WHAT_IS_READ,
    Cells,
    Grid,
    PlainNumbers,
    Sheet,
    grid_of,
    is_text,
    sheet_of_rows,
)

SEPARATORS = (",", ";", "\t")
# In so many lines the separator, and the heading of a sheet brought in, is looked for.
HEADING_LINES = 20
# Files with quotes are read strictly up to this size, and by pandas's more lenient reader beyond.
STRICT_BYTES = 4_000_000
# Bytes that may be thousands or three decimals; and numbers that can be read in one way only.
_THREE_AFTER = re.compile(rb"(?<![0-9.])[1-9][0-9]{0,2}[.,][0-9]{3}(?![0-9.])")
_THREE_AFTER_A_POINT = re.compile(_THREE_AFTER.pattern.replace(b"[.,]", b"[.]"))


def _one_way(mark: str, thousands: str) -> re.Pattern[str]:
    """A cell, or its beginning, that is a number with decimals whatever the other mark means."""
    return re.compile(
        rf"(?:(?<![^;\t\n\"])|\A)[+-]?(?:[0-9]{{0,12}}{mark}(?:[0-9]{{1,2}}|[0-9]{{4,12}})"
        rf"|(?:0|[0-9]{{4,12}})?{mark}[0-9]{{3}}"
        rf"|[0-9]{{1,3}}(?:{thousands}[0-9]{{3}}){{1,3}}{mark}[0-9]{{1,12}})"
        r"(?=[;\t\r\n\" a-zA-Z]|\Z)"
    )


_DECIMAL_COMMA, _DECIMAL_POINT = _one_way(",", r"\."), _one_way(r"\.", ",")
_CASES = (str.lower, str.upper, str.capitalize)
BLANK_CELLS = sorted({case(text) for text in BLANKS for case in _CASES} | {"NaN", "N/a"})


def read_csv(
    file: str, content: bytes, findings: Findings, plain_numbers: PlainNumbers
) -> Sheet | None:
    """A CSV file's sheet, or None when it cannot be read; then ``findings`` say why."""
    data = _utf8(file, content, findings)
    if data is None:
        return None
    first, skipped = _skip_to_heading(data)
    if first >= len(data):
        findings.error(file, 1, "", "", "The file is empty.", "a first line that names the columns")
        return None
    end = data.find(b"\n", first)
    line = data[first:] if end < 0 else data[first:end]
    separator = _separator(line.decode())
    simple = b'"' not in line and b"\r" not in line.removesuffix(b"\r")
    if simple and end >= 0:
        heading = [name.strip() for name in line.decode().removesuffix("\r").split(separator)]
        mark: Mark | None = "." if separator == "," else _decimal_mark(data[end:].decode())
        if len(heading) <= MOST_COLUMNS and _may_be_plain(data, end + 1):
            wanted = plain_numbers(heading)
            cells = _by_pandas(data, end + 1, separator, len(heading), wanted, mark)
            if cells is not None:
                lines = np.arange(skipped + 2, skipped + 2 + len(cells[0].values), dtype=np.int64)
                sheet = Sheet(file, tuple(heading), skipped + 1, cells, lines, mark)
                return sheet.without_blank_rows()
    return _cell_by_cell(file, data[first:].decode(), separator, skipped, findings)


def read_csv_grid(file: str, content: bytes, findings: Findings) -> Grid | None:
    """A CSV file's cells as they stand, or None when it cannot be read; ``findings`` say why."""
    data = _utf8(file, content, findings)
    if data is None:
        return None
    first, skipped = _skip_to_heading(data)
    text = data[first:].decode()
    separator = _separator("\n".join(text.split("\n")[:HEADING_LINES]))
    cells: dict[int, dict[int, str]] = {}
    lengths: dict[int, int] = {}
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = skipped + 1
    try:
        for row in reader:
            if len(row) > MOST_COLUMNS:
                findings.error(file, line, "", "", f"There are {len(row):,} columns.",
                               f"at most {MOST_COLUMNS:,}")
                return None
            cells[line] = dict(enumerate(row, start=1))
            lengths[line] = len(row)
            line = skipped + 1 + reader.line_num
    except csv.Error as error:
        _unclosed(file, line, error, findings)
        return None
    one_a_line = "\n".join(cell.strip() for row in cells.values() for cell in row.values())
    mark = _mark_of_cells(one_a_line, separator)
    return grid_of(file, "", cells, lengths=lengths, mark=mark)


def _unclosed(file: str, line: int, error: csv.Error, findings: Findings) -> None:
    long = "limit" in str(error)
    findings.error(
        file, line, "", "",
        "A cell is longer than any text: are quotes not closed?" if long
        else "The quotes are not closed, or not round the whole cell.",
        'quotes round the whole text, "one, two", and a quotation mark inside doubled',
    )


def _utf8(file: str, content: bytes, findings: Findings) -> bytes | None:
    """The file as UTF-8 without a byte order mark."""
    if content.startswith(codecs.BOM_UTF8):
        content = content[len(codecs.BOM_UTF8):]
    elif content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return content.decode("utf-16").encode("utf-8")
        except (UnicodeDecodeError, UnicodeEncodeError):
            findings.error(file, None, "", "", "It is not a text file.", WHAT_IS_READ)
            return None
    if b"\0" in content:
        line = content.count(b"\n", 0, content.index(b"\0")) + 1
        findings.error(file, line, "", "", "It is not a text file.", WHAT_IS_READ)
        return None
    if content.isascii():
        return content
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError:
            findings.error(file, line, "", "", "It is not text in UTF-8.", WHAT_IS_READ)
            return None
        findings.doubt(
            file, line, "", "", "not in UTF-8, read as Windows Western text (cp1252): check the "
            "names with accents, and save the file as UTF-8",
        )
        return text.encode("utf-8")
    return content


def _skip_to_heading(data: bytes) -> tuple[int, int]:
    """Where the heading begins, past empty lines and a "sep=" line, and how many those are."""
    start = lines = 0
    while start < len(data):
        end = data.find(b"\n", start)
        line = data[start: end if end >= 0 else len(data)].strip()
        if line and not (line.lower().startswith(b"sep=") and len(line) <= 5):
            break
        if end < 0:
            return len(data), lines
        start, lines = end + 1, lines + 1
    return start, lines


def _separator(line: str) -> str:
    """The separator that splits the heading most: comma, semicolon or tab."""
    outside = "".join(line.split('"')[::2])
    return max(SEPARATORS, key=outside.count)


def _may_be_plain(data: bytes, start: int) -> bool:
    """Whether each line may hold one row: no quotes (or too many bytes to look at each), and no
    line ends of old Macs."""
    if start >= len(data) or (len(data) <= STRICT_BYTES and data.find(b'"', start) >= 0):
        return False
    return data.find(b"\r", start) < 0 or data.count(b"\r", start) == data.count(b"\r\n", start)


def _by_pandas(
    data: bytes, start: int, separator: str, columns: int, kinds: Mapping[int, str],
    mark: Mark | None,
) -> tuple[Cells, ...] | None:
    """The cells by column; None unless each line holds one row with as many cells as the heading.

    Too many cells on one line and too few on another could make up for each other in the count;
    pandas raises an error at the former.  A separator inside quotes and a short line could too.
    """
    names = [str(i) for i in range(columns)]
    numbers = frozenset(kinds)
    unsettled = (
        _THREE_AFTER_A_POINT if separator == "," else _THREE_AFTER
    ).search(data, start) is not None

    def may_be_thousands(place: int) -> bool:
        """Whether a column of numbers with decimals may hold 1.000 or 1,000 of two readings."""
        return unsettled and (mark is None or kinds.get(place) == "count")

    def parse(numbers: frozenset[int], only: list[int] | None) -> pd.DataFrame:
        stream = io.BytesIO(data)
        stream.seek(start)
        return pd.read_csv(
            stream, sep=separator, header=None, names=names, index_col=False,
            usecols=[names[i] for i in only] if only else None,
            dtype=str if only else None, skip_blank_lines=False,
            keep_default_na=False, na_values={names[i]: BLANK_CELLS for i in numbers},
            decimal=mark or ".",
        )

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            warnings.simplefilter("ignore", pd.errors.DtypeWarning)
            frame = parse(numbers, None)
            again = [
                i for i in range(columns) if not _as_wanted(frame[names[i]], i in numbers)
                or (frame[names[i]].dtype.kind == "f" and may_be_thousands(i))
            ]
            text = parse(frozenset(), again) if again else frame
    except (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError):
        return None
    if data.count(separator.encode(), start) != len(frame) * (columns - 1):
        return None
    quoted = data.find(b'"', start) >= 0
    if quoted and len(frame) != data.count(b"\n", start) + (not data.endswith(b"\n")):
        return None
    cells = tuple(Cells((text if i in again else frame)[names[i]]) for i in range(columns))
    if quoted and any(separator in text for c in cells if c.are_text for text in c.coded[1]):
        return None
    return cells


def _as_wanted(cells: pd.Series, number: bool) -> bool:
    """Whether pandas read a column as what it is to be; else it is read again, as text."""
    if number:
        return not is_text(cells) and not np.isinf(cells.to_numpy()).any()
    if not is_text(cells) or cells.dtype == bool:
        return False
    return cells.dtype != object or pd.api.types.infer_dtype(cells, skipna=False) == "string"


def _cell_by_cell(
    file: str, text: str, separator: str, skipped: int, findings: Findings
) -> Sheet | None:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    heading: list[str] | None = None
    rows: list[list[str]] = []
    lines: list[int] = []
    sound = True
    line = skipped + 1
    heading_line = line
    try:
        for cells in reader:
            if heading is None:
                heading = [name.strip() for name in cells]
                if len(heading) > MOST_COLUMNS:
                    findings.error(file, line, "", "", f"There are {len(heading):,} columns.",
                                   f"at most {MOST_COLUMNS:,}")
                    return None
            elif len(cells) > len(heading) and any(map(str.strip, cells[len(heading):])):
                sound = False
                findings.error(
                    file, line, "", separator.join(cells), f"The line has {len(cells)} cells, the "
                    f"heading {len(heading)}.", f"{len(heading)} cells; quotes round a text with "
                    f"{_named(separator)} in it",
                )
            else:
                if 1 < len(cells) < len(heading) and "record_id" in heading:
                    sound = False  # a log or an export: every line of it has all its cells
                    findings.error(
                        file, line, "", separator.join(cells), f"The line is cut short: it has "
                        f"{len(cells)} cells of {len(heading)}.", "the whole file, sent again",
                    )
                elif 1 < len(cells) < len(heading):
                    findings.doubt(file, line, "", separator.join(cells),
                                   f"a line with {len(cells)} cells where the heading has "
                                   f"{len(heading)}: the missing ones are taken as blank")
                rows.append((cells + [""] * len(heading))[: len(heading)])
                lines.append(line)
            line = skipped + 1 + reader.line_num
    except csv.Error as error:
        _unclosed(file, line, error, findings)
        return None
    if heading is None or not sound:
        return None
    one_a_line = "\n".join(cell.strip() for row in rows for cell in row)
    mark = _mark_of_cells(one_a_line, separator)
    return sheet_of_rows(file, heading, heading_line, rows, lines, mark=mark)


def _decimal_mark(text: str) -> Mark | None:
    """What a file writes before decimals, by the cells in it that can be read in one way only.

    None where nothing settles it: 1.250 may then be one and a quarter or a thousand and more.
    """
    comma = _DECIMAL_COMMA.search(text) is not None
    point = _DECIMAL_POINT.search(text) is not None
    return None if comma == point else "," if comma else "."


def _mark_of_cells(one_a_line: str, separator: str) -> Mark | None:
    """What a file writes before decimals.  one_a_line : its cells, a line each."""
    if separator == ",":  # a point, unless a cell in quotes says otherwise
        return None if _DECIMAL_COMMA.search(one_a_line) else "."
    return _decimal_mark(one_a_line)


def _named(separator: str) -> str:
    return {",": "a comma", ";": "a semicolon", "\t": "a tab"}[separator]
