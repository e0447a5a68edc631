"""What is wrong with the records (errors, which stop) and what is odd (doubts, which do not)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.errors import TrialkitError
from trialkit.reading.amounts import Mark
from trialkit.reading.problems import Problem, problem_table, problem_text

# Of one fault in one column this many lines are listed, and the rest counted.
LISTED = 200
LONGEST = 200

Positions = npt.NDArray[np.intp]
Coded = tuple[npt.NDArray[np.intp], npt.NDArray[Any]]


class RecordsError(TrialkitError, ValueError):
    """Records that cannot be used as they are; nothing was changed.

    problems : file, line, column, value, problem, accepted, table, row; one row a problem.  Of a
    fault that fills a column the first 200 lines are listed and the rest counted in one more row.
    row is the place among the rows of the table as its file holds them, 0 the first.
    """

    def __init__(self, problems: pd.DataFrame) -> None:
        self.problems = problems
        count = len(problems)
        heading = f"{count} problem{'' if count == 1 else 's'} in the records:"
        super().__init__(problem_text(problems, heading))


@dataclass(frozen=True)
class Located:
    """Rows of one table and where each stands.

    frame : the rows.  lines : for each row its line in its file, the first line being 1.
    file : the name of the file; files : where rows come from several, the name for each row.
    codes : for some columns, for each row the place of its value among the distinct values (-1
    for a blank), and those.  table : the name of the table, "" where it is none of a trial's.
    used : whether the rows are those that will be used, in their order.  mark : what the file
    writes before decimals, None where it does not settle it; but for the texts in settled a point.
    """

    frame: pd.DataFrame
    lines: npt.NDArray[np.int64]
    file: str
    files: npt.NDArray[np.object_] | None = None
    codes: Mapping[str, Coded] = field(default_factory=dict)
    table: str = ""
    used: bool = False
    mark: Mark | None = "."
    settled: frozenset[str] = frozenset()

    def coded(self, column: str) -> Coded:
        """For each row the place of its value among the distinct values, -1 for a blank."""
        if column in self.codes:
            return self.codes[column]
        codes, values = pd.factorize(self.frame[column])
        return codes, np.asarray(values, dtype=None if values.dtype.kind == "M" else object)

    def having(self, **columns: pd.Series) -> Located:
        """The same rows with some columns replaced."""
        codes = {name: c for name, c in self.codes.items() if name not in columns}
        return replace(self, frame=self.frame.assign(**columns), codes=codes)

    def keep(self, mask: npt.NDArray[np.bool_]) -> Located:
        """The rows where the mask is true."""
        if mask.all():
            return self
        return Located(
            self.frame[mask].reset_index(drop=True), self.lines[mask], self.file,
            None if self.files is None else self.files[mask],
            {name: (codes[mask], values) for name, (codes, values) in self.codes.items()},
            self.table, mark=self.mark, settled=self.settled,
        )

    def where(self, position: int) -> tuple[str, int]:
        """File and line of a row."""
        file = self.file if self.files is None else str(self.files[position])
        return file, int(self.lines[position])


@dataclass
class Findings:
    """Collects errors and doubts while the files are read."""

    errors: list[Problem] = field(default_factory=list)
    odd: list[Problem] = field(default_factory=list)
    queried: dict[str, set[int]] = field(default_factory=dict)

    def error(
        self, file: str, line: int | None, column: str, value: object, problem: str, accepted: str,
        table: str = "",
    ) -> None:
        """One error that is not of a row; table : of which table it is."""
        self.errors.append(Problem(file, line, column, value_text(value), problem, accepted, table))

    def doubt(
        self, file: str, line: int | None, column: str, value: object, doubt: str,
        table: str = "", row: int | None = None,
    ) -> None:
        """One doubt; table, row : of which table it is, and of which of its rows."""
        self.odd.append(Problem(file, line, column, value_text(value), doubt, "", table, row))

    def errors_at(
        self, rows: Located, at: Positions, column: str, values: Sequence[object],
        problem: str | Sequence[str], accepted: str,
    ) -> None:
        """An error for each of the rows at the given positions.

        values, problem : one for each of the first 200 positions at least (or one problem for all).
        """
        _spread(self.errors, rows, at, column, values, problem, accepted)

    def doubts_at(
        self, rows: Located, at: Positions, column: str, values: Sequence[object],
        doubt: str | Sequence[str],
    ) -> None:
        """A doubt for each of the rows at the given positions; as `errors_at`.

        Of a table whose rows are as they will be used, their positions are noted in ``queried``.
        """
        if rows.used:
            self.queried.setdefault(rows.table, set()).update(map(int, at))
        _spread(self.odd, rows, at, column, values, doubt, "")

    @property
    def problems(self) -> pd.DataFrame:
        """The errors by file and line; see `RecordsError.problems`."""
        return problem_table(_in_order(self.errors))

    @property
    def doubts(self) -> pd.DataFrame:
        """The doubts by file and line: file, line, column, value, doubt, table, row."""
        table = problem_table(_in_order(self.odd))
        return table.rename(columns={"problem": "doubt"}).drop(columns="accepted")


def in_used_rows(odd: list[Problem], tables: Mapping[str, Located]) -> list[Problem]:
    """The doubts with their rows as the tables will be used.

    What is noted while a file is read counts that file's rows; blank heights, the log's records
    and days left out come between.  No two rows of a table share file and line.
    """
    places: dict[tuple[str, str, int], int] = {}
    for name, rows in tables.items():
        asked = [p.line or 0 for p in odd if p.row is not None and p.table == name]
        for i in np.flatnonzero(np.isin(rows.lines, asked)).tolist() if asked else ():
            places[(name, *rows.where(i))] = i
    return [
        p if p.row is None else replace(p, row=places.get((p.table, p.file, p.line or 0)))
        for p in odd
    ]


def _spread(
    out: list[Problem], rows: Located, at: Positions, column: str, values: Sequence[object],
    text: str | Sequence[str], accepted: str,
) -> None:
    for i, position in enumerate(at[:LISTED]):
        file, line = rows.where(int(position))
        what = text if isinstance(text, str) else text[i]
        row = int(position) if rows.table else None
        value = value_text(values[i])
        out.append(Problem(file, line, column, value, what, accepted, rows.table, row))
    more = len(at) - LISTED
    if more > 0:
        what = f"So are {more:,} more lines of this column; this is the first of them."
        file, line = rows.where(int(at[LISTED]))
        out.append(Problem(file, line, column, "", what, "", rows.table))


def _in_order(problems: list[Problem]) -> list[Problem]:
    """By file in the order of their first problem, then by line."""
    files = {name: i for i, name in enumerate(dict.fromkeys(p.file for p in problems))}
    return sorted(problems, key=lambda p: (files[p.file], p.line or 0))


def value_text(value: object) -> str:
    """A value as its file says it, cut where it is very long; nothing for no value."""
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, float):
        return "" if value != value else f"{value:.10g}"
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    text = str(value)
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."
