"""Files that `trialkit add` brings in: what each of their cells or rows says.

Four shapes are known by their headings:

    a phone's export    record_id, recorded_at, date, plant, kind, value, unit, note, device
    a table             date, plant and any of count, weight, height, note
    one pick            the same without a date, which then stands in the file's or sheet's name:
                        picks 2026-07-12.csv
    a wide sheet        plants down, one column a date: plant, 2026-07-12, 2026-07-15, ...; a trait
                        and unit may follow the date (2026-07-12 height in); else it is height or
                        weight where the file's or sheet's name says so, and count where not
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.records import phone
from trialkit.records.check import check_records
from trialkit.records.csvfile import read_csv
from trialkit.records.findings import Findings, Located
from trialkit.records.folder import File
from trialkit.records.found import Found
from trialkit.records.read import Ground
from trialkit.records.spreadsheet import Spreadsheet
from trialkit.records.workbook import read_workbook
from trialkit.trial import Trial


def read_incoming(file: File, trial: Trial, findings: Findings) -> list[Found]:
    """Every record in a file; what cannot be read goes to ``findings``."""
    if Path(file.name).suffix.casefold() == ".xlsx":
        sheet = read_workbook(file.name, file.content, "picks", findings)
    else:
        sheet = read_csv(file.name, file.content, findings, lambda heading: {})
    if sheet is None:
        return []
    if phone.is_export(sheet):
        return phone.read_export(sheet, trial, findings)
    return Spreadsheet(sheet, file, trial, findings).read()


def checked(
    ground: Ground, files: list[list[Found]], findings: Findings
) -> list[list[Found]]:
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


def _once(records: list[Found], findings: Findings) -> None:
    first: dict[tuple[str, date | None, str, str], Found] = {}
    for record in records:
        unsound = record.blank or not record.plant or record.date is None
        if record.record_id or unsound or record.kind == "note":
            continue
        key = (record.source, record.date, record.plant, record.kind)
        before = first.setdefault(key, record)
        if before is not record:
            findings.error(
                record.file, record.line, "plant", record.plant,
                f"It has a {record.kind} for {record.date} on line {before.line} already.",
                "one line a plant and day, two picks of a day added together",
            )
