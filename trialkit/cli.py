"""The commands.  Each one reads its arguments, calls one function of the package, and prints.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer
from rich.console import Console
from rich.text import Text

from trialkit.reporting import plancommand

if TYPE_CHECKING:
    from trialkit.reporting.publish import Published, ReportStopped
    from trialkit.reporting.run import Progress


class Exit(IntEnum):
    """What a command's exit code means."""

    DONE = 0
    FAULT = 1
    USAGE = 2
    RECORDS = 3
    NO_TRIAL = 4
    STOPPED = 5
    NOT_WRITTEN = 6


CODES = (
    "Exit codes: 0 done. 1 a fault in trialkit itself. 2 the command line is wrong. "
    "3 the records have errors, listed in a table. 4 there is no trial in that folder. "
    "5 the report stopped part way; the last good one is untouched. "
    "6 a file could not be written."
)

app = typer.Typer(
    name="trialkit",
    help="Side-by-side variety trials: records of single plants in, an honest answer out.",
    epilog=CODES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

Folder = Annotated[
    Path,
    typer.Argument(help="The trial's folder: the one with trial.toml in it.", metavar="FOLDER"),
]


def _example(*lines: str) -> str:
    return "\n\n".join(("[bold]Examples[/bold]", *(f"  {line}" for line in lines), CODES))


def _stop(code: Exit, message: str) -> NoReturn:
    err.print(Text(message.rstrip()))
    raise typer.Exit(code)


def _the_trial(folder: Path) -> Path:
    if not folder.is_dir():
        _stop(Exit.NO_TRIAL, f"There is no folder {folder}.")
    if not (folder / "trial.toml").is_file():
        _stop(
            Exit.NO_TRIAL,
            f"{folder} has no trial.toml, so it is not a trial yet.\n"
            f"Begin one with: trialkit new {folder}",
        )
    return folder


@app.command(
    epilog=_example("trialkit demo", "trialkit demo --folder try-it --open"),
)
def demo(
    folder: Annotated[
        Path, typer.Option(help="Where to put the copy of the demo trial.")
    ] = Path("trialkit-demo"),
    open_: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Copy the invented demo trial, report on it, and say where the report lies.

    A copy made earlier is reported on again as it is, with whatever you changed in it.
    """
    from trialkit.reporting import shipped

    if not (folder / "trial.toml").is_file():
        try:
            shipped.copy_trial(shipped.demo(), folder)
        except FileExistsError:
            _stop(Exit.NOT_WRITTEN, f"{folder} holds other files already; name another --folder.")
        except OSError as error:
            _stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
        out.print(Text(f"Copied the demo trial (invented) to {folder}"))
    _show(_publish(folder, None, None), open_)


@app.command(
    epilog=_example(
        "trialkit report my-beans",
        "trialkit report my-beans --until 2025-07-20",
        "trialkit report my-beans --out beans.html --open",
    ),
)
def report(
    folder: Folder,
    to: Annotated[
        Path | None,
        typer.Option("--out", help="The HTML file to write. Else FOLDER/report/FOLDER.html."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(help="As of that day (2025-07-20): leave out what was recorded later."),
    ] = None,
    open_: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Report on a trial: one HTML file to read, print or pass on."""
    _show(_publish(_the_trial(folder), to, plancommand.day(until, "2025-07-20")), open_)


@app.command(epilog=_example("trialkit check my-beans"))
def check(folder: Folder) -> None:
    """Read the records and list every error and every doubt, all at once."""
    from trialkit.reporting.checking import check_records

    result = check_records(_the_trial(folder))
    (out if result.sound else err).print(result.text)
    raise typer.Exit(Exit.DONE if result.sound else Exit.RECORDS)


@app.command(epilog=_example("trialkit new my-beans"))
def new(folder: Folder) -> None:
    """Begin a trial: a folder with a trial.toml and empty tables to fill in."""
    from trialkit.records.starter import start_trial

    try:
        made = start_trial(folder)
    except FileExistsError:
        _stop(Exit.NOT_WRITTEN, f"{folder} holds a trial already; nothing was changed.")
    except OSError as error:
        _stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
    out.print(Text(f"Began a trial in {folder}:"))
    for path in made:
        out.print(Text(f"  {path.name}"))
    out.print(Text(f"Describe it in trial.toml, list the plants, then: trialkit check {folder}"))


@app.command(epilog=_example("trialkit phone my-beans", "trialkit phone my-beans --out bed.html"))
def phone(
    folder: Folder,
    to: Annotated[
        Path | None, typer.Option("--out", help="The HTML file to write. Else FOLDER/phone.html.")
    ] = None,
) -> None:
    """Make the page to record a pick with on a phone: one file, no network needed."""
    from trialkit.recording.phone import write_phone_page
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    try:
        page = write_phone_page(_the_trial(folder), to)
    except (RecordsError, TrialProblems) as problems:
        _stop(Exit.RECORDS, str(problems))
    except OSError as error:
        _stop(Exit.NOT_WRITTEN, f"Could not write the page: {error}")
    out.print(Text(f"Phone page: {page}"))
    out.print(Text("Send it to the phone (cable, mail or message) and open it there in a browser."))
    out.print(Text(f"After the pick, bring the file it sends in: trialkit add {folder} FILE"))


@contextmanager
def _into_the_log() -> Iterator[None]:
    """Say what went wrong with the log in the package's own words; then nothing was changed."""
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    try:
        yield
    except (RecordsError, TrialProblems) as problems:
        _stop(Exit.RECORDS, str(problems))
    except TimeoutError:
        _stop(Exit.NOT_WRITTEN, "Another trialkit is writing to this trial; try again in a moment.")
    except OSError as error:
        _stop(Exit.NOT_WRITTEN, f"Could not write the log: {error}")


@app.command(epilog=_example("trialkit add my-beans pick.csv", "trialkit add my-beans *.csv"))
def add(
    folder: Folder,
    files: Annotated[
        list[Path],
        typer.Argument(help="Files from a phone, or spreadsheets of picks.", metavar="FILE..."),
    ],
) -> None:
    """Bring in records from phones and spreadsheets; the same file twice adds nothing."""
    from trialkit.records.add import add_files

    with _into_the_log():
        report = add_files(_the_trial(folder), files)
    out.print(Text(report.text))
    for doubt in report.doubts.itertuples():
        out.print(Text(f"Doubt: {doubt.file}, line {doubt.line}, {doubt.column}: {doubt.doubt}"))
    if report.added:
        out.print(Text(f"To take this back: trialkit undo {folder}"))


@app.command(epilog=_example("trialkit undo my-beans"))
def undo(folder: Folder) -> None:
    """Take back what was brought in last; the log keeps it."""
    from trialkit.records.add import undo_last

    with _into_the_log():
        report = undo_last(_the_trial(folder))
    out.print(Text(report.text))


@app.command(epilog=_example("trialkit lab my-beans", "trialkit lab my-beans -- --port 9000"))
def lab(
    folder: Folder,
    options: Annotated[
        list[str] | None, typer.Argument(help="Options of JupyterLab, after --.", metavar="OPTIONS")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Open the numbered notebooks on this trial in JupyterLab (stop it with Ctrl-C)."""
    from trialkit.reporting.lab import open_lab

    try:
        code = open_lab(_the_trial(folder), browser, options or ())
    except OSError as error:
        _stop(Exit.NOT_WRITTEN, f"Could not write the notebooks: {error}")
    raise typer.Exit(Exit.DONE if code == 0 else Exit.FAULT)


def _publish(folder: Path, to: Path | None, until: date | None) -> Published:
    from trialkit.reporting.publish import ReportStopped, publish

    try:
        with _progress() as on_progress:
            return publish(folder, to, until, on_progress)
    except ReportStopped as stopped:
        _tell(stopped)
    except OSError as error:
        _stop(Exit.NOT_WRITTEN, f"Could not write the report: {error}")


def _tell(stopped: ReportStopped) -> NoReturn:
    stop = stopped.stop
    records = stop.name == "RecordsCellStop"
    lines = [stop.message]
    if not stop.own:
        lines.insert(0, "The report stopped part way, by a fault in trialkit:")
    lines.append(f"The notebook as far as it got: {stopped.partial}")
    if stopped.last_good:
        lines.append(f"The report of an earlier run is untouched: {stopped.last_good}")
    _stop(Exit.RECORDS if records else Exit.STOPPED, "\n".join(lines))


@contextmanager
def _progress() -> Iterator[Progress]:
    """A bar on the terminal while the notebook runs; nothing where there is no terminal."""
    if not err.is_terminal:
        yield lambda done, total: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task("Working out the report", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _show(published: Published, open_: bool) -> None:
    answer = published.facts.get("answer", "")
    if answer:
        out.print(Text(answer, style="bold"))
    if published.facts.get("sure"):
        out.print(Text(published.facts["sure"]))
    out.print(Text(f"Report: {published.page}"))
    if open_:
        typer.launch(published.page.resolve().as_uri())


app.command(
    epilog=_example(
        'trialkit plan my-beans -v "First variety" -v "Second variety" --blocks 4 --plants 4',
        'trialkit plan my-beans -v A -v B -v C --sun "shade from the west" --aisle 60 --room 12x6',
    )
)(plancommand.plan)
app.command(epilog=_example("trialkit paper my-beans", "trialkit paper my-beans --paper Letter"))(
    plancommand.paper
)


if __name__ == "__main__":
    app()
