"""What is wrong with the records (errors) and what is odd about them (doubts)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

SHOWN = 40


class RecordsError(ValueError):
    """Records that cannot be used as they are.  ``problems`` has one row a fault:
    file, line, column, value, problem, accepted."""

    def __init__(self, problems: pd.DataFrame) -> None:
        self.problems = problems
        super().__init__(_table(problems))


def _table(problems: pd.DataFrame) -> str:
    count = len(problems)
    lines = [f"The records have {count} problem{'' if count == 1 else 's'}; nothing was changed."]
    for row in problems.head(SHOWN).itertuples(index=False):
        where = row.file if pd.isna(row.line) else f"{row.file}, line {int(row.line)}"
        column = f", {row.column}" if row.column else ""
        value = f": {row.value!r}" if row.value else ""
        lines.append(f"  {where}{column}{value}. {row.problem} Accepted: {row.accepted}.")
    if count > SHOWN:
        lines.append(f"  ... and {count - SHOWN} more.")
    return "\n".join(lines)


@dataclass
class Findings:
    """Collects errors and doubts while the files are read."""

    errors: list[tuple[str, int | None, str, str, str, str]] = field(default_factory=list)
    doubts_found: list[tuple[str, int | None, str, str, str]] = field(default_factory=list)

    def error(
        self, file: str, line: int | None, column: str, value: object, problem: str, accepted: str
    ) -> None:
        self.errors.append((file, line, column, shown(value), problem, accepted))

    def errors_at(
        self, file: str, lines: Iterable[int], column: str, values: Iterable[object], problem: str,
        accepted: str,
    ) -> None:
        for line, value in zip(lines, values, strict=True):
            self.error(file, int(line), column, value, problem, accepted)

    def doubt(self, file: str, line: int | None, column: str, value: object, doubt: str) -> None:
        self.doubts_found.append((file, line, column, shown(value), doubt))

    def doubts_at(
        self, file: str, lines: Iterable[int], column: str, values: Iterable[object], doubt: str
    ) -> None:
        for line, value in zip(lines, values, strict=True):
            self.doubt(file, int(line), column, value, doubt)

    @property
    def problems(self) -> pd.DataFrame:
        columns = ["file", "line", "column", "value", "problem", "accepted"]
        return _frame(self.errors, columns)

    @property
    def doubts(self) -> pd.DataFrame:
        return _frame(self.doubts_found, ["file", "line", "column", "value", "doubt"])


def _frame(rows: list[tuple[object, ...]] | list[tuple[str, int | None, str, str, str, str]]
           | list[tuple[str, int | None, str, str, str]], columns: list[str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=columns)
    frame["line"] = frame["line"].astype("Int64")
    order = frame.sort_values(["file", "line"], kind="stable", na_position="first")
    return order.reset_index(drop=True)


def shown(value: object) -> str:
    """A value as it stands in the file, cut where it is long."""
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, float) and value == int(value):
        return str(int(value))
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
