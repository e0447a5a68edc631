"""The log of a trial: every record brought in with `trialkit add`, in a file that only grows.

`log.csv` stands beside the grower's own picks.csv and heights.csv, which are never written to.
Records of both are read together (see `trialkit.records.merge`).  A line once written stays: a
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
happen once a plant, see `trialkit.records.merge`.
"""

from __future__ import annotations

from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Protocol, SupportsFloat
from zlib import crc32

from trialkit.reading.dates import read_date
from trialkit.reading.numbers import Mark, is_blank
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded
from trialkit.records.csvfile import read_csv
from trialkit.records.findings import Findings
from trialkit.records.folder import LOG, File, read_file
from trialkit.records.schema import LOGGED, OWN_KIND
from trialkit.records.tables import READERS, Reading
from trialkit.records.write import csv_text, plain_cell, write_bytes

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
    def said(self) -> str:
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
        return max((e.entry for e in self.entries), default=0) + 1

    @property
    def next_batch(self) -> int:
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
        assert isinstance(amount, SupportsFloat), "what the log measures is a number"
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
        _judge(number, batch, day, kind, value, unit, act, line, findings)
        return None


def _judge(
    number: str, batch: str, day: str, kind: str, value: str, unit: str, act: str,
    line: int, findings: Findings,
) -> None:
    """An error for every cell of a line that is wrong."""

    def judged(column: str, cell: str, read: Callable[[], object]) -> None:
        try:
            read()
        except Unreadable as error:
            findings.error(LOG, line, column, cell, error.problem, error.accepted)
        except ValueError:
            findings.error(LOG, line, column, cell, "It is not a number.", _AS_WRITTEN)

    judged("entry", number, lambda: int(number))
    judged("batch", batch, lambda: int(batch))
    judged("kind", kind, lambda: _known(kind))
    judged("act", act, lambda: _act(act))
    judged("date", day, lambda: _day_of(kind, day))
    judged("value", value, lambda: _amount(kind, value, unit))


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


def same_said(a: Entry, b: Entry) -> bool:
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
