"""XLSX workbooks as sheets (Office Open XML, ISO/IEC 29500-1, part 18: SpreadsheetML).

A workbook is a zip archive of XML.  Its size unpacked is known before anything is unpacked, and a
larger one is refused; every part goes through a parser that takes no entities and stops at a
number of elements and a depth that no sheet of records comes near.  Only cells that hold something
are kept.

A cell is read as it is shown: 1.2 in the format 0.0" kg" is 1.2 kg.  What is shown and what is held
may differ in ways that cannot be read (an error, a formula without a result, a line through the
text, a format that hides or scales): then the cell's text says so, and `trialkit.records.tables`
refuses it wherever it is read.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from trialkit.records.findings import Findings
from trialkit.records.sheet import (
    HIDDEN,
    MOST_COLUMNS,
    SCALED,
    STRUCK,
    UNKNOWN_FORMULA,
    Grid,
    Merged,
    Sheet,
    grid_of,
    sheet_of_rows,
)

if TYPE_CHECKING:
    from openpyxl.workbook.workbook import Workbook
    from openpyxl.worksheet._read_only import ReadOnlyWorksheet

MOST_UNPACKED = 200_000_000
MOST_ROWS = 1_048_576
# Tags are counted before a part is parsed: 100,000 picks of four cells have two million.
MOST_TAGS = 3_000_000
MOST_ELEMENTS = 1_500_000
MOST_CELLS = 700_000
DEEPEST = 60
ACCEPTED = "an .xlsx workbook with the column names in the first row of a sheet"
_DECLARATION = re.compile(rb"<!(?:DOCTYPE|ENTITY)")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_PLACE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")
# Of a number format: what is quoted, escaped, or in brackets; what only takes room.
_LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]|\[[^\]]*\]|[_*].')
_DIGITS = re.compile(r"[0#?][0#?,./ ]*(?:[eE][+-][0#?]+)?|General", re.IGNORECASE)
LONGEST_FORMAT = 200


class _TooMuch(ValueError):
    """More in a workbook than any sheet of records holds."""


class _Bounded:
    """Counts the elements of a part while it is parsed, and stops where there are too many."""

    def __init__(self) -> None:
        self.elements = self.depth = 0

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        self.elements += 1
        self.depth += 1
        if self.elements > MOST_ELEMENTS or self.depth > DEEPEST:
            raise _TooMuch("elements")

    def end(self, tag: str) -> None:
        self.depth -= 1

    def data(self, text: str) -> None:
        """Text between the elements."""

    def close(self) -> None:
        """The end of the part."""


@dataclass
class _Cell:
    """One cell as the file has it.  kind, style : its attributes t and s."""

    kind: str
    style: int
    formula: bool = False
    value: list[str] | None = None
    struck: bool = False


class _SheetParts(_Bounded):
    """The cells of a sheet that hold anything, its merged cells, and how many rows are hidden.

    any_cell : stop at the first cell with a value.
    """

    def __init__(self, any_cell: bool = False) -> None:
        super().__init__()
        self.rows: dict[int, dict[int, _Cell]] = {}
        self.merged: list[str] = []
        self.hidden_rows = 0
        self.holds_any = False
        self._any = any_cell
        self._row = self._column = self._cells = 0
        self._cell: _Cell | None = None
        self._text = False

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        super().start(tag, attributes)
        name = tag.rpartition("}")[2]
        if name == "c":
            self._begin(attributes)
        elif name == "row":
            self._row = int(attributes.get("r", self._row + 1))
            self._column = 0
            self.hidden_rows += attributes.get("hidden", "0") in ("1", "true")
            if self._row > MOST_ROWS:
                raise _TooMuch("rows")
        elif name == "mergeCell":
            self.merged.append(attributes.get("ref", ""))
        elif self._cell is not None:
            if name == "f":
                self._cell.formula = True
            elif name == "strike":
                self._cell.struck = attributes.get("val", "1") not in ("0", "false")
            elif name in ("v", "t"):
                self._text = True
                self._cell.value = self._cell.value or []

    def _begin(self, attributes: Mapping[str, str]) -> None:
        place = _PLACE.fullmatch(attributes.get("r", ""))
        self._column += 1
        if place:
            self._row, self._column = int(place[2]), _column_of(place[1])
        self._cell = _Cell(attributes.get("t", "n"), int(attributes.get("s", "0")))

    def data(self, text: str) -> None:
        if self._text and self._cell is not None and self._cell.value is not None:
            self._cell.value.append(text)

    def end(self, tag: str) -> None:
        super().end(tag)
        name = tag.rpartition("}")[2]
        if name in ("v", "t"):
            self._text = False
        elif name == "c" and self._cell is not None:
            cell, self._cell = self._cell, None
            if cell.formula or any(cell.value or ()):
                self._cells += 1
                if self._cells > MOST_CELLS:
                    raise _TooMuch("cells")
                if self._column > MOST_COLUMNS:
                    raise _TooMuch("columns")
                self.rows.setdefault(self._row, {})[self._column] = cell
                self.holds_any = True
                if self._any:
                    raise StopIteration


def _column_of(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number


def _parse(part: bytes, target: _Bounded) -> None:
    """Raises _TooMuch; and what the parser raises where the part is no XML or declares entities."""
    from defusedxml.ElementTree import DefusedXMLParser

    parser = DefusedXMLParser(target=target, forbid_dtd=True)
    try:
        for start in range(0, len(part), 1 << 16):
            parser.feed(part[start: start + (1 << 16)])
        parser.close()
    except StopIteration:
        return


def read_workbook(
    file: str, content: bytes, table: str, findings: Findings, *, only_named: bool = False
) -> Sheet | None:
    """The visible sheet that bears the table's name, else the first that holds anything.

    only_named : None, and no error, where no sheet bears the name.  Otherwise None means that it
    cannot be read, and ``findings`` say why.
    """
    if not _is_safe(file, content, findings):
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            chosen = _choose(content, table, only_named)
    except _TooMuch as error:
        findings.error(file, None, "", "", f"The workbook holds too many {error}.",
                       f"at most {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells; or a CSV file")
        return None
    except Exception as error:  # a damaged workbook fails in many ways, all of them the file's
        findings.error(file, None, "", "", f"It cannot be read ({type(error).__name__}).", ACCEPTED)
        return None
    if chosen is None:
        if not only_named:
            findings.error(file, None, "", "", "The workbook holds nothing.", ACCEPTED)
        return None
    label = f"{file}, sheet {chosen.title}"
    for other, why in chosen.left_out.items():
        findings.doubt(f"{file}, sheet {other}", None, "", "", f"{why} that is not read")
    if chosen.hidden_rows:
        findings.doubt(label, None, "", "",
                       f"hidden rows ({chosen.hidden_rows:,}) are read like the others")
    return _as_sheet(label, chosen, findings)


def read_grids(file: str, content: bytes, findings: Findings) -> list[Grid]:
    """The cells of every visible sheet that holds anything; ``findings`` say what is not read."""
    import openpyxl

    if not _is_safe(file, content, findings):
        return []
    out: list[Grid] = []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        try:
            sheets = [s for s in book.worksheets if hasattr(s, "_worksheet_path")]
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                for sheet in sheets:
                    parts = _SheetParts()
                    _parse(archive.read(sheet._worksheet_path), parts)
                    if not parts.rows:
                        continue
                    label = f"{file}, sheet {sheet.title}"
                    if sheet.sheet_state != "visible":
                        findings.doubt(label, None, "", "", "a hidden sheet that is not read")
                        continue
                    if parts.hidden_rows:
                        findings.doubt(label, None, "", "", f"hidden rows ({parts.hidden_rows:,}) "
                                       "are read like the others")
                    cells, held = _texts(parts, book, sheet)
                    merged = [area for ref in parts.merged if (area := _merged(ref)) is not None]
                    out.append(grid_of(label, str(sheet.title), cells, mark=None,
                                       held_as_numbers=held, merged=merged))
        finally:
            book.close()
    except _TooMuch as error:
        findings.error(file, None, "", "", f"The workbook holds too many {error}.",
                       f"at most {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells; or a CSV file")
        return []
    except Exception as error:  # a damaged workbook fails in many ways, all of them the file's
        findings.error(file, None, "", "", f"It cannot be read ({type(error).__name__}).", ACCEPTED)
        return []
    out = [grid for grid in out if grid.height]
    if not out:
        findings.error(file, None, "", "", "The workbook holds nothing.", ACCEPTED)
    return out


def _merged(ref: str) -> Merged | None:
    ends = [_PLACE.fullmatch(end) for end in ref.split(":")]
    if len(ends) != 2 or not ends[0] or not ends[1]:
        return None
    return Merged(ref, int(ends[0][2]), _column_of(ends[0][1]), int(ends[1][2]),
                  _column_of(ends[1][1]))


def _is_safe(file: str, content: bytes, findings: Findings) -> bool:
    """Whether unpacking and parsing are bounded: the size declared, no XML entities that could
    grow, no more elements than a workbook of records has."""
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
                    xml = part.read(entry.file_size)
                if xml.count(b"<") > MOST_TAGS:
                    raise _TooMuch("elements")
                if _declares(xml):
                    findings.error(file, None, "", "", "It holds XML that no spreadsheet "
                                   "writes.", ACCEPTED)
                    return False
                if entry.filename.endswith((".xml", ".rels")) and "/worksheets/" not in (
                    entry.filename
                ):
                    _parse(xml, _Bounded())
    except _TooMuch:
        findings.error(file, None, "", "", "The workbook holds too many cells.",
                       f"at most {MOST_CELLS:,} cells; or a CSV file")
        return False
    except Exception:  # not a zip archive, encrypted, cut short, an unknown compression
        findings.error(file, None, "", "", "It is not an .xlsx workbook, or is damaged.", ACCEPTED)
        return False
    return True


def _declares(xml: bytes) -> bool:
    if xml[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    return _DECLARATION.search(xml) is not None or b"<\0!\0D\0" in xml or b"\0<\0!\0D" in xml


@dataclass(frozen=True)
class _Chosen:
    """The sheet chosen.  rows : by number, the texts by column from 1.  held : texts of cells that
    hold numbers.  left_out : other sheets that hold something, and what they are."""

    title: str
    rows: dict[int, dict[int, str]]
    held: frozenset[str]
    merged: list[str] = field(default_factory=list)
    hidden_rows: int = 0
    left_out: dict[str, str] = field(default_factory=dict)


def _choose(content: bytes, table: str, only_named: bool) -> _Chosen | None:
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    try:
        sheets = [s for s in book.worksheets if hasattr(s, "_worksheet_path")]
        with zipfile.ZipFile(io.BytesIO(content)) as archive:

            def parts(sheet: ReadOnlyWorksheet, any_cell: bool = False) -> _SheetParts:
                into = _SheetParts(any_cell)
                _parse(archive.read(sheet._worksheet_path), into)
                return into

            visible = [s for s in sheets if s.sheet_state == "visible"]
            named = [s for s in visible if s.title.strip().casefold() == table]
            for sheet in named or ([] if only_named else visible):
                pieces = parts(sheet)
                if not pieces.rows:
                    continue
                # Other sheets of a workbook that holds one by the table's name are its owner's.
                others = [] if named else [s for s in sheets if s is not sheet]
                left_out = {
                    s.title: "a sheet" if s in visible else "a hidden sheet"
                    for s in others if parts(s, any_cell=True).holds_any
                }
                rows, held = _texts(pieces, book, sheet)
                return _Chosen(sheet.title, rows, held, pieces.merged, pieces.hidden_rows, left_out)
        return None
    finally:
        book.close()


def _texts(
    parts: _SheetParts, book: Workbook, sheet: ReadOnlyWorksheet
) -> tuple[dict[int, dict[int, str]], frozenset[str]]:
    """Every cell as the text it shows, and the texts of those that hold numbers."""
    styles = [_Style.of(book, i) for i in range(len(book._cell_styles))]
    shared = sheet._shared_strings
    held: set[str] = set()
    rows: dict[int, dict[int, str]] = {}
    for number in sorted(parts.rows):
        texts = {}
        for column, cell in parts.rows[number].items():
            style = styles[cell.style] if cell.style < len(styles) else _Style()
            text, is_number = _shown(cell, style, shared, book.epoch)
            if text:
                texts[column] = f"{text}{STRUCK}" if style.struck or cell.struck else text
                if is_number:
                    held.add(text)
        if texts:
            rows[number] = texts
    return rows, frozenset(held)


@dataclass(frozen=True)
class _Style:
    """How a cell is shown: its number format, and whether a line goes through it."""

    number_format: str = "General"
    struck: bool = False

    @classmethod
    def of(cls, book: Workbook, index: int) -> _Style:
        from openpyxl.styles.numbers import BUILTIN_FORMATS

        style = book._cell_styles[index]
        own = style.numFmtId
        name = BUILTIN_FORMATS.get(own) or (
            book._number_formats[own - 164] if 0 <= own - 164 < len(book._number_formats) else ""
        )
        fonts = book._fonts
        struck = style.fontId < len(fonts) and fonts[style.fontId].strike
        return cls(name or "General", bool(struck))


def _shown(
    cell: _Cell, style: _Style, shared: Sequence[object], epoch: datetime
) -> tuple[str, bool]:
    """A cell's text, and whether the file holds a number there."""
    raw = "".join(cell.value or ())
    if cell.formula and not raw and (cell.kind != "str" or cell.value is None):
        return UNKNOWN_FORMULA, False
    if cell.kind == "s":
        return str(shared[int(raw)]).strip(), False
    if cell.kind == "b":
        return ("TRUE" if raw == "1" else "FALSE"), False
    if cell.kind != "n" or not _NUMBER.fullmatch(raw):
        return raw.strip(), False  # a text, a date in ISO form, an error such as #N/A
    return _as_shown(float(raw), style.number_format, epoch)


def _as_shown(value: float, number_format: str, epoch: datetime) -> tuple[str, bool]:
    """A number as its format shows it, with all the figures it holds."""
    from openpyxl.styles.numbers import is_date_format, is_timedelta_format
    from openpyxl.utils.datetime import from_excel

    if is_date_format(number_format):
        try:
            return _day_or_time(
                from_excel(value, epoch, timedelta=is_timedelta_format(number_format))
            ), False
        except (OverflowError, ValueError):
            return _plain(value), True
    if len(number_format) > LONGEST_FORMAT:
        return SCALED, False
    sections = _sections(number_format)
    section = sections[0]
    if value < 0 and len(sections) > 1:
        section = sections[1]
    elif value == 0 and len(sections) > 2:
        section = sections[2]
    bare = _LITERAL.sub("\0", section)
    digits = _DIGITS.search(bare)
    literal = _LITERAL.sub(lambda m: m[1] or m[2] or m[3] or "", section)
    if digits is None:
        # Nothing of the number is shown: ;;; or a word in its place.
        return (_plain(value), True) if literal.strip() == "@" else (HIDDEN, False)
    if "%" in bare:
        return f"{_plain(value * 100)}%", False
    if digits[0].rstrip().endswith(","):
        return SCALED, False
    at = _DIGITS.search(literal)
    before, after = (literal[: at.start()], literal[at.end():]) if at else ("", "")
    words = before.strip(" -+("), after.strip(" )")
    if not any(words):
        return _plain(value), True
    return " ".join(part for part in (words[0], _plain(value), words[1]) if part), False


def _sections(number_format: str) -> list[str]:
    """The parts of a format for numbers above, below and at zero."""
    outside = re.sub(r'"[^"]*"|\\.', lambda m: "\0" * len(m[0]), number_format)
    ends = [i for i, c in enumerate(outside) if c == ";"]
    starts = [0, *(i + 1 for i in ends)]
    return [number_format[a:b] for a, b in zip(starts, [*ends, None], strict=True)]


def _plain(value: float) -> str:
    """15 figures are what a spreadsheet keeps: 0.1 + 0.2 is 0.3 there."""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.15g}"


def _day_or_time(value: object) -> str:
    """Dates in ISO form."""
    if isinstance(value, datetime):
        day = value.date().isoformat()
        return day if value.time() == time(0) else f"{day}T{value.time().isoformat('seconds')}"
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value) if isinstance(value, timedelta) else str(value).strip()


def _as_sheet(label: str, chosen: _Chosen, findings: Findings) -> Sheet | None:
    numbers = list(chosen.rows)
    heading_line = numbers[0]
    top = chosen.rows[heading_line]
    width = max(top)
    heading = [top.get(i, "") for i in range(1, width + 1)]
    sound = _unmerged(label, chosen, heading_line, width, findings)
    cells, lines = [], []
    for number in numbers[1:]:
        row = chosen.rows[number]
        extra = next((text for column, text in sorted(row.items()) if column > width), None)
        if extra is not None:
            sound = False
            findings.error(label, number, "", extra, "It stands in a column without a name.",
                           "a name in the first row of each column")
        cells.append([row.get(i, "") for i in range(1, width + 1)])
        lines.append(number)
    if not sound:
        return None
    return sheet_of_rows(
        label, heading, heading_line, cells, lines, mark=None, held_as_numbers=chosen.held
    )


def _unmerged(
    label: str, chosen: _Chosen, heading_line: int, width: int, findings: Findings
) -> bool:
    """Whether no cells of the table are merged: all but the first are empty, whatever is shown."""
    sound = True
    for ref in chosen.merged:
        area = _merged(ref)
        if area is not None and area.bottom >= heading_line and area.left <= width:
            sound = False
            findings.error(label, area.top, "", ref, "These cells are merged into one.",
                           "a value in each cell (unmerge them, and fill in the others)")
    return sound
