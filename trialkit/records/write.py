"""Writing files whole or not at all, and CSV that no spreadsheet will run.

The text goes to a temporary file in the same folder, is flushed to the disk, and takes the
place of the old file in one step, so that a crash or a full disk leaves the old file as it was.
"""

from __future__ import annotations

import csv
import io
import os
import re
import secrets
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

# A spreadsheet takes a cell that begins so, past blanks, for a formula and runs it; full-width
# signs too in some settings.  See OWASP, "CSV Injection".
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
# Blanks as Unicode counts them, and the byte order mark: the phone page's guard (rows.js) takes
# the same for blank, or one would guard what the other does not take the guard from.
_FORMULA = re.compile(rf"'*[\s\ufeff]*[{re.escape(''.join(FORMULA_STARTS))}]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
TEMPORARY = ".part"


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write a file, replacing an older one in one step; a link is followed, its target replaced.

    Raises OSError; then the older file is as it was.
    """
    target = Path(os.path.realpath(path))
    temporary = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}{TEMPORARY}")
    try:
        with open(temporary, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileNotFoundError):
            os.chmod(temporary, target.stat().st_mode & 0o7777)
        os.replace(temporary, target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


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
