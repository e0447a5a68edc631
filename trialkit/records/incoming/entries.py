"""Records that a file brings in, a phone's export among them, and which of them are new."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import TypeVar
from zlib import crc32

import pandas as pd

from trialkit.reading.amounts import Mark, number
from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable
from trialkit.records.files import plain_cell
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.log import (
    MEASURED,
    RECORD,
    RECORDED,
    SEEN,
    Entry,
    Log,
    amount_of,
    called,
    is_own,
    same_amount,
    same_value,
    same_words,
    standing,
)
from trialkit.records.owntraits import kept_value, own_of
from trialkit.records.schema import LOGGED, OWN_KIND, own_unit
from trialkit.records.sheet import Sheet
from trialkit.trial import Trial

# ------------------------------------------------------------------------------------------------
# Records that a file brings in, and which of them are new.
# ------------------------------------------------------------------------------------------------

LONGEST_NOTE = 2000


@dataclass(frozen=True)
class Incoming:
    """One record that a file holds.  amount : count, g or cm.  blank : the cell is empty."""

    file: str
    line: int
    source: str
    record_id: str
    recorded_at: str
    date: date | None
    plant: str
    kind: str
    value: str = ""
    unit: str = ""
    note: str = ""
    device: str = ""
    amount: float = float("nan")
    blank: bool = False


def texts_of(sheet: Sheet, place: int) -> list[str]:
    """The cells of a column as the texts they stand for."""
    return [plain_cell(text).strip() for text in sheet.cells[place].values.to_list()]


def measure(
    kind: str, text: str, unit: str, trial: Trial, mark: Mark | None = "."
) -> tuple[str, str, float]:
    """Value and unit as the log keeps them, and the amount in count, g or cm.

    A bare number is kept with its unit beside it, a text that names its own unit as it stands.
    mark : what the table writes before decimals; the log writes a point.  Raises Unreadable.
    """
    if is_own(kind):
        trait = own_of(kind, trial)
        if trait is None:
            raise Unreadable("trial.toml declares no such trait.",
                             ", ".join(own.name for own in trial.traits) or "[[traits]] there")
        return kept_value(trait, text, mark), "", float("nan")
    if kind not in MEASURED:
        return text, "", float("nan")
    quantity = LOGGED[kind][1].quantity
    unit = unit or own_unit(kind, trial)
    amount = amount_of(kind, text, unit, mark)
    if not quantity.units:
        return f"{amount:.0f}", "", amount
    try:
        return f"{number(text, mark=mark):.15g}", unit, amount
    except Unreadable:
        value = text.replace(",", ".") if mark == "," else text
    try:
        if same_amount(amount_of(kind, value, unit), amount):
            return value, "", amount
    except Unreadable:
        pass
    return f"{amount:.15g}", quantity.unit, amount


def content_id(record: Incoming) -> str:
    """An id made of what a spreadsheet's cell says: the same cell, the same id."""
    texts = (record.source, str(record.date), record.plant, record.kind, record.value, record.unit,
            record.note)
    return hashlib.sha256("\0".join(texts).encode("utf-8", "surrogatepass")).hexdigest()[:16]


# ------------------------------------------------------------------------------------------------
# Which of the records that come in are new, and what they change.
#
# A phone's record is known by its id.  A spreadsheet's cell has none; its id is made of what it
# says (file, plant, day, trait, value), so that the same cell is known again.  A cell that says
# something else than its file said before corrects it, and an emptied cell takes its record back.
# A file that came in before, byte for byte, corrects nothing: it is only older than what was said
# since.
# ------------------------------------------------------------------------------------------------

CHANGED_COLUMNS = ["date", "plant", "trait", "before", "now", "source"]

# Of what, on which day, by whom.
OwnKey = tuple[date, str, str, str]


@dataclass
class Maker:
    """Makes the lines of one batch."""

    log: Log
    number: int = 0
    batch: int = 0
    at: str = ""

    def __post_init__(self) -> None:
        self.number, self.batch = self.log.next_entry, self.log.next_batch
        self.at = datetime.now().astimezone().isoformat(timespec="seconds")

    def entry(self, record: Incoming, act: str = RECORD) -> Entry:
        """The next line: what a record says, under its name."""
        made = Entry(self.number, self.batch, self.at, record.source, record.record_id,
                     record.recorded_at, record.date, record.plant, record.kind, record.value,
                     record.unit, record.note, record.device, record.amount, act=act)
        self.number += 1
        return made


def by_source(entries: Iterable[Entry]) -> dict[OwnKey, list[Entry]]:
    """What each source said of each plant, day and trait, of records that stand; the last holds."""
    out: dict[OwnKey, list[Entry]] = {}
    for entry in entries:
        if entry.trait is not None and entry.date is not None:
            key = (entry.date, entry.plant, entry.trait, entry.source)
            out.setdefault(key, []).append(entry)
    return out


@dataclass
class Merge:
    """Takes records one by one.  new : lines to append.  known : how many were known already."""

    log: Log
    new: list[Entry] = field(default_factory=list)
    known: int = 0
    older: list[list[object]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._make = Maker(self.log)
        self.batch = self._make.batch
        self._ever = {e.record_id: e for e in self.log.entries if e.kind != "withdraw"}
        self._here = set(standing(self.log.entries, undos=True))
        self._by_source: dict[OwnKey, list[Entry]] = by_source(standing(self.log.entries).values())
        self._files = {e.device for e in self.log.entries if e.device.startswith("file ")}

    def take(self, record: Incoming) -> None:
        """One record: add it to ``new``, or count it as known."""
        if record.record_id:
            self._phone(record)
        elif record.blank:
            self._emptied(record)
        else:
            self._cell(record)

    def corrected(self) -> pd.DataFrame:
        """What sources said before and say now, where that differs."""
        after = by_source(standing((*self.log.entries, *self.new)).values())
        rows: list[list[object]] = []
        for key, entries in by_source(standing(self.log.entries).values()).items():
            before, now = entries[-1], after[key][-1] if key in after else None
            if now is None or not same_words(now, before):
                rows.append([*key[:2], called(key[2]), before.words,
                             now.words if now else "taken back", key[3]])
        return pd.DataFrame(rows, columns=CHANGED_COLUMNS)

    def _phone(self, record: Incoming) -> None:
        name = record.record_id
        if name in self._ever and self._ever[name].source != record.source:
            name = f"{name}@{record.source}"  # another phone had the same idea
        if name in self._ever and not _alike(self._ever[name], record):
            # One name, two values: which of them holds is for the grower to say.
            record = replace(record, source=f"{record.source}, same record again")
            name = f"{name}~{content_id(record)[:8]}"
        if name in self._here:
            self.known += 1
            return
        target = f"{record.value}@{record.source}"
        value = target if record.kind == "undo" and target in self._ever else record.value
        self._add(record, name, value)

    def _cell(self, record: Incoming) -> None:
        name = content_id(record)
        if record.kind == "note":
            if name in self._here:
                self.known += 1
            else:
                self._add(record, name, record.value)
            return
        now = self._now(record)
        if now is not None and same_value(now, record):
            self.known += 1
        elif name in self._here and record.device in self._files:
            self._older(record, record.value, now)
        else:
            self._add(record, self._fresh(name), record.value)

    def _emptied(self, record: Incoming) -> None:
        now = None if record.kind == "note" else self._now(record)
        if now is None:
            return
        if record.device in self._files:
            self._older(record, "nothing", now)
            return
        # All of them, or an older one would hold again.
        for entry in self._by_source.pop(_own_key(record)):
            self._add(record, self._fresh(f"undo-{entry.record_id}"), entry.record_id, kind="undo")

    def _now(self, record: Incoming) -> Entry | None:
        """What the record's source holds of its plant, day and trait."""
        entries = self._by_source.get(_own_key(record))
        return entries[-1] if entries else None

    def _fresh(self, name: str) -> str:
        """The name, or, where a record of that name stands, one like it that is free."""
        fresh, again = name, 2
        while fresh in self._here:
            fresh, again = f"{name}.{again}", again + 1
        return fresh

    def _older(self, record: Incoming, value: str, now: Entry | None) -> None:
        self.known += 1
        self.older.append([
            record.date, record.plant, called(record.kind), f"{value} {record.unit}".strip(),
            "nothing" if now is None else now.words, record.source,
        ])

    def _add(self, record: Incoming, name: str, value: str, kind: str | None = None) -> None:
        entry = self._make.entry(
            replace(record, record_id=name, kind=kind or record.kind, value=value))
        self.new.append(entry)
        self._ever[name] = entry
        self._here.add(name)
        if entry.trait is not None and record.date is not None:
            self._by_source.setdefault(_own_key(record), []).append(entry)


def _own_key(record: Incoming) -> OwnKey:
    trait = "count" if record.kind == "not-looked" else record.kind
    return record.date, record.plant, trait, record.source  # type: ignore[return-value]


def _alike(entry: Entry, record: Incoming) -> bool:
    """Whether a record says what the log has under its name."""
    return (
        entry.kind == record.kind and entry.date == record.date and entry.plant == record.plant
        and same_value(entry, record) and entry.note == record.note
        and (
            record.kind != "undo"
            or entry.value.partition("@")[0] == record.value.partition("@")[0]
        )
    )


# ------------------------------------------------------------------------------------------------
# A phone's export as records: one row a tap.
# ------------------------------------------------------------------------------------------------

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
