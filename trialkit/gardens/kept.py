"""Trials read back from gathered records (see `gathered`), one at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, is_dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from trialkit.gardens.first import Failed, Kept
from trialkit.gardens.gathered import DOUBTS, FORMAT, TRIALS, GatheredProblem, is_gathered
from trialkit.records import Records
from trialkit.records.schema import TABLES
from trialkit.records.tables import empty_table
from trialkit.trial import Trial

OTHER_VERSION = "These records were gathered by another version of trialkit; gather them again."
SPOILT = "{} cannot be read ({}). Gather the trials again: their folders are as they were."


@dataclass(frozen=True)
class GatheredTrial(Kept):
    """One trial of gathered records; its records are read when asked for.

    file : the folder of the Parquet files.  trial : its name among them.  gathering : stands for
    the run that wrote the files, so that another's are not taken for them.
    """

    file: Path
    trial: str
    group: int
    gathering: str
    about: Mapping[str, Any] = field(repr=False, compare=False)

    def read(self, until: date | None = None) -> Records | Failed:
        """The records, equal to those of the trial's folder, or why there are none.

        Raises GatheredProblem where they were not gathered as of `until`.
        """
        about = self.about
        if about["failed"] is not None:
            return Failed(self.folder, about["failed"])
        self.stands_for(until)
        try:
            frames = _group(self.file, self.group, self.gathering)
            trial = _trial(about["description"])
        except GatheredProblem as problem:
            return Failed(self.folder, str(problem))
        own = {name: _own(parts, self.trial, name) for name, parts in frames.items()}
        return Records(
            folder=Path(self.folder), trial=trial, **own,
            fingerprint=about["fingerprint"], until=about["until"],
            queried={name: tuple(at) for name, at in json.loads(about["queried"]).items()},
            files=tuple((name, rows) for name, rows in json.loads(about["files"])),
        )

    def stands_for(self, until: date | None) -> None:
        """Raises GatheredProblem where the records were not gathered as of `until`."""
        then = self.about["until"]
        if until is not None and until != then and self.about["failed"] is None:
            raise GatheredProblem(
                f"The records in {self.file.name} were gathered "
                + (f"as of {then}" if then else "whole")
                + f", not as of {until}. Gather them again with --until {until}."
            )


def read_gathered(path: Path, trial: str | None = None) -> list[GatheredTrial]:
    """The trials of gathered records, in their order, or the one so named.

    Raises GatheredProblem where the folder is not gathered records, or they are spoilt, or there
    is no such trial.
    """
    path = Path(path).absolute()
    if not is_gathered(path):
        raise GatheredProblem(f"{path} does not hold gathered records: it has no trials.parquet.")
    source = _opened(path / f"{TRIALS}.parquet")
    gathering = _mark(source)
    found = [
        GatheredTrial(about["folder"], path, about["trial"], about["group"], gathering, about)
        for about in source.read().to_pylist() if trial in (None, about["trial"])
    ]
    if not found:
        raise GatheredProblem(f"There is no trial {trial!r} in {path}.")
    return found


def trials_of(paths: Sequence[Path], until: date | None = None) -> list[Path | GatheredTrial]:
    """Trial folders as they are, and each folder of gathered records as its trials.

    Raises GatheredProblem where gathered records are spoilt, or not as of `until`.
    """
    out: list[Path | GatheredTrial] = []
    for path in map(Path, paths):
        if not is_gathered(path):
            out.append(path)
            continue
        gathered = read_gathered(path)
        for trial in gathered:
            trial.stands_for(until)
        out += gathered
    return out


def _opened(path: Path) -> pq.ParquetFile:
    try:
        return pq.ParquetFile(path)
    except (OSError, pa.ArrowException) as error:
        raise GatheredProblem(SPOILT.format(path, error)) from None


def _mark(source: pq.ParquetFile) -> str:
    """Which run wrote a file.  Raises GatheredProblem for a file of another kind."""
    said = source.schema_arrow.metadata or {}
    if said.get(b"trialkit_gathered") != FORMAT.encode():
        raise GatheredProblem(OTHER_VERSION)
    return str(said[b"gathering"], "ascii")


# A worker takes trials in their order, fifty to a group: the last group is the one it needs next.
@lru_cache(maxsize=2)
def _group(path: Path, group: int, gathering: str) -> dict[str, dict[str, pd.DataFrame]]:
    """For each table the rows of a group's trials, by trial."""
    out = {}
    for name in (*(table.name for table in TABLES), DOUBTS):
        with _opened(path / f"{name}.parquet") as source:
            if _mark(source) != gathering:
                raise GatheredProblem(f"{path} was written anew meanwhile; repeat the command.")
            try:
                frame = source.read_row_group(group).to_pandas(date_as_object=False)
            except (OSError, pa.ArrowException) as error:
                raise GatheredProblem(SPOILT.format(path / f"{name}.parquet", error)) from None
        trials = frame.pop("trial")
        out[name] = {str(trial): rows.reset_index(drop=True)
                     for trial, rows in frame.groupby(trials, sort=False)}
    return out


def _own(parts: dict[str, pd.DataFrame], trial: str, table: str) -> pd.DataFrame:
    """A trial's rows of one table, of the types that reading a folder gives."""
    blank = _blank(table)
    if trial not in parts:
        return blank
    if table == DOUBTS:
        return parts[trial].astype({"line": "Int64", "row": "Int64"})
    return parts[trial].astype(blank.dtypes.to_dict())


@lru_cache
def _blank(table: str) -> pd.DataFrame:
    if table == DOUBTS:
        from trialkit.records.findings import Findings

        return Findings().doubts
    return empty_table(next(t for t in TABLES if t.name == table)).frame


def _trial(said: str) -> Trial:
    """A description from the JSON of its fields."""
    try:
        trial: Trial = _of_type(Trial, json.loads(said))
    except (TypeError, ValueError):
        raise GatheredProblem(OTHER_VERSION) from None
    return trial


def _of_type(kind: Any, value: Any) -> Any:
    """A value of JSON as what a field of a dataclass says it is."""
    if value is None:
        return None
    if is_dataclass(kind) and isinstance(kind, type):
        kinds = get_type_hints(kind)
        return kind(**{name: _of_type(kinds.get(name), one) for name, one in value.items()})
    inside = get_args(kind)
    if get_origin(kind) is tuple:
        return tuple(_of_type(inside[0], one) for one in value)
    if get_origin(kind) in (Union, UnionType):
        return _of_type(next(one for one in inside if one is not NoneType), value)
    return date.fromisoformat(value) if kind is date else value
