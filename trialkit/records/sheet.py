"""A table as its file holds it: heading and cells, nothing interpreted yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

MOST_COLUMNS = 1000
WHAT_IS_READ = "a CSV file (UTF-8, commas, semicolons or tabs) or an .xlsx workbook"

# Which columns, by position, are to hold plain numbers; asked once the heading is known.
PlainNumbers = Callable[[Sequence[str]], frozenset[int]]


@dataclass(frozen=True)
class Sheet:
    """file : its name, with the sheet's where there are several.  heading : the column names.

    heading_line : where the heading stands.  cells : for each column its cells, as text with ""
    for an empty one, or as numbers with NaN where the whole column is plain numbers and blanks.
    lines : for each row the line of the file (or row of the sheet) it begins on.
    comma : the file writes decimal commas.
    """

    file: str
    heading: tuple[str, ...]
    heading_line: int
    cells: tuple[pd.Series, ...]
    lines: npt.NDArray[np.int64]
    comma: bool = False

    def __len__(self) -> int:
        return len(self.lines)


def is_text(cells: pd.Series) -> bool:
    """Whether a column is held as text."""
    return not pd.api.types.is_numeric_dtype(cells.dtype) or cells.dtype == bool


def sheet_of_rows(
    file: str, heading: Sequence[str], heading_line: int, rows: Sequence[Sequence[str]],
    lines: Sequence[int], *, comma: bool = False,
) -> Sheet:
    """A sheet from rows of text, each as long as the heading, without those that hold nothing."""
    kept = [(row, line) for row, line in zip(rows, lines, strict=True) if any(map(str.strip, row))]
    columns = zip(*(row for row, _ in kept), strict=True) if kept else ((),) * len(heading)
    cells = tuple(pd.Series(list(column), dtype="str") for column in columns)
    at = np.array([line for _, line in kept], dtype=np.int64)
    return Sheet(file, tuple(heading), heading_line, cells, at, comma)
