"""The records of a trial, checked: every error and every query as a table for the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from trialkit import wording
from trialkit.records import RecordsError, read_records
from trialkit.trial import TrialProblems


@dataclass(frozen=True)
class Checked:
    """sound: whether there is no error.  text: what to print."""

    sound: bool
    text: RenderableType


def check_records(folder: Path) -> Checked:
    """Read the trial in `folder`; doubts do not make it unsound."""
    try:
        records = read_records(folder)
    except TrialProblems as error:
        return Checked(False, Text(str(error)))
    except RecordsError as error:
        count = wording.counted(len(error.problems), "error")
        return Checked(False, Group(Text(f"{count}; nothing was changed."), _table(error.problems)))
    read = wording.listed([f"{name} ({wording.counted(n, 'line')})" for name, n in records.files])
    lines: list[RenderableType] = [Text(f"Read {read}. No errors.")]
    if records.doubts.empty:
        lines.append(Text("Nothing looks odd."))
    else:
        doubts = wording.counted(len(records.doubts), "query", "queries")
        lines.append(Text(f"{doubts}: odd, but used as written. Fix any that are wrong."))
        lines.append(_table(records.doubts))
    return Checked(True, Group(*lines))


def _table(problems: pd.DataFrame) -> Table:
    """As a reader finds them: by file and line, without the places a program goes by."""
    frame = problems.drop(columns=["table", "row"]).rename(
        columns={"doubt": "query", "accepted": "write"})
    table = Table(show_edge=False, pad_edge=False)
    for column in frame.columns:
        table.add_column(str(column), overflow="fold")
    for row in frame.itertuples(index=False):
        table.add_row(*(Text("" if wording.missing(cell) else str(cell)) for cell in row))
    return table
