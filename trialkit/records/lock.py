"""One writer at a time in a trial's folder."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

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
