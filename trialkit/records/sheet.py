"""The cells of a file as it holds them, nothing interpreted: under a heading, or as a bare grid."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.reading.amounts import Mark
from trialkit.records.files import plain_cell

# ------------------------------------------------------------------------------------------------
# A table as its file holds it: heading and cells, nothing interpreted yet.
# ------------------------------------------------------------------------------------------------

MOST_COLUMNS = 1000
# Texts of cells that show what cannot be read; each is refused where it is read.
UNKNOWN_FORMULA = "#a formula without a stored result"
HIDDEN = "#a number that its format hides"
SCALED = "#a number that its format shows divided by thousands"
STRUCK = " (struck through)"
ERRORS = frozenset({"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!",
                    "#CALC!", "#GETTING_DATA"})
WHAT_IS_READ = "a CSV file (UTF-8, commas, semicolons or tabs) or an .xlsx workbook"

# Which columns, by position, are to hold plain numbers, and of which kind; asked once the heading
# is known.
PlainNumbers = Callable[[Sequence[str]], Mapping[int, str]]


@dataclass(frozen=True)
class Cells:
    """A column's cells: text, "" for an empty one; or numbers, NaN for an empty one, where the
    whole column is plain numbers and blanks."""

    values: pd.Series

    @property
    def are_text(self) -> bool:
        """Whether they are held as text."""
        return is_text(self.values)

    @cached_property
    def coded(self) -> tuple[npt.NDArray[np.intp], list[str]]:
        """For each cell the place of its text among the distinct texts, and those."""
        codes, texts = pd.factorize(self.values, use_na_sentinel=False)
        return codes, [str(text) for text in np.asarray(texts, dtype=object)]

    @property
    def blank(self) -> npt.NDArray[np.bool_]:
        """Which cells are empty or hold spaces alone."""
        if not self.are_text:
            return self.values.isna().to_numpy()
        codes, texts = self.coded
        blank = np.array([not text.strip() for text in texts], dtype=bool)
        return blank[codes] if blank.any() else np.zeros(len(codes), dtype=bool)

    def take(self, mask: npt.NDArray[np.bool_]) -> Cells:
        """The cells where the mask is true."""
        return Cells(self.values[mask].reset_index(drop=True))


@dataclass(frozen=True)
class Sheet:
    """file : its name, with the sheet's where there are several.  heading : the column names.

    heading_line : where the heading stands.  cells : the cells, column by column.
    lines : for each row the line of the file (or row of the sheet) it begins on.
    mark : what the file writes before decimals; None where it does not settle that.
    held_as_numbers : texts of cells that the file holds as numbers, whose mark is a point.
    """

    file: str
    heading: tuple[str, ...]
    heading_line: int
    cells: tuple[Cells, ...]
    lines: npt.NDArray[np.int64]
    mark: Mark | None = "."
    held_as_numbers: frozenset[str] = frozenset()

    def __len__(self) -> int:
        return len(self.lines)

    def without_blank_rows(self) -> Sheet:
        """The sheet without rows that hold nothing; the others keep their lines."""
        blank = np.ones(len(self), dtype=bool)
        for cells in sorted(self.cells, key=lambda c: not c.are_text):
            blank &= cells.blank
            if not blank.any():
                return self
        cells_left = tuple(cells.take(~blank) for cells in self.cells)
        return replace(self, cells=cells_left, lines=self.lines[~blank])


def unreadable(text: str) -> str | None:
    """What is wrong with a cell that shows an error or what cannot be read; None of any other."""
    if text.strip().upper() in ERRORS:
        return "It is an error in the spreadsheet."
    if text.startswith("#a "):
        return f"It is {text[1:]}."
    return "There is a line through it." if text.endswith(STRUCK) else None


def is_text(cells: pd.Series) -> bool:
    """Whether a column is held as text."""
    return not pd.api.types.is_numeric_dtype(cells.dtype) or cells.dtype == bool


def sheet_of_rows(
    file: str, heading: Sequence[str], heading_line: int, rows: Sequence[Sequence[str]],
    lines: Sequence[int], *, mark: Mark | None = ".",
    held_as_numbers: frozenset[str] = frozenset(),
) -> Sheet:
    """A sheet from rows of text, each as long as the heading, without those that hold nothing."""
    pairs = [(row, line) for row, line in zip(rows, lines, strict=True) if any(map(str.strip, row))]
    columns = zip(*(row for row, _ in pairs), strict=True) if pairs else ((),) * len(heading)
    cells = tuple(Cells(pd.Series(list(column), dtype="str")) for column in columns)
    at = np.array([line for _, line in pairs], dtype=np.int64)
    return Sheet(file, tuple(heading), heading_line, cells, at, mark, held_as_numbers)


# ------------------------------------------------------------------------------------------------
# The cells of a sheet as they stand, before anything is known of what they say.
#
# A grid has no blank rows and columns; each of its rows and columns knows its place in the file, so
# that a grid turned on its side (plants across, dates down) still names the file's own lines.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Merged:
    """Cells shown as one: lines and columns of the file from 1, both ends included."""

    ref: str
    top: int
    left: int
    bottom: int
    right: int


@dataclass(frozen=True)
class Grid:
    """file : its name, with the sheet's where it has several.  title : the sheet's own name.

    texts : the cells by row, "" for an empty one.  lines, columns : for each row its line and for
    each column its number in the file, from 1; the other way round where ``turned``.
    lengths : for each row how many cells its line has, where lines may differ (CSV); else empty.
    mark : what the file writes before decimals, None where it does not settle that.
    held_as_numbers : texts of cells that the file holds as numbers, whose mark is a point.
    """

    file: str
    title: str
    texts: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    columns: tuple[int, ...]
    lengths: tuple[int, ...] = ()
    mark: Mark | None = "."
    held_as_numbers: frozenset[str] = frozenset()
    merged: tuple[Merged, ...] = ()
    turned: bool = False

    @property
    def height(self) -> int:
        """How many rows."""
        return len(self.lines)

    @property
    def width(self) -> int:
        """How many columns."""
        return len(self.columns)

    def line(self, row: int, column: int) -> int:
        """The file's line of a cell."""
        return self.columns[column] if self.turned else self.lines[row]

    def letter(self, row: int, column: int) -> str:
        """The file's column of a cell, as spreadsheets name it."""
        number = self.lines[row] if self.turned else self.columns[column]
        letters = ""
        while number:
            number, last = divmod(number - 1, 26)
            letters = chr(65 + last) + letters
        return letters

    def on_its_side(self) -> Grid | None:
        """Rows as columns; None where that would be more columns than any sheet of records has."""
        if self.height > MOST_COLUMNS:
            return None
        texts = tuple(zip(*self.texts, strict=True))
        return replace(self, texts=texts, lines=self.columns, columns=self.lines, lengths=(),
                       turned=not self.turned)

    def filled(self, heading: int, labels: frozenset[int]) -> Grid:
        """The grid with merged cells of the heading, and of columns that name things, filled in.

        heading : the last row of the heading.  labels : the columns that name things.
        """
        texts = [list(row) for row in self.texts]
        at_row = {n: i for i, n in enumerate(self.lines)}
        at_column = {n: i for i, n in enumerate(self.columns)}
        left = []
        for area in self.merged:
            lines, columns = range(area.top, area.bottom + 1), range(area.left, area.right + 1)
            if self.turned:
                lines, columns = columns, lines
            rows = [at_row[n] for n in lines if n in at_row]
            places = [at_column[n] for n in columns if n in at_column]
            if not rows or not places:
                continue
            in_labels = len(columns) == 1 and places[0] in labels
            if max(rows) > heading and not in_labels:
                left.append(area)
                continue
            for i in rows:
                for j in places:
                    texts[i][j] = self.texts[rows[0]][places[0]]
        return replace(self, texts=tuple(map(tuple, texts)), merged=tuple(left))


def grid_of(
    file: str, title: str, cells: Mapping[int, Mapping[int, str]], *,
    lengths: Mapping[int, int] | None = None, mark: Mark | None = ".",
    held_as_numbers: frozenset[str] = frozenset(), merged: Sequence[Merged] = (),
) -> Grid:
    """A grid of cells by line and column, both from 1, without rows and columns that are blank."""
    tidy = {
        line: {c: t for c, text in row.items() if (t := plain_cell(text).strip())}
        for line, row in cells.items()
    }
    lines = tuple(sorted(line for line, row in tidy.items() if row))
    columns = tuple(sorted({c for row in tidy.values() for c in row}))
    texts = tuple(tuple(tidy[line].get(c, "") for c in columns) for line in lines)
    by_row = () if lengths is None else tuple(lengths[line] for line in lines)
    return Grid(file, title, texts, lines, columns, by_row, mark, held_as_numbers, tuple(merged))
