"""One table of a trial: its sheet matched to the schema, its cells turned into values."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.reading.numbers import Mark
from trialkit.records.cells import BLANKS_OF, NUMBERS, Reading, read_cells
from trialkit.records.csvfile import read_csv
from trialkit.records.findings import Coded, Findings, Located
from trialkit.records.folder import File
from trialkit.records.headings import judge_headings, match_headings
from trialkit.records.schema import QUANTITIES, Column, Table
from trialkit.records.sheet import Sheet
from trialkit.records.workbook import read_workbook
from trialkit.trial import Trial


def sheet_of(file: File, table: Table, trial: Trial, findings: Findings) -> Sheet | None:
    """The sheet that holds a table; None, with ``findings`` saying why, where there is none."""
    if Path(file.name).suffix.casefold() == ".xlsx":
        return read_workbook(file.name, file.content, table.name, findings)

    def plain_numbers(heading: Sequence[str]) -> dict[int, str]:
        found, _ = match_headings(table, heading, trial.counted)
        # Of feet the text is needed: 5.10 is hardly five feet and a tenth.
        return {m.place: m.column.kind for m in found.values() if m.column.kind in NUMBERS
                and (m.column.kind != "length" or (m.unit or trial.height_unit) != "ft")}

    return read_csv(file.name, file.content, findings, plain_numbers)


def table_of(sheet: Sheet, table: Table, trial: Trial, findings: Findings) -> Located:
    """The table's frame, with all its columns, and where each row stands."""
    table = table.with_notes
    found, again = match_headings(table, sheet.heading, trial.counted)
    judge_headings(table, sheet, found, again, trial.counted, findings)
    data: dict[str, pd.Series] = {}
    codes: dict[str, Coded] = {}
    for column in table.columns:
        match = found.get(column.name)
        if match is None:
            data[column.field] = blank_column(column, len(sheet))
            continue
        kind, how = _reading(table, column, match.unit, trial, sheet.mark)
        data[column.field], coded = read_cells(
            sheet, match.place, kind, how, findings, filled=column.filled,
            literal=column.literal, table=table.name,
        )
        if coded is not None:
            codes[column.field] = coded
    frame = pd.DataFrame(data, copy=False)
    return Located(frame, sheet.lines, sheet.file, codes=codes, table=table.name)


def empty_table(table: Table) -> Located:
    """The table without a row."""
    frame = pd.DataFrame({column.field: blank_column(column, 0) for column in table.columns})
    return Located(frame, np.array([], dtype=np.int64), f"{table.name}.csv", table=table.name)


def blank_column(column: Column, rows: int) -> pd.Series:
    """A column of blanks of the right type."""
    blank = BLANKS_OF[column.kind]
    if column.kind in ("name", "text"):
        return pd.Series([blank] * rows, dtype="str")
    if column.kind == "date":
        return pd.Series(np.full(rows, blank, dtype="datetime64[ns]"))
    return pd.Series(np.full(rows, blank, dtype=np.float64))


def _reading(
    table: Table, column: Column, unit: str | None, trial: Trial, mark: Mark | None
) -> tuple[str, Reading]:
    """How a column's cells are read, and as what."""
    if column.kind == "weight" and table.name == "harvest" and trial.harvest_unit and not unit:
        return "amount", Reading(mark=mark)  # in the published unit, as given
    own = {"temperature": "c", "rain": trial.rain_unit}
    if column.kind in QUANTITIES and column.quantity.own:
        own[column.kind] = getattr(trial, column.quantity.own)
    return column.kind, Reading(unit or own.get(column.kind, ""), trial.day_order, mark)
