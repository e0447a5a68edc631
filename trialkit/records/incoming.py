"""Files that `trialkit add` brings in: a phone's export, or spreadsheets as people keep them.

A phone's export is known by its headings:

    record_id, recorded_at, date, plant, kind, value, unit, note, device

Anything else is a spreadsheet; which shapes of it are read, `trialkit.records.spreadsheets` says.
Of a workbook every visible sheet is read that names plants; others are left out, and that is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.records import phone
from trialkit.records.check import check_records
from trialkit.records.csvfile import read_csv, read_csv_grid
from trialkit.records.entries import Incoming
from trialkit.records.findings import LONGEST, Findings, Located
from trialkit.records.folder import File
from trialkit.records.log import called
from trialkit.records.read import Ground
from trialkit.records.spreadsheets.arrangement import SHAPES, Arrangement, Arranger, stacked
from trialkit.records.spreadsheets.cellgrid import Grid
from trialkit.records.spreadsheets.days import Days, years_in
from trialkit.records.spreadsheets.reading import SheetReader, SheetReading
from trialkit.records.spreadsheets.subjects import Listed
from trialkit.records.spreadsheets.summaries import figure
from trialkit.records.workbook import read_grids


@dataclass(frozen=True)
class Brought:
    """What a file brings in.  made : what was made of each of its sheets; none of an export."""

    file: File
    records: list[Incoming]
    made: tuple[SheetReading, ...] = ()


def read_incoming(file: File, ground: Ground, findings: Findings) -> Brought:
    """Every record in a file; what cannot be read goes to ``findings``."""
    if Path(file.name).suffix.casefold() == ".xlsx":
        grids = read_grids(file.name, file.content, findings)
    else:
        of_table = Findings()
        sheet = read_csv(file.name, file.content, of_table, lambda heading: {})
        if sheet is not None and phone.is_export(sheet):
            findings.errors += of_table.errors
            findings.odd += of_table.odd
            return Brought(file, phone.read_export(sheet, ground.trial, findings))
        if sheet is None and b"record_id" in file.content[:LONGEST]:  # an export that is damaged
            findings.errors += of_table.errors
            return Brought(file, [])
        grid = read_csv_grid(file.name, file.content, findings)
        grids = [] if grid is None else [grid]
        if grid is not None and not grid.height:
            findings.error(file.name, 1, "", "", "The file is empty.",
                           "a first line that names the columns")
            return Brought(file, [])
    return _spreadsheet(file, grids, ground, findings)


@dataclass(frozen=True)
class _Arranged:
    """A table of a sheet, how its days are read, and the plant it is named for."""

    arranged: Arrangement
    days: Days
    named_for: str


def _spreadsheet(
    file: File, grids: list[Grid], ground: Ground, findings: Findings
) -> Brought:
    """The records of all sheets that name plants."""
    listed = Listed(ground.plants.frame)
    tables: list[_Arranged] = []
    others: list[Grid] = []
    stem = Path(file.name).stem
    for grid in grids:
        named_for = next((p for name in (grid.title, stem) if name
                          and (p := listed.plant(name)) is not None), "")

        def arrange(part: Grid, years: frozenset[int], named: str = named_for) -> _Arranged | None:
            days = Days(ground.trial, years=years)
            days.settle(text for row in part.texts for text in row)
            arranger = Arranger(listed, days, ground.trial.counted, "plant" if named else None,
                                ground.trial.traits)
            arranged = arranger.arrangement(part)
            return None if arranged is None else _Arranged(arranged, days, named)

        table = arrange(grid, frozenset())
        if table is None:
            others.append(grid)
            continue
        years = years_in((*(t for _, t in table.arranged.above), grid.title, stem))
        for block in stacked(table.arranged):
            again = arrange(block, years)
            if again is None:
                _not_records(block, listed, findings)
                continue
            tables.append(again)
            _nothing_above(again.arranged, listed, findings)
    # Where one sheet has plants, another with the same by plot or variety is worked out from it.
    by_plants = [table for table in tables if table.arranged.subject == "plant"]
    made: list[SheetReading] = []
    records: list[Incoming] = []
    for table in tables:
        if by_plants and table not in by_plants:
            others.append(table.arranged.grid)
            continue
        reader = SheetReader(table.arranged, file, ground.trial, listed, table.days, findings,
                             table.named_for)
        records += reader.read()
        made.append(reader.made)
    for grid in others:
        if made:
            findings.doubt(grid.file, None, "", "", "a sheet that is not read: no figures of "
                           "plants stand in it")
        else:
            _not_records(grid, listed, findings)
    return Brought(file, records, tuple(made))


def _nothing_above(arranged: Arrangement, listed: Listed, findings: Findings) -> None:
    """An error where lines above the heading look like records, which would be left out."""
    grid = arranged.grid
    for row in range(arranged.top):
        texts = [t for t in grid.texts[row] if t]
        figures = [t for t in texts if figure(t, grid.mark) == figure(t, grid.mark)]
        plants = [t for t in texts if t not in figures and listed.plant(t) is not None]
        if plants and figures:
            findings.error(grid.file, grid.line(row, 0), "", ", ".join(texts)[:LONGEST],
                           "It stands above the heading that was found, and names a plant.",
                           "one heading, above all records; or a heading above each table")


def _not_records(grid: Grid, listed: Listed, findings: Findings) -> None:
    """An error for a sheet in which no records were found; it says what was looked for."""
    plants = {t for row in grid.texts for t in row if listed.plant(t) is not None}
    first = grid.texts[0] if not grid.turned else next(zip(*grid.texts, strict=True))
    line, texts = grid.lines[0], ", ".join(t for t in first if t)[:LONGEST]
    if "plant" in [t.casefold() for t in first]:
        findings.error(grid.file, line, "", texts, "It has neither counts, weights or heights nor "
                       "dates across the top.", SHAPES)
    elif plants:
        findings.error(grid.file, line, "", texts, "No line of the first 20 says what the figures "
                       "are.", "a heading: date, plant and count, weight or height; or the days")
    else:
        findings.error(grid.file, line, "plant", texts, "There is no such column, and no name of "
                       "a plant stands in the sheet.", f"plants as in plants.csv, in {SHAPES}")


def checked(
    ground: Ground, files: list[list[Incoming]], findings: Findings
) -> list[list[Incoming]]:
    """The records with plants as plants.csv has them; days and plants that cannot be are errors,
    and so is a spreadsheet that says two things of one plant, day and trait."""
    flat = [record for records in files for record in records if record.plant]
    frame = pd.DataFrame({
        "date": pd.Series(np.array([r.date for r in flat], dtype="datetime64[ns]")),
        "plant": pd.Series([r.plant for r in flat], dtype="str"),
    })
    lines = np.array([r.line for r in flat], dtype=np.int64)
    names = np.array([r.file for r in flat], dtype=object)
    rows = check_records(
        ground.trial, ground.plants, "picks", Located(frame, lines, "", names), findings,
        ground.plots,
    )
    plants = iter(rows.frame["plant"].to_list())
    out = [
        [replace(r, plant=str(next(plants))) if r.plant else r for r in records]
        for records in files
    ]
    for records in out:
        _once(records, findings)
    # A plant is judged once for each of a line's cells.
    findings.errors[:] = dict.fromkeys(findings.errors)
    return out


def _once(records: list[Incoming], findings: Findings) -> None:
    first: dict[tuple[str, date | None, str, str], Incoming] = {}
    for record in records:
        unsound = record.blank or not record.plant or record.date is None
        if record.record_id or unsound or record.kind == "note":
            continue
        key = (record.source, record.date, record.plant, record.kind)
        before = first.setdefault(key, record)
        if before is not record:
            findings.error(
                record.file, record.line, "plant", record.plant,
                f"It has a {called(record.kind)} for {record.date} on line {before.line}"
                f"{'' if before.file == record.file else f' of {before.file}'} already.",
                "one line a plant and day, two picks of a day added together",
            )
