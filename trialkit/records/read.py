"""A trial folder read whole: description, tables, errors and doubts."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import pandas as pd

from trialkit.records.check import check_all
from trialkit.records.headings import match_headings
from trialkit.records.problems import Findings, RecordsError
from trialkit.records.schema import TABLES, Table
from trialkit.records.tables import RawTable, read_table
from trialkit.records.values import Reading, _empty, _series, read_column
from trialkit.trial import Trial, parse_trial

STORED_NAMES = {
    ("picks", "weight"): "weight_g", ("harvest", "weight"): "weight_g",
    ("heights", "height"): "height_cm", ("weather", "low"): "low_c", ("weather", "high"): "high_c",
}


@dataclass(frozen=True)
class Records:
    """A trial's records, checked.  Lengths in cm, weights in g, temperatures in degrees Celsius.

    plants: plant, variety, block, plot, row, column, treatment, lost, lost_reason
    picks: date, plant, count (NaN: not looked at; 0: looked, nothing there), weight_g
    heights: date, plant, height_cm;  weather: date, low_c, high_c
    events: date, plant, plot, event, note;  harvest: date, plant, weight_g, count, grade
    doubts: file, line, column, value, doubt;  files: (name, rows) of each file read
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


def read_records(folder: str | Path, until: date | None = None) -> Records:
    """Read and check a trial folder.

    until: leave out what was recorded after this day (to see the trial as it stood then).

    Raises RecordsError with every problem in every table, TrialProblems for a trial.toml that
    cannot be read, FileNotFoundError where there is none.
    """
    folder = Path(folder)
    description = folder / "trial.toml"
    content = description.read_bytes()
    digest = hashlib.sha256(b"trial.toml" + content)
    trial = parse_trial(content.decode("utf-8-sig", errors="replace"), description.name)
    findings = Findings()
    if until is not None and until < trial.planted:
        findings.error("trial.toml", None, "until", until, f"It is before planting ({trial.planted}).",
                       "a day from planting on")
    frames: dict[str, pd.DataFrame] = {}
    lines: dict[str, pd.Series] = {}
    files: list[tuple[str, int]] = []
    for table in TABLES:
        path = find_file(folder, table, findings)
        raw = read_table(path, findings) if path else None
        if path is not None:
            digest.update(path.name.encode() + _content(path))
            files.append((path.name, 0 if raw is None else len(raw.frame)))
        frame, at = _read_frame(table, raw, trial, findings)
        frames[table.name], lines[table.name] = frame, at
    names = {t.name: n for t in TABLES for n, _ in files if Path(n).stem.lower() == t.name}
    check_all(trial, frames, lines, names, findings)
    if findings.errors:
        raise RecordsError(findings.problems)
    if until is not None:
        frames = {name: _until(frame, until) for name, frame in frames.items()}
        frames["plants"] = _not_yet_lost(frames["plants"], until)
    return Records(
        folder, trial, **frames, doubts=findings.doubts, fingerprint=digest.hexdigest()[:16],
        files=tuple(files), until=until,
    )


def find_file(folder: Path, table: Table, findings: Findings) -> Path | None:
    """The table's file, CSV or XLSX; an error where there are two or a needed one is missing."""
    found = sorted(
        p for p in folder.iterdir()
        if p.stem.lower() == table.name and p.suffix.lower() in {".csv", ".xlsx"}
    )
    if len(found) > 1:
        findings.error(found[1].name, None, "", "", f"{found[0].name} holds the same table.",
                       "one file for each table")
    if not found and table.required:
        findings.error(f"{table.name}.csv", None, "", "", "The file is missing.",
                       "a line for every plant: plant, variety, block, plot, row, column")
    return found[0] if found else None


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _read_frame(
    table: Table, raw: RawTable | None, trial: Trial, findings: Findings
) -> tuple[pd.DataFrame, pd.Series]:
    found = {} if raw is None else match_headings(table, raw, trial.counted, findings)
    data: dict[str, pd.Series] = {}
    # a day's grace: the garden may be in a later time zone than this machine
    latest = date.today() + timedelta(days=1)
    for column in table.columns:
        name = STORED_NAMES.get((table.name, column.name), column.name)
        if raw is None or column.name not in found:
            size = 0 if raw is None else len(raw.frame)
            data[name] = _series([_empty(column.kind)] * size, column.kind)
            continue
        heading, unit = found[column.name]
        kind = column.kind
        if table.name == "harvest" and kind == "weight" and trial.harvest_unit and unit is None:
            kind = "number"  # the published unit, as given
        own = {"length": trial.height_unit, "weight": trial.weight_unit, "temperature": "c"}
        how = Reading(unit or own.get(kind, ""), trial.day_order, trial.planted, latest)
        data[name] = read_column(raw, heading, kind, how, findings, blank=column.blank)
    frame = pd.DataFrame(data)
    at = pd.Series([] if raw is None else raw.lines, dtype="int64")
    return frame, at


def _until(frame: pd.DataFrame, until: date) -> pd.DataFrame:
    if "date" not in frame:
        return frame
    keep = frame["date"].isna() | (frame["date"] <= pd.Timestamp(until))
    return frame[keep].reset_index(drop=True)


def _not_yet_lost(plants: pd.DataFrame, until: date) -> pd.DataFrame:
    later = plants["lost"] > pd.Timestamp(until)
    return plants.assign(
        lost=plants["lost"].mask(later), lost_reason=plants["lost_reason"].mask(later)
    )
