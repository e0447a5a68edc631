"""From a trial's records to what is read: the commands `demo`, `report`, `watch`, `handout` and
`lab`.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from rich.text import Text

from trialkit.commands.terminal import (
    Exit,
    Folder,
    Open,
    Until,
    command,
    err,
    out,
    say,
    stop,
    the_trial,
    until_day,
)

if TYPE_CHECKING:
    from trialkit.engine.publish import Published
    from trialkit.engine.run import Progress


def demo(
    folder: Annotated[
        Path, typer.Option(help="Where to put the copy of the demo trial.")
    ] = Path("trialkit-demo"),
    open_: Open = False,
) -> None:
    """Copy the invented demo trial, report on it, and say where to find the report.

    A copy made earlier is reported on again as it is, with whatever you changed in it.
    """
    from trialkit import shipped

    if not (folder / "trial.toml").is_file():
        try:
            shipped.copy_trial(shipped.demo(), folder)
        except FileExistsError:
            stop(Exit.NOT_WRITTEN, f"{folder} holds other files already; name another --folder.")
        except OSError as error:
            stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
        out.print(Text(f"Copied the demo trial (invented) to {folder}"))
    show(_publish(folder, None, None), open_)


def report(
    folder: Folder,
    to: Annotated[
        Path | None,
        typer.Option("--out", help="The HTML file to write. Else FOLDER/report/FOLDER.html."),
    ] = None,
    until: Until = None,
    open_: Open = False,
    full: Annotated[
        bool, typer.Option("--full", help="With the method unfolded, to print it too.")
    ] = False,
    live: Annotated[
        bool, typer.Option("--live", help="Open in a browser, the page reloads itself when you "
                           "report again.")
    ] = False,
    handout: Annotated[
        Literal["A4", "Letter"] | None,
        typer.Option(help="Make a sheet to pin up, of that size, and pictures for a chat too.")
    ] = None,
    address: Annotated[
        str, typer.Option(help="With --handout: where to find the report on the web, printed as a "
                          "code to scan.")
    ] = "",
) -> None:
    """Report on a trial: one HTML file to read, print or pass on."""

    trial = the_trial(folder)
    on_the_web(address)
    if address and not handout:
        raise typer.BadParameter("--address is printed on the sheet. Add: --handout A4")
    made = _publish(trial, to, until_day(until, trial), full, live, handout or "", address)
    show(made, open_)


def watch(
    folder: Folder,
    open_: Annotated[
        bool, typer.Option("--open", help="Open the first report in the browser.")
    ] = False,
    live: Annotated[
        bool, typer.Option("--live", help="Open in a browser, latest.html reloads itself.")
    ] = False,
) -> None:
    """Report again whenever the records change, until you press Ctrl-C.

    Writes one report a pick, named after the day of the pick, and the newest as latest.html, both
    in FOLDER/report. While the records have errors the last good report stays as it is.
    """
    from trialkit.engine.publish import Published, latest
    from trialkit.engine.watch import watch as keep_watching

    first = open_

    def tell(outcome: Published | str) -> None:
        nonlocal first
        out.print(Text(f"\n{datetime.now():%H:%M:%S}", style="dim"))
        if isinstance(outcome, Published):
            show(outcome, first, newest if live else None)
            first = False
        else:
            err.print(Text(outcome))
            say("Still watching: it reports again once that is mended and saved.")

    folder = the_trial(folder)
    newest = latest(folder)
    say(f"Watching {folder}. The newest report is always {newest}. Stop with Ctrl-C.")
    try:
        keep_watching(folder, tell, progress, live)
    except KeyboardInterrupt:
        say("Stopped watching.")


def lab(
    folder: Folder,
    options: Annotated[
        list[str] | None, typer.Argument(help="Options of JupyterLab, after --.", metavar="MORE")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Open the numbered notebooks on this trial in JupyterLab (stop it with Ctrl-C).

    They are copied into FOLDER/notebooks, with a page of every formula and its source; what you
    change there stays as it is.
    """
    from trialkit.engine.lab import ALLOW_ROOT, needs_allowing, open_lab

    folder = the_trial(folder)
    if needs_allowing(options or ()):
        stop(Exit.USAGE, "JupyterLab does not start for the superuser (root) unless told to: what "
                         "runs in a notebook may then change anything on this machine.\n"
                         "Run it as another user, or, if you must:\n"
                         f"  {command('lab', folder)} -- {ALLOW_ROOT}")
    try:
        code = open_lab(folder, browser, options or ())
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the notebooks: {error}")
    raise typer.Exit(Exit.DONE if code == 0 else Exit.FAULT)


def handout(
    folder: Folder,
    to: Annotated[
        Path | None, typer.Option("--out", help="The folder to write to. Else FOLDER/handout.")
    ] = None,
    paper: Annotated[
        Literal["A4", "Letter"], typer.Option(help="The size of the sheet.")
    ] = "A4",
    address: Annotated[
        str, typer.Option(help="Where to find the report on the web, printed as a code to scan.")
    ] = "",
    until: Until = None,
) -> None:
    """Make a sheet to pin up (PDF) and two pictures for a chat (PNG), each with its words (TXT).

    `report --handout A4` makes them in the same run as the report.
    """
    from trialkit.engine.publish import write_handout
    from trialkit.records import RecordsError
    from trialkit.report import handout as sheets
    from trialkit.report.opentrial import CellStop, open_trial
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    day = until_day(until, folder)
    on_the_web(address)
    try:
        trial = open_trial(str(folder), day.isoformat() if day else "")
        files = sheets.files(trial, paper, address)
    except (CellStop, RecordsError, TrialProblems) as error:
        stop(Exit.RECORDS, str(error))
    try:
        for path in write_handout(folder, files, to):
            say(f"Wrote {path}")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the handout: {error}")


def on_the_web(address: str) -> None:
    """Raises BadParameter where an address is given that is none."""
    if address and not address.startswith(("https://", "http://")):
        raise typer.BadParameter(f"{address!r} is no web address. Write: https://...")


def _publish(
    folder: Path, to: Path | None, until: date | None, full: bool = False, live: bool = False,
    handout: str = "", address: str = "",
) -> Published:
    from trialkit.engine.publish import ReportStopped, destination, not_written, publish

    try:
        with progress() as on_progress:
            return publish(folder, to, until, on_progress, full, live, handout, address)
    except ReportStopped as stopped:
        stop(Exit.RECORDS if stopped.by_records else Exit.STOPPED, stopped.told)
    except OSError as error:
        stop(Exit.NOT_WRITTEN, not_written(error, destination(folder, to, until)))


@contextmanager
def progress(what: str = "Working out the report") -> Iterator[Progress]:
    """A bar on the terminal while the notebook runs; nothing where there is no terminal."""
    if not err.is_terminal:
        yield lambda done, total: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def show(published: Published, open_: bool, rather: Path | None = None) -> None:
    """Print the answer and where to find the report, and open it, or `rather`, if asked to."""
    answer, sure = (str(published.facts.get(name, "")) for name in ("answer", "sure"))
    if answer:
        out.print(Text(answer, style="bold"))
    if sure:
        say(sure)
    say(f"Report: {published.page}")
    for path in published.handout:
        say(f"Wrote {path}")
    if open_:
        typer.launch((rather or published.page).resolve().as_uri())
