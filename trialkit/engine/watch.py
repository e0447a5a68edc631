"""Keep the report up to date: run it again whenever the records of a trial have changed.

One kernel is kept warm from run to run.  What wakes the loop is watchfiles; whether there is
anything to do is asked of the files themselves, so that a folder whose system tells of no changes
(a network drive, say) is followed too, and a report's own files start nothing.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path

import watchfiles

from trialkit.engine import run
from trialkit.engine.publish import (
    Published,
    ReportStopped,
    latest,
    not_written,
    publish_latest,
)

SETTLED_MS = 600
"""Records have settled when nothing was written for so long."""

LONGEST_MS = 10_000
"""A file written to without a break is read after so long at the latest."""

LOOK_MS = 500
"""How often the files are looked at where the system tells of no change."""

KINDS = {".toml", ".csv", ".xlsx"}

Outcome = Published | str
"""A report; or why there is no new one, in plain words, the last good one untouched."""


def watch(
    folder: Path,
    tell: Callable[[Outcome], None],
    progress: Callable[[], AbstractContextManager[run.Progress | None]] = nullcontext,
    live: bool = False,
) -> None:
    """Report on the trial in `folder` now, and again whenever its records have changed and settled.

    tell : called with the outcome of each run.  progress : entered for each run, to show how far
        it has got.  live : in a browser the newest report reloads itself.
    Goes on until it is interrupted (SIGINT, SIGTERM, or SIGHUP where there is one): it then raises
    KeyboardInterrupt, its kernel stopped.
    """
    done: dict[str, tuple[int, int, int]] = {}
    before = records_in(folder)
    with _interruptible(), run.KeptKernel() as kernel:
        for changes in watchfiles.watch(
            folder,
            watch_filter=lambda _, path: is_record(Path(path)),
            debounce=LONGEST_MS,
            step=SETTLED_MS,
            rust_timeout=LOOK_MS,
            yield_on_timeout=True,
            recursive=False,
        ):
            now = records_in(folder)
            # Where no change was told of, wait for two looks to agree: it may be half copied.
            if now != done and (changes or now == before):
                done = now
                with progress() as on_progress:
                    outcome = _attempt(folder, on_progress, kernel, live)
                tell(outcome)
            before = now


def _attempt(
    folder: Path, on_progress: run.Progress | None, kernel: run.KeptKernel, live: bool
) -> Outcome:
    if not (folder / "trial.toml").is_file():
        return f"There is no trial in {folder} any more: trial.toml is gone."
    try:
        return publish_latest(folder, on_progress, kernel.execute, live)
    except ReportStopped as stopped:
        return stopped.told
    except OSError as error:
        return not_written(error, latest(folder))


def is_record(path: Path) -> bool:
    """Whether a file may belong to the records of a trial; not a hidden or half written one."""
    return path.suffix.casefold() in KINDS and not path.name.startswith((".", "~"))


def records_in(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Size, time of change and number of every file of records; empty where the folder is gone."""
    stamps = {}
    with suppress(OSError):  # the folder itself may be gone
        for path in filter(is_record, folder.iterdir()):
            with suppress(OSError):
                about = path.stat()
                stamps[path.name] = (about.st_size, about.st_mtime_ns, about.st_ino)
    return stamps


@contextmanager
def _interruptible() -> Iterator[None]:
    """Let the polite ways to end a process end it as Ctrl-C does."""

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    old = {}
    if threading.current_thread() is threading.main_thread():  # signals come to that one alone
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            # Whoever started it with a signal ignored (nohup) meant that.
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                old[number] = signal.signal(number, interrupt)
    try:
        yield
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)
