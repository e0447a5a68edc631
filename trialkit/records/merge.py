"""The log and the grower's own tables read as one.

What the log holds is laid beside picks.csv and heights.csv, which stay as they are.  A plant, day
and trait that only one of them has is taken from it.  Where both have it and agree it is one
record.  Where they differ, or two sources of the log do, neither value is used: the cell is blank,
as if nobody had looked, and the conflict is listed with what each says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from trialkit.reading.spelling import folded
from trialkit.records.findings import Located, said
from trialkit.records.folder import LOG
from trialkit.records.log import (
    SETTLE,
    Entry,
    Log,
    called,
    differing,
    holding,
    is_own,
    same_amount,
    same_value,
    standing,
)
from trialkit.records.schema import LOGGED

# ------------------------------------------------------------------------------------------------
# Where sources differ: both values side by side, and who says which.
# ------------------------------------------------------------------------------------------------

CONFLICT_COLUMNS = ["date", "plant", "trait", "one", "one_source", "other", "other_source"]


@dataclass(frozen=True)
class Conflict:
    """Two values for one plant, day and trait, and which source says which."""

    date: date
    plant: str
    trait: str
    one: str
    one_source: str
    other: str
    other_source: str
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
            f"{self.one_source} says {self.one}, {self.other_source} says {self.other}: {until}"
        )


def conflict_table(conflicts: Iterable[Conflict]) -> pd.DataFrame:
    """The conflicts side by side: date, plant, trait, one, one_source, other, other_source."""
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
    def said(self) -> str:
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
        said = list(sources.values())
        own = "" if pd.isna(reasons[i]) else str(reasons[i])
        if own or not np.isnat(days[i]):
            # A reason without a day contradicts a reason only.
            day = said[0].day if np.isnat(days[i]) else pd.Timestamp(days[i]).date()
            file, line = plants.where(i)
            said.insert(0, Loss(plant, day, own, f"{file} line {line}", 0))
        day, reason = _taken(said)
        conflicts += _differing(said)
        days[i] = np.datetime64("NaT") if day is None else np.datetime64(day)
        reasons[i] = reason or None
    kind = plants.frame["lost_reason"].dtype
    lost, why = pd.Series(days), pd.Series(reasons, dtype=kind)
    return plants.having(lost=lost, lost_reason=why), conflicts


def _taken(said: list[Loss]) -> tuple[date | None, str]:
    """The day and reason that are used: the earliest day any source gives, a reason none denies."""
    lost = [loss for loss in said if loss.day is not None]
    if not lost:
        return None, ""
    reasons = {folded(loss.reason): loss.reason for loss in reversed(lost) if loss.reason}
    return min(loss.day for loss in lost if loss.day), (
        next(iter(reasons.values())) if len(reasons) == 1 else ""
    )


def _differing(said: list[Loss]) -> list[Conflict]:
    """The first two that do not agree, side by side; none where all do."""
    for first in said:
        for other in said:
            if not first.agrees(other):
                day = min(loss.day for loss in (first, other) if loss.day)
                return [Conflict(day, first.plant, "lost", first.said, first.source, other.said,
                                 other.source, max(first.line, other.line))]
    return []


# ------------------------------------------------------------------------------------------------
# The log and the grower's own tables read as one.
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
            conflicts.append(Conflict(day, plant, called(trait), left.said, left.source, right.said,
                                      right.source, right.line))
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
                key[0].date(), str(key[1]), trait, said(float(columns[field][first])) + unit,
                f"{own.where(first)[0]} line {own.where(first)[1]}", said(value) + unit,
                f"{LOG} line {logged.where(j)[1]}", logged.where(j)[1],
            ))
            columns[field][there] = np.nan
    changed = own.having(**{field: pd.Series(values) for field, values in columns.items()})
    return joined(changed, logged.keep(fresh)) if fresh.any() else changed
