"""The files of a trial folder: which are read, and how they are written whole or not at all.

What is written goes to a temporary file in the same folder, is flushed to the disk, and takes the
place of the old file in one step, so that a crash or a full disk leaves the old file as it was.
CSV is written so that no spreadsheet will run it.
"""

from __future__ import annotations

import csv
import errno
import glob
import hashlib
import io
import os
import re
import secrets
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from filelock import FileLock, Timeout

from trialkit.reading.spelling import nearest, plain
from trialkit.records.schema import TABLES

if TYPE_CHECKING:
    from trialkit.records.findings import Findings

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]

# ------------------------------------------------------------------------------------------------
# The files of a trial folder: which are read, which look as if they were meant to be.
# ------------------------------------------------------------------------------------------------

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
        """SHA-256 of the content, in hex."""
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


# ------------------------------------------------------------------------------------------------
# Written whole or not at all.
# ------------------------------------------------------------------------------------------------

# A spreadsheet takes a cell that begins so, past blanks, for a formula and runs it; full-width
# signs too in some settings.  See OWASP, "CSV Injection".
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
# Blanks as Unicode counts them, and the byte order mark: the phone page's guard (rows.js) takes
# the same for blank, or one would guard what the other does not take the guard from.
_FORMULA = re.compile(rf"'*[\s\ufeff]*[{re.escape(''.join(FORMULA_STARTS))}]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
TEMPORARY = ".part"
YOUNG_S = 1.0
"""A half file younger than this may be about to be held by its writer."""


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write a file, replacing an older one in one step; a link is followed, its target replaced.

    Raises OSError; then the older file is as it was.
    """
    target = Path(os.path.realpath(path))
    tidy(target)
    temporary = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}{TEMPORARY}")
    try:
        with open(temporary, "xb") as file:
            _hold(file)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            with suppress(FileNotFoundError):
                os.chmod(temporary, target.stat().st_mode & 0o7777)
            if fcntl is not None:  # elsewhere an open file cannot be renamed
                os.replace(temporary, target)
        if fcntl is None:
            os.replace(temporary, target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


def tidy(target: Path) -> None:
    """Take away the half files of writers of `target` that were killed; never a file, and never
    the half file of a writer at work, who holds a lock on it that ends with him."""
    _sweep(target.parent, f".{glob.escape(target.name[:100])}.*{TEMPORARY}")


def tidy_folder(folder: Path) -> None:
    """As `tidy`, of whatever was written into a folder that is the program's own."""
    _sweep(folder, f".*.*{TEMPORARY}")


def _sweep(folder: Path, pattern: str) -> None:
    if fcntl is None:
        return
    with suppress(OSError):  # a folder that cannot be listed is not in the way of writing
        for left in folder.glob(pattern):
            with suppress(OSError), open(left, "rb") as file:
                # One just made may not be held yet.
                if time.time() - os.fstat(file.fileno()).st_mtime > YOUNG_S:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    left.unlink()


def _hold(file: BinaryIO) -> None:
    if fcntl is not None:
        with suppress(OSError):  # some network folders know no locks
            fcntl.flock(file, fcntl.LOCK_EX)


def write_text(path: Path | str, text: str) -> None:
    """Write UTF-8 text, replacing an older file in one step (see `write_bytes`)."""
    write_bytes(path, text.encode("utf-8"))


def sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    with suppress(OSError):  # some network folders cannot, and the rename has been made
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def safe_cell(value: object) -> object:
    """Text that a spreadsheet would run as a formula, with an apostrophe before it.

    Numbers, and text that is a number, stay as they are, and so does all other text.  Text that
    begins with apostrophes and then like a formula gets one more, so that `plain_cell` gives back
    exactly what went in.
    """
    if not isinstance(value, str) or not _FORMULA.match(value) or _NUMBER.fullmatch(value):
        return value
    return "'" + value


def plain_cell(text: str) -> str:
    """The text that `safe_cell` was given."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def csv_text(
    header: Sequence[str], rows: Iterable[Sequence[object]], *, line_end: str = "\n"
) -> str:
    """A table as CSV (RFC 4180, with plain line feeds unless asked), formulas made harmless."""
    out = []
    for row in (header, *rows):
        # With these line ends the writer quotes a lone carriage return inside a cell as well.
        stream = io.StringIO()
        csv.writer(stream, lineterminator="\r\n").writerow([safe_cell(cell) for cell in row])
        out.append(stream.getvalue().removesuffix("\r\n") + line_end)
    return "".join(out)


# ------------------------------------------------------------------------------------------------
# One writer at a time in a trial's folder.
# ------------------------------------------------------------------------------------------------

LOCK = ".trialkit.lock"
PATIENCE_S = 60.0


@contextmanager
def only_writer(folder: Path, patience: float = PATIENCE_S) -> Iterator[None]:
    """Hold the folder's lock, an empty file that stays behind, while the block runs.

    The system lets go of the lock when its holder ends, however it ends.
    Raises TimeoutError when another holds it for longer than ``patience`` seconds, OSError where
    the folder cannot be written to.
    """
    lock = FileLock(folder / LOCK)
    try:
        lock.acquire(timeout=patience)
    except Timeout:
        raise TimeoutError(
            errno.ETIMEDOUT, "Another trialkit is writing here; try again when it is done",
            str(folder),
        ) from None
    except NotImplementedError as error:
        raise OSError(errno.ENOLCK, "Files cannot be locked here", str(folder)) from error
    try:
        yield
    finally:
        lock.release()
