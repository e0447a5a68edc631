"""The records of many trials in one place, as Parquet: a folder of flat tables.

Each table of a trial folder becomes one file (`picks.parquet`, ...) with a column `trial` before
its own; `trials.parquet` says of each trial what its description says.  Any Parquet reader opens
them; units stand in each column's metadata.  Row group g of every file holds the same trials, so
that one trial is read without the others.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field, is_dataclass
from datetime import date
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path
from types import NoneType, UnionType
from typing import TypedDict, Union, get_args, get_origin, get_type_hints

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from trialkit import __version__
from trialkit.errors import TrialkitError
from trialkit.gardens.stage_one import Failed, StoredTrial, read_trial
from trialkit.gardens.workers import Fault, Progress, for_each
from trialkit.records import Records
from trialkit.records.files import TEMPORARY, sync_folder
from trialkit.records.schema import PLANTS, TABLES, Column, Table
from trialkit.records.tables import empty_table
from trialkit.trial import Trial

FORMAT = "6"
TRIALS_A_GROUP = 50
"""Few enough that a worker keeps one group in mind, enough that the files stay small."""
TRIALS = "trials"
DOUBTS = "doubts"
COVARIATES = "covariates"

_KINDS = {
    "name": pa.string(), "text": pa.string(), "date": pa.date32(), "count": pa.float64(),
    "place": pa.float64(), "length": pa.float64(), "weight": pa.float64(),
    "temperature": pa.float64(), "rain": pa.float64(),
}
_UNITS = {
    "date": "day", "count": "what the trial counts (trials.parquet, counted)", "length": "cm",
    "weight": "g", "temperature": "degrees Celsius", "rain": "mm", "place": "number from 1",
}
_HARVESTED = "g; where trials.parquet names a harvest_unit, that"


class GatheredProblem(TrialkitError, ValueError):  # noqa: N818  (a message for the grower, not a bug)
    """Records that cannot be gathered, or gathered ones that are not whole."""


@dataclass(frozen=True)
class Gathering:
    """What was written.  failed: folders whose records could not be read, kept with the reason."""

    path: Path
    trials: int
    failed: tuple[Failed, ...]
    fingerprint: str


def gather(
    folders: Sequence[Path], to: Path, until: date | None = None, *, cluster: str | None = None,
    workers: int | None = None, progress: Progress | None = None,
) -> Gathering:
    """Write the records of trial folders as one folder of Parquet tables.

    to : the folder to write; gathered records that it holds already are replaced, in one step
    once the new ones are whole.  until : leave out what was recorded later.  cluster, workers,
    progress : see `workers.for_each`.

    Raises FileExistsError where `to` holds anything else, ValueError for no folder at all,
    GatheredProblem where none of them can be read, OSError, and ClusterProblem; then what was
    there stays.
    """
    folders = [Path(folder) for folder in folders]
    if not folders:
        raise ValueError("There is no trial to gather.")
    to = Path(os.path.realpath(to))
    if to.exists() and not is_gathered(to) and (not to.is_dir() or any(to.iterdir())):
        raise FileExistsError(f"{to} holds other files already.")
    names = _names(folders)
    read = for_each(partial(read_trial, until=until), folders, cluster, workers, progress)
    rows = (
        (name, folder.resolve().name, _readable(folder, outcome))
        for name, folder, outcome in zip(names, folders, read, strict=True)
    )
    to.parent.mkdir(parents=True, exist_ok=True)
    new = to.with_name(f".{to.name[:100]}.{secrets.token_hex(6)}{TEMPORARY}")
    new.mkdir()
    try:
        failed, fingerprint = _write(new, rows)
        if len(failed) == len(folders):
            why = "\n".join(f"{failure.folder}: {failure.reason}" for failure in failed)
            raise GatheredProblem(f"No trial could be read.\n{why}")
        _replace(to, new)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise
    return Gathering(to, len(folders), failed, fingerprint)


def _readable(folder: Path, outcome: Records | Failed | Fault) -> Records | Failed:
    if isinstance(outcome, Fault):
        return Failed(folder.resolve().name, f"it could not be read ({outcome.kind}: "
                      f"{outcome.message})")
    return outcome


def _names(folders: Sequence[Path]) -> list[str]:
    """A name for each trial: its folder's, with as many folders above it as tell it apart."""
    parts = [folder.resolve().parts for folder in folders]
    names = [part[-1] for part in parts]
    for depth in range(2, max(map(len, parts)) + 1):
        many = Counter(names)
        if len(many) == len(names):
            break
        names = ["/".join(part[-depth:]) if many[name] > 1 else name
                 for name, part in zip(names, parts, strict=True)]
    if len(set(names)) < len(names):
        raise ValueError("The same folder is named twice: name each trial once.")
    return names


def _write(
    new: Path, rows: Iterable[tuple[str, str, Records | Failed]]
) -> tuple[tuple[Failed, ...], str]:
    """Write all tables into a new folder, group by group; failed trials and the fingerprint."""
    rows = iter(rows)
    failed: list[Failed] = []
    whole = hashlib.sha256()
    schemas = _schemas()
    mark = secrets.token_hex(8)
    with ExitStack() as stack:
        writers = {
            name: stack.enter_context(pq.ParquetWriter(
                new / f"{name}.parquet", _marked(schema, name, mark), compression="zstd"))
            for name, schema in schemas.items()
        }
        for group, some in enumerate(iter(lambda: list(islice(rows, TRIALS_A_GROUP)), [])):
            for name, _, outcome in some:
                whole.update(f"{name}\0{_print(outcome)}\0".encode())
                if isinstance(outcome, Failed):
                    failed.append(outcome)
            good = [(name, outcome) for name, _, outcome in some if isinstance(outcome, Records)]
            for table, schema in schemas.items():
                block = (
                    _described(some, group, schema) if table == TRIALS
                    else _stacked(good, table, schema)
                )
                writers[table].write_table(block, row_group_size=max(block.num_rows, 1))
        fingerprint = whole.hexdigest()[:16]
        for writer in writers.values():
            writer.add_key_value_metadata({"fingerprint": fingerprint})
    for name in schemas:
        with open(new / f"{name}.parquet", "rb+") as file:
            os.fsync(file.fileno())
    sync_folder(new)
    return tuple(failed), fingerprint


def _print(outcome: Records | Failed) -> str:
    return outcome.fingerprint if isinstance(outcome, Records) else outcome.reason


def _replace(to: Path, new: Path) -> None:
    """Put a finished folder in the place of an older one, which is kept until then."""
    old = new.with_suffix(".old")
    if to.exists():
        os.rename(to, old)
    try:
        os.rename(new, to)
    except BaseException:
        if old.exists():
            os.rename(old, to)
        raise
    sync_folder(to.parent)
    shutil.rmtree(old, ignore_errors=True)


def _schemas() -> dict[str, pa.Schema]:
    """The columns of each file, with their units."""
    text, whole = pa.string(), pa.int64()
    key = pa.field("trial", text, nullable=False)
    about = [key, pa.field("group", whole, metadata={"meaning": "row group of this trial"})]
    about += [pa.field(name, text) for name in (
        "folder", "title", "garden", "crop", "counted", "harvest_unit")]
    about += [
        pa.field("planted", pa.date32(), metadata={"unit": "day"}),
        pa.field("until", pa.date32(), metadata={"meaning": "records after it were left out"}),
        pa.field("fingerprint", text, metadata={"meaning": "of the files read"}),
        pa.field("failed", text, metadata={"meaning": "why its records could not be read"}),
        pa.field("files", text, metadata={"meaning": "JSON: name and rows of each file read"}),
        pa.field("queried", text, metadata={"meaning": "JSON: rows with an odd record, by table"}),
        pa.field("description", text, metadata={"meaning": "JSON: the whole description"}),
    ]
    doubts = [key, *(pa.field(n, whole if n in ("line", "row") else text)
                     for n in ("file", "line", "column", "value", "doubt", "table", "row"))]
    tables = {
        table.name: pa.schema([key, *(_field(table, column) for column in table.columns)])
        for table in TABLES
    }
    tables[PLANTS.name] = tables[PLANTS.name].append(pa.field(COVARIATES, text, metadata={
        "meaning": "JSON: the columns of plants.csv that the trial is adjusted for"}))
    return {TRIALS: pa.schema(about), **tables, DOUBTS: pa.schema(doubts)}


def _field(table: Table, column: Column) -> pa.Field:
    unit = _HARVESTED if (table.name, column.kind) == ("harvest", "weight") else (
        _UNITS.get(column.kind))
    return pa.field(column.field, _KINDS[column.kind], metadata={"unit": unit} if unit else None)


def _marked(schema: pa.Schema, table: str, mark: str) -> pa.Schema:
    return schema.with_metadata({
        "trialkit": __version__, "trialkit_gathered": FORMAT, "table": table, "gathering": mark,
    })


def _described(
    some: Sequence[tuple[str, str, Records | Failed]], group: int, schema: pa.Schema
) -> pa.Table:
    """The rows of trials.parquet for some trials."""
    rows: list[dict[str, object]] = []
    for name, folder, outcome in some:
        row: dict[str, object] = {"trial": name, "group": group, "folder": folder}
        if isinstance(outcome, Failed):
            row["failed"] = outcome.reason
        else:
            trial = outcome.trial
            row |= {key: getattr(trial, key) for key in (
                "title", "garden", "crop", "counted", "harvest_unit", "planted")}
            row |= {
                "until": outcome.until, "fingerprint": outcome.fingerprint,
                "files": json.dumps(outcome.files), "queried": json.dumps(dict(outcome.queried)),
                "description": json.dumps(asdict(trial), default=date.isoformat),
            }
        rows.append(row)
    return pa.Table.from_pylist(rows, schema=schema)


def _stacked(
    good: Sequence[tuple[str, Records]], table: str, schema: pa.Schema
) -> pa.Table:
    """One table of some trials, one below the other, each row with its trial's name."""
    frames = [getattr(records, table) if table != PLANTS.name else _with_covariates(records)
              for _, records in good]
    many = [len(frame) for frame in frames]
    full = [frame for frame in frames if len(frame)]
    if not full:
        return schema.empty_table()
    rows = pd.concat(full, ignore_index=True)
    columns = [pa.array(np.repeat([name for name, _ in good], many), pa.string())]
    columns += [
        pa.array(rows[field.name], from_pandas=True).cast(field.type)
        for field in list(schema)[1:]
    ]
    return pa.table(columns, schema=schema)


def _with_covariates(records: Records) -> pd.DataFrame:
    """A trial's plants with its covariates, which no other trial need have, in one column."""
    names = list(records.trial.covariates)
    said = [json.dumps(row) for row in records.plants[names].to_dict("records")] if names else None
    return records.plants.assign(**{COVARIATES: pd.Series(said, dtype="str")
                                    if said else pd.Series([None] * len(records.plants),
                                                           dtype="str")})


def is_gathered(path: Path) -> bool:
    """Whether a folder holds gathered records."""
    return (Path(path) / f"{TRIALS}.parquet").is_file()


OTHER_VERSION = (
    "These records were written by another version of trialkit; write them again with trialkit "
    "export."
)
SPOILT = "{} cannot be read ({}). Export the trials again: their folders are as they were."


class _Row(TypedDict):
    """A row of trials.parquet, as `_described` writes it."""

    trial: str
    group: int
    folder: str
    failed: str | None
    until: date | None
    fingerprint: str
    files: str
    queried: str
    description: str


@dataclass(frozen=True)
class GatheredTrial(StoredTrial):
    """One trial of gathered records; its records are read when asked for.

    file : the folder of the Parquet files.  trial : its name among them.  gathering : stands for
    the run that wrote the files, so that another's are not taken for them.
    """

    file: Path
    trial: str
    group: int
    gathering: str
    about: _Row = field(repr=False, compare=False)

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
        said = frames[PLANTS.name].get(self.trial)
        if trial.covariates and said is not None:
            numbers = pd.DataFrame([json.loads(row) for row in said[COVARIATES]], dtype=np.float64)
            own[PLANTS.name] = own[PLANTS.name].assign(
                **{name: numbers[name] for name in trial.covariates})
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
    source = _file(path / f"{TRIALS}.parquet")
    gathering = _mark(source)
    trials = [
        GatheredTrial(about["folder"], path, about["trial"], about["group"], gathering, about)
        for about in source.read().to_pylist() if trial in (None, about["trial"])
    ]
    if not trials:
        raise GatheredProblem(f"There is no trial {trial!r} in {path}.")
    return trials


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


def _file(path: Path) -> pq.ParquetFile:
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
        with _file(path / f"{name}.parquet") as source:
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
    return parts[trial][list(blank.columns)].astype(blank.dtypes.to_dict())


@lru_cache
def _blank(table: str) -> pd.DataFrame:
    if table == DOUBTS:
        from trialkit.records.findings import Findings

        return Findings().doubts
    return empty_table(next(t for t in TABLES if t.name == table)).frame


def _trial(said: str) -> Trial:
    """A description from the JSON of its fields."""
    try:
        trial = _of_type(Trial, json.loads(said))
    except (TypeError, ValueError):
        raise GatheredProblem(OTHER_VERSION) from None
    if not isinstance(trial, Trial):
        raise GatheredProblem(OTHER_VERSION)
    return trial


def _of_type(kind: object, value: object) -> object:
    """A value of JSON as what a field of a dataclass says it is."""
    if value is None:
        return None
    if is_dataclass(kind) and isinstance(kind, type):
        if not isinstance(value, dict):
            raise TypeError(f"not the fields of a {kind.__name__}")
        kinds = get_type_hints(kind)
        return kind(**{name: _of_type(kinds.get(name), item) for name, item in value.items()})
    inside = get_args(kind)
    if get_origin(kind) is tuple:
        if not isinstance(value, list):
            raise TypeError("not a list")
        return tuple(_of_type(inside[0], item) for item in value)
    if get_origin(kind) in (Union, UnionType):
        return _of_type(next(item for item in inside if item is not NoneType), value)
    return date.fromisoformat(str(value)) if kind is date else value
