"""The commands `add`, `undo` and `correct`: records that come in, are taken back, are put right.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.text import Text

from trialkit.commands.terminal import Exit, Folder, command, day, out, say, stop, the_trial

if TYPE_CHECKING:
    from trialkit.records.incoming.add import LookOver


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
    yes: Annotated[
        bool, typer.Option("--yes", "-y", help="Bring spreadsheets in without asking first.")
    ] = False,
) -> None:
    """Bring in records from phones and spreadsheets; the same file twice adds nothing.

    What a spreadsheet was taken for is shown first, and you are asked. Records
    go into FOLDER/log.csv; your own tables stay as they are.
    """
    from trialkit.records.incoming.add import add_files, look_over

    folder = the_trial(folder)
    with _into_the_log():
        seen = look_over(folder, files)
    _show(seen)
    if seen.made and not yes:
        if not sys.stdin.isatty():
            again = command("add", folder, *files, "--yes")
            stop(Exit.NOT_WRITTEN, f"Nothing was written. If that is right: {again}")
        if not typer.confirm("Is that right? Bring these records in?"):
            stop(Exit.NOT_WRITTEN, "Nothing was written.")
    with _into_the_log():
        report = add_files(folder, seen.files)
    say(report.text)
    if len(report.conflicts):
        say(f"To say which is right: {command('correct', folder)} DATE PLANT TRAIT VALUE")
    if report.added:
        say(f"To take this back: {command('undo', folder)}")


def _show(seen: LookOver) -> None:
    """What sheets were taken for, a small table each, and what is odd in them."""
    from rich import box
    from rich.table import Table

    from trialkit.reading.problems import problem_text, shown

    for made in seen.made:
        table = Table(box=box.SIMPLE, show_header=False, title=Text(shown(made.file, 200)),
                      title_justify="left", title_style="bold", pad_edge=False)
        table.add_column(style="dim", no_wrap=True)
        table.add_column(overflow="fold")
        for label, words in made.lines:
            table.add_row(label, Text(shown(words, 300)))
        out.print(table)
    doubts = seen.doubts.rename(columns={"doubt": "problem"}).assign(accepted="")
    if len(doubts):
        say(problem_text(doubts, "Odd, but used:"))


def undo(folder: Folder) -> None:
    """Take back what was brought in last; the log keeps it."""
    from trialkit.records.incoming.add import undo_last

    with _into_the_log():
        report = undo_last(the_trial(folder))
    say(report.text)


def correct(
    folder: Folder,
    on: Annotated[
        str, typer.Argument(help="The day: 2025-07-14, or as in your tables.", metavar="DATE")
    ],
    plant: Annotated[str, typer.Argument(help='The plant, as in plants.csv; or "plot 2B".',
                                      metavar="PLANT")],
    trait: Annotated[
        str,
        typer.Argument(help="As its column is called: count, weight, height, lost; or a trait of "
                            "your own.", metavar="TRAIT"),
    ],
    value: Annotated[
        str,
        typer.Argument(
            help='What is right: 4, "not looked", 120 g, 5\'6". For a lost plant, why; or '
                 '"not lost".',
            metavar="VALUE",
        ),
    ],
) -> None:
    """Correct a record, or say which of two is right; what was said stays in the log."""
    from trialkit.records.incoming.add import settle as settled

    folder = the_trial(folder)
    when = day(on, folder)
    if when is None:
        raise typer.BadParameter("The date is blank. Write: 2025-07-14, or 14 Jul 2025.")
    with _into_the_log():
        report = settled(folder, when, plant, trait.casefold(), value)
    say(report.text)
    say(f"To take this back: trialkit undo {folder}")
