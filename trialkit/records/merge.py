"""The log and the grower's own tables read as one.

What the log holds is laid beside picks.csv and heights.csv, which stay as they are.  A plant, day
and trait that only one of them has is taken from it.  Where both have it and agree it is one
record.  Where they differ, or two sources of the log do, neither value is used: the cell is blank,
as if nobody had looked, and the conflict is listed with what each says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from trialkit.records.conflicts import Conflict
from trialkit.records.findings import Located, said
from trialkit.records.folder import LOG
from trialkit.records.log import Entry, Log, differing, holding, same_amount, standing
from trialkit.records.schema import LOGGED

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
    for (day, plant, trait), sources in holding(log.entries).items():
        if trait not in FIELDS:
            continue
        table, field = FIELDS[trait]
        row = rows[table].setdefault((day, plant), _Row({}, 0))
        last = list(sources.values())[-1]
        row.line = max(row.line, last.line)
        against = differing(sources)
        if against:
            one, other = against[0], next(
                e for e in against if not same_amount(e.amount, against[0].amount)
            )
            conflicts.append(Conflict(day, plant, trait, one.said, one.source, other.said,
                                      other.source, other.line))
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
    return {**out, "events": _events(log)}, conflicts


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
    told = pd.MultiIndex.from_frame(logged.frame[columns]).isin(
        pd.MultiIndex.from_frame(own.frame[columns])
    )
    return logged.keep(~(topped & told))


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
    places: dict[Any, list[int]] = {}
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
