"""The commands `add`, `undo` and `settle`: records that come in, are taken back, are put right.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.terminal import Exit, Folder, day, say, stop, the_trial


@contextmanager
def _into_the_log() -> Iterator[None]:
    """Say what went wrong with the log in the package's own words; then nothing was changed."""
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    try:
        yield
    except (RecordsError, TrialProblems) as problems:
        stop(Exit.RECORDS, str(problems))
    except TimeoutError:
        stop(Exit.NOT_WRITTEN, "Another trialkit is writing to this trial; try again in a moment.")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the log: {error}")


def add(
    folder: Folder,
    files: Annotated[
        list[Path],
        typer.Argument(help="Files from a phone, or spreadsheets of picks.", metavar="FILE"),
    ],
) -> None:
    """Bring in records from phones and spreadsheets; the same file twice adds nothing.

    They go into FOLDER/log.csv; your own tables stay as they are.
    """
    from trialkit.records.add import add_files

    folder = the_trial(folder)
    with _into_the_log():
        report = add_files(folder, files)
    say(report.text)
    for doubt in report.doubts.itertuples():
        say(f"Doubt: {doubt.file}, line {doubt.line}, {doubt.column}: {doubt.doubt}")
    if len(report.conflicts):
        say(f"To say which holds: trialkit settle {folder} DATE PLANT TRAIT VALUE")
    if report.added:
        say(f"To take this back: trialkit undo {folder}")


def undo(folder: Folder) -> None:
    """Take back what was brought in last; the log keeps it."""
    from trialkit.records.add import undo_last

    with _into_the_log():
        report = undo_last(the_trial(folder))
    say(report.text)


def settle(
    folder: Folder,
    on: Annotated[
        str, typer.Argument(help="The day: 2025-07-14, or as in your tables.", metavar="DATE")
    ],
    plant: Annotated[str, typer.Argument(help="The plant, as in plants.csv.", metavar="PLANT")],
    trait: Annotated[
        str, typer.Argument(help="count, weight, height or lost.", metavar="TRAIT")
    ],
    value: Annotated[
        str,
        typer.Argument(
            help='What holds: 4, "not looked", 120 g, 5\'6". Of a loss the reason, or "not lost".',
            metavar="VALUE",
        ),
    ],
) -> None:
    """Correct a record, or say which of two holds; what was said stays in the log."""
    from trialkit.records.add import settle as settled

    folder = the_trial(folder)
    when = day(on, folder)
    if when is None:
        raise typer.BadParameter("The date is blank. Write: 2025-07-14, or 14 Jul 2025.")
    with _into_the_log():
        report = settled(folder, when, plant, trait.casefold(), value)
    say(report.text)
    say(f"To take this back: trialkit undo {folder}")
