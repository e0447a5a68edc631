"""The cells of a sheet as they stand, before anything is known of what they say.

A grid has no blank rows and columns; each of its rows and columns knows its place in the file, so
that a grid turned on its side (plants across, dates down) still names the file's own lines.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from trialkit.reading.numbers import Mark
from trialkit.records.sheet import MOST_COLUMNS
from trialkit.records.write import plain_cell


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
        return len(self.lines)

    @property
    def width(self) -> int:
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
