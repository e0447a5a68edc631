"""A phone's export as records: one row a tap."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TypeVar
from zlib import crc32

from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable
from trialkit.records.entries import LONGEST_NOTE, Incoming, measure, texts_of
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.log import MEASURED, RECORDED, SEEN, is_own
from trialkit.records.owntraits import own_of
from trialkit.records.schema import LOGGED, OWN_KIND
from trialkit.records.sheet import Sheet
from trialkit.records.write import plain_cell
from trialkit.trial import Trial

T = TypeVar("T")

COLUMNS = ("record_id", "recorded_at", "date", "plant", "kind", "value", "unit", "note", "device")
KINDS = RECORDED
_CHECK = re.compile(r"([0-9]{1,9})/([0-9]{1,9})-[0-9a-f]{8}$")
ABOUT_A_PLANT = (*MEASURED, *SEEN, "not-looked")


def is_export(sheet: Sheet) -> bool:
    """Whether a sheet has the shape of a phone's export."""
    return "record_id" in sheet.heading and "kind" in sheet.heading


def check_of(place: int, total: int, before: str, cells: Sequence[str]) -> str:
    """What the phone writes under "check": the line's place, how many lines there are, and the
    CRC-32 (ISO/IEC/IEEE 8802-3) of that, of the check before and of the line's cells."""
    head = f"{place}/{total}-"
    text = "\x1f".join([head, before, *cells])
    return f"{head}{crc32(text.encode('utf-8', 'surrogatepass')):08x}"


def judge_checks(
    sheet: Sheet, places: Sequence[int], findings: Findings, accepted: str
) -> None:
    """An error for every line that is not as the phone wrote it, and where the end is missing.

    places : of the columns that the checks are of, and of the checks themselves.
    """
    columns = [sheet.cells[place].values.to_list() for place in places]
    before, expected, total = "", 1, 0
    for line, cells in zip(sheet.lines.tolist(), zip(*columns, strict=True), strict=True):
        *texts, check = (plain_cell(cell) for cell in cells)
        head = _CHECK.match(check)
        place, total = (int(head[1]), int(head[2])) if head else (expected, total)
        if place != expected or check != check_of(place, total, before, texts):
            findings.error(sheet.file, line, "check", check, "The line, or the one before it, is "
                           "not as the phone wrote it: cut short, changed or lost.",
                           accepted)
        before, expected = check, place + 1
    if expected != total + 1:
        findings.error(sheet.file, None, "check", "", f"Only {expected - 1} of {total} lines came.",
                       accepted)


def read_export(sheet: Sheet, trial: Trial, findings: Findings) -> list[Incoming]:
    """Every row of an export as a record; what cannot be read goes to ``findings``."""
    missing = [name for name in COLUMNS if name not in sheet.heading]
    if missing:
        findings.error(sheet.file, sheet.heading_line, ", ".join(missing), "",
                       "The export lacks columns.", ", ".join(COLUMNS))
        return []
    if "check" in sheet.heading:
        places = [sheet.heading.index(name) for name in (*COLUMNS, "check")]
        judge_checks(sheet, places, findings, "the pick sent again by the phone; to change a "
                     "record, trialkit correct")
    columns = [texts_of(sheet, sheet.heading.index(name)) for name in COLUMNS]
    return [
        _record(sheet.file, line, dict(zip(COLUMNS, cells, strict=True)), trial, findings)
        for line, cells in zip(sheet.lines.tolist(), zip(*columns, strict=True), strict=True)
    ]


def _record(
    file: str, line: int, row: dict[str, str], trial: Trial, findings: Findings
) -> Incoming:
    """A row as a record.  Every cell of it is judged; nothing comes in where one is wrong."""

    def judged(column: str, read: Callable[[], T]) -> T | None:
        try:
            return read()
        except Unreadable as error:
            findings.error(file, line, column, row[column], error.problem, error.accepted)
            return None

    kind = judged("kind", lambda: _kind(row["kind"], trial)) or ""
    judged("record_id", lambda: _filled(row["record_id"], "the name the phone gave the record"))
    day = None
    if row["date"] or kind != "undo":
        day = judged("date", lambda: read_date(row["date"], trial.day_order))
    if kind in ABOUT_A_PLANT or is_own(kind):
        judged("plant", lambda: _filled(row["plant"], "a plant listed in plants.csv"))
    if kind == "undo":
        judged("value", lambda: _filled(row["value"], "the record_id of the record taken back"))
    unit = judged("unit", lambda: _unit(kind, row["unit"])) or ""
    value, unit, amount = judged(
        "value", lambda: measure(kind, row["value"], unit, trial)
    ) or ("", "", float("nan"))
    device = row["device"][:LONGEST]
    return Incoming(
        file, line, device or "phone", row["record_id"][:LONGEST], row["recorded_at"][:LONGEST],
        day, row["plant"], kind, value, unit, row["note"][:LONGEST_NOTE], device, amount,
    )


def _kind(text: str, trial: Trial) -> str:
    kind = text.casefold()
    if is_own(kind):
        trait = own_of(kind, trial)
        if trait is None:
            raise Unreadable("trial.toml declares no such trait.", ", ".join((
                *KINDS, *(f"{OWN_KIND}{own.name}" for own in trial.traits))))
        return f"{OWN_KIND}{trait.name}"
    if kind not in KINDS:
        raise Unreadable("There is no such kind.", ", ".join(KINDS))
    return kind


def _unit(kind: str, text: str) -> str:
    known = LOGGED[kind][1].quantity.units if kind in LOGGED else {}
    if not known:
        return ""
    if text and text not in known:
        raise Unreadable(f"It is not a unit of {kind}.", ", ".join(known))
    return text


def _filled(text: str, accepted: str) -> None:
    if not text:
        raise Unreadable("It is blank.", accepted)
