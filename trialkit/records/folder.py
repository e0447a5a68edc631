"""The files of a trial folder: which are read, which look as if they were meant to be."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from trialkit.reading.spelling import nearest, plain
from trialkit.records.findings import Findings
from trialkit.records.schema import TABLES

DESCRIPTION = "trial.toml"
# One workbook may hold all tables, a sheet each.
WORKBOOK = "trial.xlsx"
LOG = "log.csv"
MOST_BYTES = 500_000_000
_OTHER_KINDS = {".ods", ".xls", ".numbers", ".txt", ".tsv", ".xlsm", ".xlsb"}


@dataclass(frozen=True)
class File:
    """A file read whole.  name : as the folder has it.  digest : SHA-256 of its content."""

    name: str
    content: bytes

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


def read_file(path: Path, findings: Findings) -> File | None:
    """A file's content; None, and an error noted, where it cannot be read."""
    accepted = "a file that can be read"
    try:
        if not path.is_file():  # a folder, or a pipe that would never end
            findings.error(path.name, None, "", "", "It is not a file.", accepted)
            return None
        size = path.stat().st_size
        if size > MOST_BYTES:
            findings.error(path.name, None, "", f"{size:,} bytes", "The file is too large.",
                           f"at most {MOST_BYTES // 1_000_000} MB")
            return None
        return File(path.name, path.read_bytes())
    except OSError as error:
        findings.error(path.name, None, "", "", f"It cannot be read ({error.strerror}).", accepted)
        return None


def table_paths(folder: Path, findings: Findings) -> dict[str, Path]:
    """For each table its file, and for "trial.xlsx" the workbook of all; by lower-case name.

    An error where two files hold one table, unless one is a CSV file without a row; doubts for
    files that may have been meant.
    """
    names = {table.name for table in TABLES}
    paths: dict[str, Path] = {}
    others: list[Path] = []
    for path in sorted(folder.iterdir()):
        stem, suffix = path.stem.casefold(), path.suffix.casefold()
        if path.name.casefold() == WORKBOOK:
            paths[WORKBOOK] = path
        elif stem in names and suffix in (".csv", ".xlsx"):
            if stem in paths and _holds_nothing(path):
                continue  # the empty table that a new trial was given gives way
            if stem in paths and not _holds_nothing(paths[stem]):
                findings.error(path.name, None, "", "", f"{paths[stem].name} is the same table.",
                               "one file for each table")
            else:
                paths[stem] = path
        else:
            others.append(path)
    _meant(others, names - paths.keys(), findings)
    return paths


def _holds_nothing(path: Path) -> bool:
    """Whether a CSV file has a heading at most, and no row."""
    if path.suffix.casefold() != ".csv" or not path.is_file() or path.stat().st_size > 4_000:
        return False
    try:
        return sum(bool(line.strip(b" \t\r,;")) for line in path.read_bytes().split(b"\n")) < 2
    except OSError:
        return False


def _meant(others: Iterable[Path], missing: set[str], findings: Findings) -> None:
    for path in others:
        suffix = path.suffix.casefold()
        if path.name.startswith((".", "~")) or not path.is_file():
            continue
        same = path.stem.casefold() in {t.name for t in TABLES}
        if suffix in _OTHER_KINDS and same:
            findings.doubt(path.name, None, "", "", "a file that is not read: save it as CSV")
        elif suffix in (".csv", ".xlsx") and plain(path.stem) != "log":
            near = nearest(path.stem, missing) if missing else None
            if near is not None:
                findings.doubt(path.name, None, "", "", "a file that is not read; did you mean "
                               f"{near}{suffix}?")


def fingerprint(files: Iterable[File]) -> str:
    """Sixteen hex figures that stand for the names and contents of the files read (SHA-256)."""
    whole = hashlib.sha256()
    for file in sorted(files, key=lambda f: f.name):
        whole.update(f"{file.name}\0{file.digest}\0".encode())
    return whole.hexdigest()[:16]
