"""Problems gathered to be shown all at once: where, what it says, what is wrong, what would do."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import starmap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ["file", "line", "column", "value", "problem", "accepted", "table", "row"]
SHOWN_AT_MOST = 40
# Of lines with the same problem so many are named, and the others counted.
NAMED_AT_MOST = 3
LONGEST_VALUE = 60
MOST = 1000


class Unreadable(ValueError):  # noqa: N818  (it is raised of a text, and reads as such)
    """A text that cannot be read as what it should be.

    problem : what is wrong, a sentence.  accepted : what would do, without a full stop.
    """

    def __init__(self, problem: str, accepted: str) -> None:
        super().__init__(f"{problem} Accepted: {accepted}.")
        self.problem = problem
        self.accepted = accepted


@dataclass(frozen=True)
class Problem:
    """One thing wrong: in which file, on which line (1 is the first), in which column.

    table, row : of a trial's tables which, and which of its rows (0 is the first), where it is of
    one; a line is where a reader looks, a row is how a program finds the record again.
    """

    file: str
    line: int | None
    column: str
    value: str
    problem: str
    accepted: str
    table: str = ""
    row: int | None = None


def problem_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """The problems as a table of `COLUMNS`; line and row are whole numbers, NA for none.

    What the files say is in it with control characters spelt out, so that no text in a file can
    move the cursor of a terminal, hide a line or turn the direction of reading.
    """
    rows = [
        (shown(p.file, MOST), p.line, *(shown(text, MOST) for text in
                                        (p.column, p.value, p.problem, p.accepted)),
         p.table, p.row)
        for p in problems
    ]
    import pandas as pd  # only here: who reads a number needs no tables

    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"line": "Int64", "row": "Int64"})


def problem_text(table: pd.DataFrame, heading: str) -> str:
    """The problems as lines for a terminal, file by file, at most 40 of them.

    The same problem on many lines of a column is one line, with how many there are.
    """
    same: dict[tuple[str, ...], list[Problem]] = {}
    for row in starmap(Problem, table[COLUMNS].itertuples(index=False, name=None)):
        key = (row.file, row.column, row.problem, row.accepted)
        same.setdefault(key, []).append(row)
    # By file, for a problem stands where it is met first.
    files = list(dict.fromkeys(table["file"]))
    groups = sorted(same.values(), key=lambda rows: files.index(rows[0].file))
    lines = [heading]
    before = None
    for rows in groups[:SHOWN_AT_MOST]:
        file = shown(str(rows[0].file))
        if file != before:
            lines.append(file)
            before = file
        lines.append("  " + _sentence(rows))
    more = sum(map(len, groups[SHOWN_AT_MOST:]))
    if more:
        lines.append(f"  ... and {more:,} more")
    return "\n".join(lines)


def _sentence(rows: list[Problem]) -> str:
    """A problem, and the lines and values that have it."""
    import pandas as pd

    first = rows[0]
    lines = list(dict.fromkeys(str(row.line) for row in rows if not pd.isna(row.line)))
    values = list(dict.fromkeys(shown(str(row.value)) for row in rows if row.value))
    where = [f"line{'s' if len(lines) > 1 else ''} {_first_of(lines)}"] if lines else []
    if first.column:
        where.append(shown(str(first.column)))
    quoted = " " + _first_of([f'"{value}"' for value in values]) if values else ""
    would_do = f" Accepted: {first.accepted}." if first.accepted else ""
    start = ", ".join(where) + quoted
    return (f"{start}: " if start else "") + f"{first.problem}{would_do}"


def _first_of(texts: list[str]) -> str:
    """Some of the texts, and how many more."""
    first, more = texts[:NAMED_AT_MOST], len(texts) - NAMED_AT_MOST
    if more > 0:
        return f"{', '.join(first)} and {more:,} more"
    return ", ".join(first[:-1]) + (" and " if len(first) > 1 else "") + first[-1]


def shown(text: str, longest: int = LONGEST_VALUE) -> str:
    """A text fit to print on one line: shortened, and with control characters spelt out."""
    if len(text) > longest:
        text = text[: longest - 3] + "..."
    if text.isprintable():
        return text
    return "".join(
        c if unicodedata.category(c)[0] != "C" and c not in "\u2028\u2029"
        else c.encode("unicode_escape").decode("ascii")
        for c in text
    )
