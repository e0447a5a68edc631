"""What is recorded: the commands `phone`, `add`, `undo`, `correct` and `check`.

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

from trialkit.commands.planting import BlindAgain
from trialkit.commands.terminal import Exit, Folder, command, day, err, out, say, stop, the_trial

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

    from trialkit.records.incoming.add import LookOver


def phone(
    folder: Folder,
    to: Annotated[
        Path | None, typer.Option("--out", help="The HTML file to write. Else FOLDER/phone.html.")
    ] = None,
    blind: BlindAgain = None,
) -> None:
    """Make the page to record a pick with on a phone: one file, no network needed."""
    from trialkit.design.planfolder import is_blind
    from trialkit.recording.offline import write_phone_page
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    try:
        blind = is_blind(folder) if blind is None else blind
        page = write_phone_page(folder, to, blind)
    except (RecordsError, TrialProblems) as problems:
        stop(Exit.RECORDS, str(problems))
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the page: {error}")
    say(f"Phone page: {page}" + (" (without variety names)" if blind else ""))
    say("Send it to the phone (cable, mail or message) and open it there in a browser.")
    say(f"After the pick, bring the file it sends in: trialkit add {folder} FILE")


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


def check(folder: Folder) -> None:
    """Read the records and list every error and every doubt, all at once."""
    from rich.console import Group, RenderableType

    from trialkit import wording
    from trialkit.records import RecordsError, read_records
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    try:
        records = read_records(folder)
    except TrialProblems as error:
        stop(Exit.RECORDS, str(error))
    except RecordsError as error:
        count = wording.counted(len(error.problems), "error")
        err.print(Group(Text(f"{count}; nothing was changed."), _table(error.problems)))
        raise typer.Exit(Exit.RECORDS) from None
    read = wording.listed([f"{name} ({wording.counted(n, 'line')})" for name, n in records.files])
    lines: list[RenderableType] = [Text(f"Read {read}. No errors.")]
    if records.doubts.empty:
        lines.append(Text("Nothing looks odd."))
    else:
        doubts = wording.counted(len(records.doubts), "query", "queries")
        lines.append(Text(f"{doubts}: odd, but used as written. Fix any that are wrong."))
        lines.append(_table(records.doubts))
    out.print(Group(*lines))


def _table(problems: pd.DataFrame) -> Table:
    """As a reader finds them: by file and line, without the places a program goes by."""
    from rich.table import Table

    from trialkit.wording import missing

    frame = problems.drop(columns=["table", "row"]).rename(
        columns={"doubt": "query", "accepted": "write"})
    table = Table(show_edge=False, pad_edge=False)
    for column in frame.columns:
        table.add_column(str(column), overflow="fold")
    for row in frame.itertuples(index=False):
        table.add_row(*(Text("" if missing(cell) else str(cell)) for cell in row))
    return table
