"""The log of a trial: every record brought in with `trialkit add`, in a file that only grows.

`log.csv` stands beside the grower's own picks.csv and heights.csv, which are never written to.
Records of both are read together (see below).  A line once written stays: a
correction is a new line, and so is taking something back.  Any spreadsheet can read the file; it
is not meant to be edited, and nothing in it needs to be.

    entry        1, 2, 3, ...: the order in which lines were written, whatever the clock said
    batch        lines that came in together have one number
    entered_at   when they came in, by this computer's clock
    source       where from: the phone that recorded it, or the name of the spreadsheet
    record_id    the phone's own, or made from what a spreadsheet's cell says
    recorded_at  when it was recorded, as the phone says
    date, plant  which plant on which day
    kind         count, weight, height (`schema.LOGGED`), "trait:" and the name of a trait of one's
                 own: what was seen;
                 not-looked: nobody looked (not a zero);
                 lost: the plant is gone from that day; not-lost: it is not, where that was settled;
                 topped: its growing tip was cut that day; note: a remark; undo: the source takes
                 back the record named under value; withdraw: a whole batch is taken back, a line
                 for each of its records
    value, unit  as recorded
    note         a remark; of a loss the reason
    device       the phone; of a spreadsheet "file" and the first figures of its SHA-256
    act          record: said by a source; settle: said by whoever keeps the trial, over all
                 sources; withdraw.  No file that comes in has a say in it
    check        CRC-32 (ISO/IEC/IEEE 8802-3) of the check before and of this line's cells: a cut, a
                 changed figure and a line lost or moved are noticed

Which records stand follows from the order of lines alone.  A record stands from the line that
brings it until a line withdraws it; one brought in again stands again.  One that a standing undo of
the same source names does not stand.  Of the records of one source for one plant, day and trait the
last holds; the others were corrected.  Two sources that hold different values for one plant, day
and trait are a conflict: neither is used until a line of the act "settle" says what holds.  "Not
looked" contradicts nothing: it says that nobody looked, and another may have.  For losses, which
happen once a plant, see below.
"""

from __future__ import annotations

from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Protocol
from zlib import crc32

import numpy as np
import pandas as pd

from trialkit.reading.amounts import Mark, is_blank
from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded
from trialkit.records.csvfile import read_csv
from trialkit.records.files import LOG, File, csv_text, plain_cell, read_file, write_bytes
from trialkit.records.findings import Findings, Located, value_text
from trialkit.records.schema import LOGGED, OWN_KIND
from trialkit.records.tables import READERS, Reading

COLUMNS = (
    "entry", "batch", "entered_at", "source", "record_id", "recorded_at", "date", "plant", "kind",
    "value", "unit", "note", "device", "act", "check",
)
# Logs of earlier versions end here; they are read, and get acts and checks when they grow.
COLUMNS_BEFORE = COLUMNS[:-2]
MEASURED = tuple(LOGGED)
SEEN = ("lost", "topped")
# What a phone or a spreadsheet may say; the log knows three more.
RECORDED = (*MEASURED, *SEEN, "not-looked", "note", "undo")
KINDS = (*RECORDED, "not-lost", "withdraw")
# The trait that a kind is about, where it is not of the same name.
_ABOUT = {"not-looked": "count", "not-lost": "lost"}
SETTLED = "settled"
RECORD, SETTLE, WITHDRAW = ACTS = ("record", "settle", "withdraw")
_AS_WRITTEN = "the log as trialkit wrote it"

# What was seen of which plant on which day: day, plant, trait.
Key = tuple[date, str, str]


@dataclass(frozen=True)
class Entry:
    """One line of the log.  amount : count, g or cm; NaN where nothing was measured."""

    entry: int
    batch: int
    entered_at: str
    source: str
    record_id: str
    recorded_at: str
    date: date | None
    plant: str
    kind: str
    value: str
    unit: str
    note: str
    device: str
    amount: float = float("nan")
    line: int = 0
    act: str = RECORD

    @property
    def holder(self) -> str:
        """Whose word it is: the source's, or "" of what was settled."""
        return "" if self.act == SETTLE else self.source

    @property
    def trait(self) -> str | None:
        """What the record is about: count, weight, height, lost, topped, or a kind of one's own;
        None for notes and taking back."""
        kind = _ABOUT.get(self.kind, self.kind)
        return kind if kind in (*MEASURED, *SEEN) or is_own(kind) else None

    @property
    def words(self) -> str:
        """The value with its unit, as recorded."""
        if self.kind == "not-looked":
            return "not looked at"
        if is_own(self.kind):
            return self.value
        if self.kind not in MEASURED:
            return f"{self.kind.replace('-', ' ')}, {self.note}".removesuffix(", ")
        return f"{self.value} {self.unit}".strip() if self.kind != "count" else self.value


@dataclass(frozen=True)
class Log:
    """The log as it stands: its lines, and its bytes."""

    entries: tuple[Entry, ...] = ()
    content: bytes = b""

    @property
    def next_entry(self) -> int:
        """The number of the next line."""
        return max((e.entry for e in self.entries), default=0) + 1

    @property
    def next_batch(self) -> int:
        """The number under which what comes in next can be undone."""
        return max((e.batch for e in self.entries), default=0) + 1

    @property
    def can_grow(self) -> bool:
        """Whether lines can be added: not where another programme saved it in another form."""
        heading = self.content.removeprefix(BOM_UTF8).partition(b"\n")[0].rstrip(b"\r")
        known = (COLUMNS, COLUMNS_BEFORE)
        return not self.content or heading in [",".join(names).encode() for names in known]

    @property
    def is_older(self) -> bool:
        """Whether an earlier version wrote it, without acts and checks."""
        heading = self.content.removeprefix(BOM_UTF8).partition(b"\n")[0].rstrip(b"\r")
        return heading == ",".join(COLUMNS_BEFORE).encode()


def is_own(kind: str) -> bool:
    """Whether a kind is that of a trait of one's own."""
    return kind.startswith(OWN_KIND) and len(kind) > len(OWN_KIND)


def called(kind: str) -> str:
    """What a kind is called in a message: a trait of one's own by its name."""
    return kind.removeprefix(OWN_KIND)


def check_of(before: str, cells: Sequence[str]) -> str:
    """A line's check: of the one before it and of its own cells.  Begins with a letter, so that no
    spreadsheet takes it for a number."""
    text = "\x1f".join([before, *cells])
    return f"k{crc32(text.encode('utf-8', 'surrogatepass')):08x}"


def _checked(entries: Sequence[Entry], before: str) -> list[list[str]]:
    """The cells of each line with its check."""
    out: list[list[str]] = []
    for entry in entries:
        cells = [str(_cell(getattr(entry, name))) for name in COLUMNS[:-1]]
        before = check_of(before, cells)
        out.append([*cells, before])
    return out


def amount_of(kind: str, value: str, unit: str, mark: Mark | None = ".") -> float:
    """A value in the package's own unit, such as g or cm.  Raises Unreadable."""
    if kind not in MEASURED:
        return float("nan")
    _, column = LOGGED[kind]
    units = column.quantity.units
    if is_blank(value):
        raise Unreadable("It is blank.", "a value; that nobody looked is the kind not-looked")
    try:
        amount = READERS[column.kind](value, Reading(unit if units else "", mark=mark))
        assert isinstance(amount, int | float), "what the log measures is a number"
        return float(amount)
    except KeyError:
        raise Unreadable(f"Its unit, '{unit}', is not one of {kind}.", ", ".join(units)) from None


def read_log(folder: Path, findings: Findings) -> tuple[File | None, Log]:
    """The log and its file; empty, and None, where there is none.  Lines that cannot be read are
    errors in ``findings``."""
    path = folder / LOG
    if not path.exists():
        return None, Log()
    file = read_file(path, findings)
    sheet = None if file is None else read_csv(
        file.name, file.content, findings, lambda heading: {}
    )
    if file is None or sheet is None:
        return file, Log()
    whole = "check" in sheet.heading
    names = COLUMNS if whole else COLUMNS_BEFORE
    missing = [name for name in names if name not in sheet.heading]
    if missing:
        findings.error(file.name, sheet.heading_line, ", ".join(missing), "",
                       "The log has lost columns.", _AS_WRITTEN)
        return file, Log()
    columns = [sheet.cells[sheet.heading.index(name)].values.to_list() for name in names]
    entries = []
    before = ""
    for line, cells in zip(sheet.lines.tolist(), zip(*columns, strict=True), strict=True):
        texts = [plain_cell(c) if c[:1] == "'" else c for c in cells]
        if whole:
            check = texts.pop()
            if check_of(before, texts) != check:
                findings.error(LOG, line, "check", check, "The line, or the one before it, is not "
                               "as it was written: cut short, changed or moved.",
                               "the log from a backup")
            before = check
        else:
            texts.append(_act_of_old(texts))
        entry = _entry(texts, line, findings)
        if entry is not None:
            entries.append(entry)
    return file, Log(tuple(entries), file.content)


def _act_of_old(cells: Sequence[str]) -> str:
    """The act of a line of an earlier version, which did not write it.  Nothing that came in by a
    file was without a device or the name of one."""
    line = dict(zip(COLUMNS_BEFORE, cells, strict=True))
    if line["kind"] == "withdraw":
        return WITHDRAW
    return SETTLE if line["source"] == SETTLED and not line["device"] else RECORD


def _entry(cells: list[str], line: int, findings: Findings) -> Entry | None:
    """A line's cells, in the order of `COLUMNS`, as an entry; None where an error was noted."""
    number, batch, at, source, name, recorded, day, plant, kind, *rest = cells
    value, unit, note, device, act = rest
    try:
        _known(kind)
        _act(act)
        return Entry(
            int(number), int(batch), at, source, name, recorded, _day_of(kind, day), plant, kind,
            value, unit, note, device, _amount(kind, value, unit), line, act,
        )
    except ValueError:  # an Unreadable is one
        _judge(dict(zip(COLUMNS, cells, strict=False)), line, findings)
        return None


def _judge(cells: Mapping[str, str], line: int, findings: Findings) -> None:
    """An error for every cell of a line that is wrong.  cells : by the name of their column."""
    kind = cells["kind"]
    readers: dict[str, Callable[[str], object]] = {
        "entry": int, "batch": int, "kind": _known, "act": _act,
        "date": lambda text: _day_of(kind, text),
        "value": lambda text: _amount(kind, text, cells["unit"]),
    }
    for column, read in readers.items():
        try:
            read(cells[column])
        except Unreadable as error:
            findings.error(LOG, line, column, cells[column], error.problem, error.accepted)
        except ValueError:
            findings.error(LOG, line, column, cells[column], "It is not a number.", _AS_WRITTEN)


def _known(kind: str) -> None:
    if kind not in KINDS and not is_own(kind):
        raise Unreadable("There is no such kind.", ", ".join(KINDS))


def _act(act: str) -> None:
    if act not in ACTS:
        raise Unreadable("There is no such act.", ", ".join(ACTS))


def _day_of(kind: str, text: str) -> date | None:
    if not text and kind not in ("undo", "withdraw"):
        raise Unreadable("It is blank.", _AS_WRITTEN)
    return _day(text) if text else None


# A season has few days and few different values.
_day = lru_cache(maxsize=10_000)(read_date)
_amount = lru_cache(maxsize=10_000)(amount_of)


def standing(entries: Iterable[Entry], *, undos: bool = False) -> dict[str, Entry]:
    """The records that stand, by id, each as the line that brought it last.

    undos : with those that were undone by their source, and with the undos.
    """
    here: dict[str, Entry] = {}
    for entry in entries:
        if entry.kind == "withdraw":
            here.pop(entry.value, None)
        else:
            here.pop(entry.record_id, None)  # so that one brought in again counts as later
            here[entry.record_id] = entry
    if undos:
        return here
    # An undo may itself be taken back by withdrawing it, never by another undo.
    undone = {(e.source, e.value) for e in here.values() if e.kind == "undo"}
    return {
        name: e for name, e in here.items()
        if e.kind != "undo" and (e.source, name) not in undone
    }


def holding(entries: Iterable[Entry]) -> dict[Key, dict[str, Entry]]:
    """For each plant, day and trait what each source holds: its last record that stands."""
    held: dict[Key, dict[str, Entry]] = {}
    for entry in standing(entries).values():
        trait = entry.trait
        if trait is None or entry.date is None:
            continue
        sources = held.setdefault((entry.date, entry.plant, trait), {})
        if entry.act == SETTLE:
            sources.clear()
        sources[entry.holder] = entry
    return held


def differing(sources: Mapping[str, Entry]) -> list[Entry]:
    """The records of a plant, day and trait where sources hold different values; else none."""
    measured = [e for e in sources.values() if e.amount == e.amount or is_own(e.kind)]
    return [] if all(same_value(e, measured[0]) for e in measured) else measured


def same_amount(a: float, b: float) -> bool:
    """Equal but for rounding in the change of units; NaN (not looked at) equals NaN."""
    if a != a or b != b:
        return a != a and b != b
    return abs(a - b) <= 1e-6 * max(abs(a), abs(b))


class Valued(Protocol):
    """What has a value of some kind: a line of the log, or a record that comes in."""

    @property
    def kind(self) -> str: ...
    @property
    def value(self) -> str: ...
    @property
    def amount(self) -> float: ...


def same_value(a: Valued, b: Valued) -> bool:
    """Whether two records of one trait hold one value."""
    if is_own(a.kind) or is_own(b.kind):
        return folded(a.value) == folded(b.value)
    return same_amount(a.amount, b.amount)


def same_words(a: Entry, b: Entry) -> bool:
    """Whether two records of one trait say the same: of a loss, for the same reason."""
    seen = a.kind in MEASURED or (a.kind == b.kind and folded(a.note) == folded(b.note))
    return seen and same_value(a, b)


def append(folder: Path, log: Log, new: Sequence[Entry]) -> bytes:
    """Write the log with new lines at its end, in one step; returns what it holds then.

    The caller holds the folder's lock, ``log`` was read under it, and it can grow.  Raises
    OSError; then it is as it was.
    """
    rows = _checked((*log.entries, *new), "")
    content = b"" if log.is_older else log.content
    text = csv_text(COLUMNS, rows[len(log.entries) if content else 0:])
    if content:
        text = text.partition("\n")[2]
        content += b"" if content.endswith(b"\n") else b"\n"
    content += text.encode("utf-8")
    write_bytes(folder / LOG, content)
    return content


def _cell(value: object) -> object:
    return "" if value is None else value.isoformat() if isinstance(value, date) else value

# ------------------------------------------------------------------------------------------------
# Where sources differ: both values side by side, and who says which.
# ------------------------------------------------------------------------------------------------

CONFLICT_COLUMNS = ["date", "plant", "trait", "left", "left_source", "right", "right_source"]


@dataclass(frozen=True)
class Conflict:
    """Two values for one plant, day and trait, and which source says which."""

    date: date
    plant: str
    trait: str
    left: str
    left_source: str
    right: str
    right_source: str
    line: int

    @property
    def text(self) -> str:
        """Both values side by side, and what is done until it is settled."""
        until = (
            "taken as lost from the earlier day, for no known reason where reasons differ, until "
            "it is settled which holds"
            if self.trait == "lost"
            else "neither is used until it is settled which holds"
        )
        return (
            f"{self.left_source} says {self.left}, {self.right_source} says {self.right}: {until}"
        )


def conflict_table(conflicts: Iterable[Conflict]) -> pd.DataFrame:
    """The conflicts side by side: date, plant, trait, left, left_source, right, right_source."""
    rows = [[getattr(c, name) for name in CONFLICT_COLUMNS] for c in conflicts]
    return pd.DataFrame(rows, columns=CONFLICT_COLUMNS)


# ------------------------------------------------------------------------------------------------
# Plants lost, as the log and plants.csv say together.
#
# plants.csv stays as it is; what the log holds of losses is laid over it on reading.  A plant is
# lost once, so the days are not kept apart as those of picks are: two sources that give a plant
# different days or different reasons are a conflict.  Both say that the plant is gone, so until
# that is settled it is taken as lost from the earlier day, the reason left blank where they differ,
# and the conflict is listed.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Loss:
    """What one source says of a plant: the day it was lost, None for not lost, and why."""

    plant: str
    day: date | None
    reason: str
    source: str
    line: int

    @property
    def words(self) -> str:
        """In words."""
        if self.day is None:
            return "not lost"
        return f"lost {self.day}" + (f", {self.reason}" if self.reason else "")

    def agrees(self, other: Loss) -> bool:
        """The same day and no two different reasons."""
        reasons = {folded(r) for r in (self.reason, other.reason) if r}
        return self.day == other.day and len(reasons) < 2


def loss_rows(entries: Iterable[Entry]) -> Located:
    """Day and plant of every loss in the log that stands, to be checked as records are."""
    rows = [e for e in standing(entries).values() if e.kind in ("lost", "not-lost")]
    frame = pd.DataFrame({
        "date": pd.Series(np.array([e.date for e in rows], dtype="datetime64[ns]")),
        "plant": pd.Series([e.plant for e in rows], dtype="str"),
    })
    return Located(frame, np.array([e.line for e in rows], dtype=np.int64), LOG)


def losses_of(entries: Iterable[Entry]) -> dict[str, dict[str, Loss]]:
    """For each plant what each source of the log holds.

    Of several losses that one source gives a plant the earliest holds, and of those of one day
    the last.  What was settled stands in place of all that was said before it.
    """
    held: dict[str, dict[str, Loss]] = {}
    for e in standing(entries).values():
        if e.kind not in ("lost", "not-lost") or e.date is None:
            continue
        sources = held.setdefault(e.plant, {})
        day = e.date if e.kind == "lost" else None
        loss = Loss(e.plant, day, e.note or e.value, e.source, e.line)
        before = sources.get(e.holder)
        if e.act == SETTLE:
            sources.clear()
        elif before is not None and before.day is not None and (day is None or before.day < day):
            continue
        sources[e.holder] = loss
    return held


def with_losses(
    plants: Located, entries: Iterable[Entry]
) -> tuple[Located, list[Conflict]]:
    """The plants with the losses of the log, and where it differs with itself or plants.csv.

    Plants that are not listed are left out; `trialkit.records.check` has said so by then.
    """
    held = losses_of(entries)
    if not held:
        return plants, []
    at = {folded(str(name)): i for i, name in enumerate(plants.frame["plant"].to_list())}
    days = plants.frame["lost"].to_numpy(dtype="datetime64[ns]", copy=True)
    reasons = plants.frame["lost_reason"].astype(object).to_list()
    conflicts: list[Conflict] = []
    for plant, sources in held.items():
        i = at.get(folded(plant))
        if i is None:
            continue
        losses = list(sources.values())
        own = "" if pd.isna(reasons[i]) else str(reasons[i])
        if own or not np.isnat(days[i]):
            # A reason without a day contradicts a reason only.
            day = losses[0].day if np.isnat(days[i]) else pd.Timestamp(days[i]).date()
            file, line = plants.where(i)
            losses.insert(0, Loss(plant, day, own, f"{file} line {line}", 0))
        day, reason = _taken(losses)
        conflicts += _differing(losses)
        days[i] = np.datetime64("NaT") if day is None else np.datetime64(day)
        reasons[i] = reason or None
    kind = plants.frame["lost_reason"].dtype
    lost, why = pd.Series(days), pd.Series(reasons, dtype=kind)
    return plants.having(lost=lost, lost_reason=why), conflicts


def _taken(losses: list[Loss]) -> tuple[date | None, str]:
    """The day and reason that are used: the earliest day any source gives, a reason none denies."""
    lost = [loss for loss in losses if loss.day is not None]
    if not lost:
        return None, ""
    reasons = {folded(loss.reason): loss.reason for loss in reversed(lost) if loss.reason}
    return min(loss.day for loss in lost if loss.day), (
        next(iter(reasons.values())) if len(reasons) == 1 else ""
    )


def _differing(losses: list[Loss]) -> list[Conflict]:
    """The first two that do not agree, side by side; none where all do."""
    for first in losses:
        for other in losses:
            if not first.agrees(other):
                day = min(loss.day for loss in (first, other) if loss.day)
                return [Conflict(day, first.plant, "lost", first.words, first.source, other.words,
                                 other.source, max(first.line, other.line))]
    return []


# ------------------------------------------------------------------------------------------------
# The log and the grower's own tables read as one.
#
# What the log holds is laid beside picks.csv and heights.csv, which stay as they are.  A plant, day
# and trait that only one of them has is taken from it.  Where both have it and agree it is one
# record.  Where they differ, or two sources of the log do, neither value is used: the cell is
# blank, as if nobody had looked, and the conflict is listed with what each says.
# ------------------------------------------------------------------------------------------------

FIELDS = {name: (table.name, column.field) for name, (table, column) in LOGGED.items()}


@dataclass
class _Row:
    """What the log has of a plant on a day, for one table."""

    values: dict[str, float]
    line: int


def log_tables(log: Log) -> tuple[dict[str, Located], list[Conflict]]:
    """Picks, heights and events as the log has them, and where its sources differ."""
    rows: dict[str, dict[tuple[date, str], _Row]] = {table: {} for table, _ in FIELDS.values()}
    conflicts: list[Conflict] = []
    own: list[Entry] = []
    for (day, plant, trait), sources in holding(log.entries).items():
        if trait not in FIELDS and not is_own(trait):
            continue
        against = differing(sources)
        if against:
            left, right = against[0], next(e for e in against if not same_value(e, against[0]))
            conflicts.append(Conflict(day, plant, called(trait), left.words, left.source,
                                      right.words, right.source, right.line))
        if is_own(trait):
            own += [] if against else [list(sources.values())[-1]]
            continue
        table, field = FIELDS[trait]
        row = rows[table].setdefault((day, plant), _Row({}, 0))
        last = list(sources.values())[-1]
        row.line = max(row.line, last.line)
        if against:
            row.values[field] = np.nan
            continue
        measured = [e.amount for e in sources.values() if e.amount == e.amount]
        row.values[field] = measured[0] if measured else np.nan
    out = {
        table: _located(
            table, here, [field for of, field in FIELDS.values() if of == table]
        )
        for table, here in rows.items()
    }
    return {**out, "traits": _own_traits(own), "events": _events(log)}, conflicts


def _located(
    table: str, rows: Mapping[tuple[date, str], _Row], columns: list[str]
) -> Located:
    days = np.array([day for day, _ in rows], dtype="datetime64[ns]")
    data: dict[str, pd.Series] = {
        "date": pd.Series(days), "plant": pd.Series([plant for _, plant in rows], dtype="str"),
        "plot": pd.Series([None] * len(rows), dtype="str"),
    }
    for column in columns:
        values = [row.values.get(column, np.nan) for row in rows.values()]
        data[column] = pd.Series(values, dtype=np.float64)
    lines = np.array([row.line for row in rows.values()], dtype=np.int64)
    return Located(pd.DataFrame(data), lines, LOG, table=table)


def _own_traits(entries: list[Entry]) -> Located:
    """Traits of one's own as traits.csv has them."""
    frame = pd.DataFrame({
        "date": pd.Series(np.array([e.date for e in entries], dtype="datetime64[ns]")),
        "plant": pd.Series([e.plant or None for e in entries], dtype="str"),
        "plot": pd.Series([None] * len(entries), dtype="str"),
        "trait": pd.Series([called(e.kind) for e in entries], dtype="str"),
        "value": pd.Series([e.value for e in entries], dtype="str"),
    })
    lines = np.array([e.line for e in entries], dtype=np.int64)
    return Located(frame, lines, LOG, table="traits")


def _events(log: Log) -> Located:
    """Notes, and plants topped: one event a plant and day, however many sources saw it done."""
    here: dict[object, Entry] = {}
    for e in standing(log.entries).values():
        if e.kind in ("note", "topped") and e.date is not None:
            here.setdefault(("topped", e.plant, e.date) if e.kind == "topped" else e.entry, e)
    events = list(here.values())
    frame = pd.DataFrame({
        "date": pd.Series(np.array([e.date for e in events], dtype="datetime64[ns]")),
        "plant": pd.Series([e.plant or None for e in events], dtype="str"),
        "plot": pd.Series([None] * len(events), dtype="str"),
        "event": pd.Series([e.kind for e in events], dtype="str"),
        "note": pd.Series([(e.note or e.value) or None for e in events], dtype="str"),
    })
    lines = np.array([e.line for e in events], dtype=np.int64)
    return Located(frame, lines, LOG, table="events")


def merged(
    own: Mapping[str, Located], logged: Mapping[str, Located]
) -> tuple[dict[str, Located], list[Conflict]]:
    """The grower's tables with what the log adds, and where the two differ."""
    out = dict(own)
    conflicts: list[Conflict] = []
    for name, rows in logged.items():
        if not len(rows.frame):
            continue
        if name == "events":
            out[name] = joined(own[name], _not_told(own[name], rows))
            continue
        out[name] = _beside(name, own[name], rows, conflicts)
        if name == "heights":  # rows with a measurement alone
            fields = [field for table, field in FIELDS.values() if table == name]
            out[name] = out[name].keep(out[name].frame[fields].notna().any(axis=1).to_numpy())
    return out, conflicts


def _not_told(own: Located, logged: Located) -> Located:
    """The log's events without plants topped that the grower's own table has topped that day."""
    columns = ["date", "plant", "event"]
    topped = (logged.frame["event"] == "topped").to_numpy()
    in_own_table = pd.MultiIndex.from_frame(logged.frame[columns]).isin(
        pd.MultiIndex.from_frame(own.frame[columns])
    )
    return logged.keep(~(topped & in_own_table))


def joined(own: Located, more: Located) -> Located:
    """The rows of both, each with its file."""
    if not len(own.frame):
        return replace(more, frame=more.frame[own.frame.columns], codes={}, table=own.table)
    frame = pd.concat([own.frame, more.frame[own.frame.columns]], ignore_index=True)
    files = np.concatenate([
        np.full(len(rows.frame), rows.file, dtype=object) if rows.files is None else rows.files
        for rows in (own, more)
    ])
    lines = np.concatenate([own.lines, more.lines])
    return Located(frame, lines, own.file, files, table=own.table)


def _beside(name: str, own: Located, logged: Located, conflicts: list[Conflict]) -> Located:
    """The grower's rows, filled in and contradicted by the log's, then the log's other rows."""
    traits = {field: trait for trait, (table, field) in FIELDS.items() if table == name}
    keys = pd.MultiIndex.from_frame(own.frame[["date", "plant"]])
    wanted = pd.MultiIndex.from_frame(logged.frame[["date", "plant"]])
    at = np.flatnonzero(keys.isin(wanted))
    if not len(at):
        return joined(own, logged)
    places: dict[tuple[object, ...], list[int]] = {}
    for i in at.tolist():
        places.setdefault(keys[i], []).append(i)
    columns = {field: own.frame[field].to_numpy(copy=True) for field in traits}
    fresh = np.ones(len(logged.frame), dtype=bool)
    for j, key in enumerate(wanted):
        rows = places.get(key)
        if rows is None:
            continue
        fresh[j] = False
        for field, trait in traits.items():
            value = float(logged.frame[field].iloc[j])
            there = [i for i in rows if not np.isnan(columns[field][i])]
            if np.isnan(value) or any(same_amount(columns[field][i], value) for i in there):
                continue
            if not there:
                columns[field][rows[0]] = value
                continue
            first = there[0]
            unit = f" {LOGGED[trait][1].quantity.unit}".rstrip()
            conflicts.append(Conflict(
                key[0].date(), str(key[1]), trait, value_text(float(columns[field][first])) + unit,
                f"{own.where(first)[0]} line {own.where(first)[1]}", value_text(value) + unit,
                f"{LOG} line {logged.where(j)[1]}", logged.where(j)[1],
            ))
            columns[field][there] = np.nan
    changed = own.having(**{field: pd.Series(values) for field, values in columns.items()})
    return joined(changed, logged.keep(fresh)) if fresh.any() else changed
