"""Writing files whole or not at all.

The text goes to a temporary file in the same folder, is flushed to the disk, and takes the
place of the old file in one step, so that a crash or a full disk leaves the old file as it was.
"""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

# A spreadsheet takes a cell that begins so for a formula and runs it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file, replacing an older one in one step.  Raises OSError; then nothing changed."""
    path = Path(path)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(temporary, mode)
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text, replacing an older file in one step (see `write_bytes`)."""
    write_bytes(path, text.encode("utf-8"))


def sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def safe_cell(value: object) -> object:
    """Text that a spreadsheet would run as a formula gets an apostrophe before it; numbers and
    plain text are as they were."""
    if not isinstance(value, str) or not value.startswith(FORMULA_STARTS):
        return value
    try:
        float(value.replace(",", "."))
    except ValueError:
        return "'" + value
    return value


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV (RFC 4180, with plain line feeds), formulas made harmless."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return stream.getvalue()
