"""A phone's export as records: one row a tap."""

from __future__ import annotations

from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.found import LONGEST_NOTE, Found, measure, texts_of
from trialkit.records.log import MEASURED
from trialkit.records.sheet import Sheet
from trialkit.trial import Trial

COLUMNS = ("record_id", "recorded_at", "date", "plant", "kind", "value", "unit", "note", "device")
KINDS = (*MEASURED, "not-looked", "note", "undo")


def is_export(sheet: Sheet) -> bool:
    """Whether a sheet has the shape of a phone's export."""
    return "record_id" in sheet.heading and "kind" in sheet.heading


def read_export(sheet: Sheet, trial: Trial, findings: Findings) -> list[Found]:
    """Every row of an export as a record; what cannot be read goes to ``findings``."""
    missing = [name for name in COLUMNS if name not in sheet.heading]
    if missing:
        findings.error(sheet.file, sheet.heading_line, ", ".join(missing), "",
                       "The export lacks columns.", ", ".join(COLUMNS))
        return []
    columns = [texts_of(sheet, sheet.heading.index(name)) for name in COLUMNS]
    out = []
    for line, cells in zip(sheet.lines.tolist(), zip(*columns, strict=True), strict=True):
        found = _record(sheet.file, line, dict(zip(COLUMNS, cells, strict=True)), trial, findings)
        if found is not None:
            out.append(found)
    return out


def _record(
    file: str, line: int, row: dict[str, str], trial: Trial, findings: Findings
) -> Found | None:
    column = "record_id"
    try:
        _filled(row, column, "the name the phone gave the record")
        column, kind = "kind", row["kind"].casefold()
        if kind not in KINDS:
            raise Unreadable("There is no such kind.", ", ".join(KINDS))
        column, day = "date", None
        if row["date"] or kind != "undo":
            day = read_date(row["date"], trial.day_order)
        column = "plant"
        if kind not in ("undo", "note"):
            _filled(row, column, "a plant listed in plants.csv")
        column = "value"
        if kind == "undo":
            _filled(row, column, "the record_id of the record taken back")
        value, unit, amount = measure(kind, row["value"], row["unit"], trial, comma=False)
    except Unreadable as error:
        findings.error(file, line, column, row[column], error.problem, error.accepted)
        return None
    device = row["device"][:LONGEST]
    return Found(
        file, line, device or "phone", row["record_id"][:LONGEST], row["recorded_at"][:LONGEST],
        day, row["plant"], kind, value, unit, row["note"][:LONGEST_NOTE], device, amount,
    )


def _filled(row: dict[str, str], column: str, accepted: str) -> None:
    if not row[column]:
        raise Unreadable("It is blank.", accepted)
