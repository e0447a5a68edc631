"""A trial folder read whole: description, tables, errors and doubts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.reading.problems import Problem, problem_table
from trialkit.reading.spelling import folded
from trialkit.records.check import check_plants, check_plots, check_records, doubt_tables
from trialkit.records.files import (
    DESCRIPTION,
    LOG,
    WORKBOOK,
    File,
    fingerprint,
    read_file,
    table_paths,
)
from trialkit.records.findings import Findings, Located, RecordsError, in_used_rows
from trialkit.records.log import (
    FIELDS,
    SEEN,
    Conflict,
    Log,
    joined,
    log_tables,
    loss_rows,
    merged,
    read_log,
    with_losses,
)
from trialkit.records.owntraits import check_traits, with_logged
from trialkit.records.plots import (
    PlotNames,
    blocks_apart,
    judge_baskets,
    one_line_a_plot,
    tell_plots_apart,
)
from trialkit.records.schema import HEIGHTS, NOTE, OWN, PLANTS, TABLES, Table, plants_of
from trialkit.records.tables import empty_table, sheet_of, table_of
from trialkit.records.workbook import read_workbook
from trialkit.trial import SOME_DAY, Trial, TrialProblems, draft_trial


@dataclass(frozen=True)
class Records:
    """A trial's records, checked.  Lengths in cm, weights in g, temperatures in degrees Celsius.

    plants: plant, plants (of a line that stood for several how many), variety, replicate (blank
    unless blocks lie within), block (of one replicate), plot, row, column, treatment, lost,
    lost_reason; and each of `Trial.covariates`
    picks: date, plant, plot, count (NaN: not looked at; 0: looked, nothing there), weight_g
    heights: date, plant, plot, height_cm;  weather: date, low_c, high_c, rain_mm
    events: date, plant, plot, event, note;  harvest: date, plant, plot, weight_g, count, grade
    traits: date, plant, plot, trait, value (as written; see `records.owntraits`)
    Of a basket, a record of a whole plot, plot is its label and plant the name "plot 1A"; of any
    other record of a plant, plot is blank.
    doubts: file, line, column, value, doubt, table, row (its place in that table, NA for none)
    files: (name, rows) of each file read
    fingerprint: sixteen hex figures that stand for the files read
    until: the day after which records were left out; None for all
    queried: for each table with odd records, their positions among its rows

    Dates are datetime64[ns], numbers float64, the rest text; what is blank is NaT, NaN or NA.
    Events are in lower case.  Heights and weather are only the rows with a measurement.
    """

    folder: Path
    trial: Trial
    plants: pd.DataFrame
    picks: pd.DataFrame
    heights: pd.DataFrame
    weather: pd.DataFrame
    events: pd.DataFrame
    harvest: pd.DataFrame
    doubts: pd.DataFrame
    fingerprint: str
    files: tuple[tuple[str, int], ...]
    until: date | None = None
    queried: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    traits: pd.DataFrame = field(default_factory=lambda: empty_table(OWN).frame)


def read_records(folder: str | Path, until: date | None = None) -> Records:
    """Read and check a trial folder.

    until : leave out what was recorded after this day, to see the trial as it stood then.

    Raises RecordsError with every problem in the description and in the tables at once, and
    TrialProblems where the description alone has problems.
    """
    findings = Findings()
    ground = read_ground(folder, findings)
    trial = ground.trial
    day = _until(until, trial, findings)
    tables, conflicts = read_tables(ground, findings)
    if ground.wrong and not findings.errors:
        raise TrialProblems(problem_table(ground.wrong))
    if findings.errors:
        findings.errors[:0] = ground.wrong
        raise RecordsError(findings.problems)
    tables = {
        name: replace(_as_of(name, rows, day), table=name, used=True)
        for name, rows in tables.items()
    }
    findings.odd = in_used_rows(findings.odd, tables)
    for conflict in conflicts:
        if day is None or conflict.date <= day:
            findings.doubt(LOG, conflict.line, conflict.trait, conflict.plant, conflict.text,
                           *_place(conflict, tables))
    doubt_tables(trial, tables, findings, date.today())
    frames = {table.name: tables[table.name].frame for table in TABLES}
    return Records(
        folder=ground.folder, trial=trial, **frames, doubts=findings.doubts,
        fingerprint=fingerprint(file for file, _ in ground.read),
        files=tuple((file.name, rows) for file, rows in ground.read[1:]), until=day,
        queried={name: tuple(sorted(at)) for name, at in findings.queried.items()},
    )


@dataclass(frozen=True)
class Ground:
    """What every other record is checked against: the description, the plants, the log.

    wrong : problems of the description, where ``trial`` is as much of it as could be read.
    plots : how labels of plots are read.
    paths : the files of the tables.  read : files read so far, with their rows.
    """

    folder: Path
    trial: Trial
    wrong: list[Problem]
    plants: Located
    plots: PlotNames
    log: Log
    paths: dict[str, Path]
    read: list[tuple[File, int]]


def read_ground(folder: str | Path, findings: Findings) -> Ground:
    """Read description, plants and log.  Raises RecordsError where there is no description."""
    folder = Path(folder)
    paths = _look(folder, findings)
    description = read_file(folder / DESCRIPTION, findings)
    if description is None:
        raise RecordsError(findings.problems)
    text = description.content.decode("utf-8", errors="replace")
    trial, wrong = draft_trial(text, DESCRIPTION)
    read: list[tuple[File, int]] = [(description, len(text.splitlines()))]
    plants = one_line_a_plot(_table(plants_of(trial), paths, trial, findings, read), findings)
    plants = blocks_apart(check_plants(trial, plants, findings), findings)
    plants, plots = tell_plots_apart(plants, findings)
    log_file, log = read_log(folder, findings)
    if log_file is not None:
        read.append((log_file, len(log.entries)))
    return Ground(folder, trial, wrong, plants, plots, log, paths, read)


def read_tables(
    ground: Ground, findings: Findings
) -> tuple[dict[str, Located], list[Conflict]]:
    """All tables, the log's records among them, and where sources differ."""
    own = {
        table.name: _table(table, ground.paths, ground.trial, findings, ground.read)
        for table in TABLES if table is not PLANTS
    }
    logged, conflicts = log_tables(ground.log)
    own, logged = (
        {name: check_records(ground.trial, ground.plants, name, rows, findings, ground.plots)
         for name, rows in tables.items()}
        for tables in (own, logged)
    )
    own = _notes_apart(own)
    plants = ground.plants
    own["traits"] = check_traits(ground.trial, own["traits"], findings)
    own["traits"], differ = with_logged(
        ground.trial, own["traits"], logged.pop("traits"), findings)
    own["events"] = check_plots(plants, ground.plots, own["events"], findings)
    tables, more = merged(own, logged)
    tables |= {table.name: judge_baskets(plants, table, tables[table.name], findings)
               for table in TABLES if table.crop}
    check_records(
        ground.trial, ground.plants, "picks", loss_rows(ground.log.entries), findings
    )
    plants, lost = with_losses(plants, ground.log.entries)
    return {"plants": plants, **tables}, conflicts + differ + more + lost


def _place(conflict: Conflict, tables: Mapping[str, Located]) -> tuple[str, int | None]:
    """The table and the row that two sources differ about."""
    name = FIELDS[conflict.trait][0] if conflict.trait in FIELDS else (
        "plants" if conflict.trait in SEEN else "traits")
    frame = tables[name].frame
    there = frame["plant"] == conflict.plant
    if name != "plants":
        there &= frame["date"] == np.datetime64(conflict.date, "ns")
    at = np.flatnonzero(there.to_numpy(dtype=bool, na_value=False))
    return name, int(at[0]) if len(at) else None


def _look(folder: Path, findings: Findings) -> dict[str, Path]:
    try:
        return table_paths(folder, findings)
    except OSError as error:
        findings.error(str(folder), None, "", "", f"It cannot be read ({error.strerror}).",
                       "a folder with a trial.toml and tables")
        raise RecordsError(findings.problems) from None


def _until(until: date | None, trial: Trial, findings: Findings) -> date | None:
    if until is None:
        return None
    day = until.date() if isinstance(until, datetime) else until
    if not isinstance(day, date):
        raise TypeError(f"until is a date or None, not {type(until).__name__}")
    if day < trial.planted and trial.planted != SOME_DAY:
        findings.error("the day asked for", None, "until", day,
                       f"It is before planting ({trial.planted}).",
                       f"a day from {trial.planted} on")
    return day


def _table(
    table: Table, paths: dict[str, Path], trial: Trial, findings: Findings,
    read: list[tuple[File, int]],
) -> Located:
    """One table from its own file or its sheet of trial.xlsx; empty where it has neither."""
    path = paths.get(table.name) or paths.get(WORKBOOK)
    file = None if path is None else read_file(path, findings)
    sheet = None
    if file is not None and path is not None:
        sheet = (
            sheet_of(file, table, trial, findings) if table.name in paths
            else read_workbook(file.name, file.content, table.name, findings, only_named=True)
        )
    if sheet is not None and file is not None:
        read.append((file, len(sheet)))
        if table.name == "plants" and not len(sheet):
            findings.error(sheet.file, None, "", "", "It lists no plant.", "a line for every plant",
                           table.name)
        return _tidy(table.name, table_of(sheet, table, trial, findings))
    if table.name == "plants" and (path is None or table.name not in paths):
        findings.error("plants.csv", None, "", "", "There is no such file.",
                       f"a file with a line for every plant, its first line {table.heading}",
                       table.name)
    return empty_table(table)


def _tidy(name: str, rows: Located) -> Located:
    """Rows that say nothing left out, events in lower case, plots told apart between blocks."""
    frame = rows.frame
    if name == "heights":
        fields = [c.field for c in (*HEIGHTS.measured, NOTE) if c.field in frame]
        return rows.keep(frame[fields].notna().any(axis=1).to_numpy())
    if name == "weather":
        return rows.keep(frame[["low_c", "high_c", "rain_mm"]].notna().any(axis=1).to_numpy())
    if name == "events":
        event = frame["event"].map(folded, na_action="ignore")
        return rows.having(event=event)
    return rows


def _notes_apart(tables: Mapping[str, Located]) -> dict[str, Located]:
    """The tables without their column of notes, each note an event of its day and plant."""
    out = dict(tables)
    for table in TABLES:
        rows = tables.get(table.name)
        if rows is None or NOTE.field not in rows.frame or not table.noted:
            continue
        noted = rows.keep(rows.frame[NOTE.field].notna().to_numpy())
        if len(noted.frame):
            frame = noted.frame.assign(event=NOTE.field, plot=None)
            frame = frame.astype({"event": "str", "plot": "str"})
            out["events"] = joined(out["events"], replace(noted, frame=frame, codes={}))
        out[table.name] = replace(rows, frame=rows.frame.drop(columns=NOTE.field))
        if table is HEIGHTS:  # lines that held a note alone
            height = out[table.name].frame["height_cm"]
            out[table.name] = out[table.name].keep(height.notna().to_numpy())
    return out


def _as_of(name: str, rows: Located, until: date | None) -> Located:
    """The rows up to a day; a plant lost later is not lost yet."""
    if until is None:
        return rows
    last = np.datetime64(until, "ns")
    if name == "plants":
        later = rows.frame["lost"] > last
        return rows.having(
            lost=rows.frame["lost"].mask(later), lost_reason=rows.frame["lost_reason"].mask(later)
        )
    return rows.keep(~(rows.frame["date"] > last).to_numpy())
