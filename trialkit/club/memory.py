"""Which folder is which trial of a club's pages: kept with the user, never on the pages.

A folder's path names people and places, so it must not be in anything that is published; and a
trial whose records cannot be read at all is known by its folder only.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout
from platformdirs import user_state_path

from trialkit.records.write import write_text

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Memory:
    """known: by the folder's full path, number, id and garden number on these pages."""

    known: dict[str, dict[str, Any]]
    file: Path | None

    def keep(self, entries: Mapping[str, Mapping[str, Any]]) -> None:
        """Remember these too.  Where nothing can be written nothing is remembered: trials are
        then known by what was planted."""
        if self.file is None:
            return
        by_folder = {
            folder: {name: entry[name] for name in ("number", "id", "garden")}
            for folder, entry in entries.items()
        }
        with suppress(OSError):
            write_text(self.file, json.dumps({**self.known, **by_folder}, indent=1) + "\n")
            self.file.chmod(0o600)


@contextmanager
def remembered(site: Path) -> Iterator[Memory]:
    """What is known of the trials on these pages; only one at a time may renew them.

    Raises TimeoutError where another renews them for longer than a minute.
    """
    name = hashlib.sha256(str(site).encode("utf-8", "surrogatepass")).hexdigest()[:16]
    file = user_state_path("trialkit") / f"club-{name}.json"
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(file.with_suffix(".lock"))
        lock.acquire(timeout=PATIENCE_S)
    except Timeout:
        raise TimeoutError("Another trialkit is renewing these pages.") from None
    except OSError:
        yield Memory({}, None)
        return
    try:
        yield Memory(_read(file), file)
    finally:
        lock.release()


def _read(file: Path) -> dict[str, dict[str, Any]]:
    with suppress(OSError, ValueError):
        content = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(content, dict):
            needed = {"number": int, "id": str, "garden": int}
            return {
                folder: entry for folder, entry in content.items() if isinstance(entry, dict)
                and all(isinstance(entry.get(k), kind) for k, kind in needed.items())
            }
    return {}
