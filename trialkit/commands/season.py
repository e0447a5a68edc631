"""The command `season`: several gardens or years, one answer.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.report import progress, show
from trialkit.commands.terminal import Exit, day, stop


def season(
    folders: Annotated[
        list[Path],
        typer.Argument(help="Trial folders, or folders of trials.", metavar="FOLDER"),
    ],
    to: Annotated[
        Path | None,
        typer.Option("--out", help="The HTML file to write. Else season.html, in this folder."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(help="As of that day (20 Jul 2025): leave out what was recorded later."),
    ] = None,
    trait: Annotated[
        str | None,
        typer.Option(help="What to compare: yield, within reach, early, or a trait of your own. "
                          "Else what the trials' question asks."),
    ] = None,
    cluster: Annotated[
        str, typer.Option(help="A running Dask scheduler, such as tcp://10.0.0.5:8786.")
    ] = "",
    open_: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Put several gardens or years together: which variety to grow, here and elsewhere.

    One row of each variety in a garden is enough to take part: each such garden counts as a
    block. A folder that cannot be used is left out, and the report says why.
    """
    from trialkit.club.site import trial_folders
    from trialkit.engine.publish import ReportStopped, not_written, publish_season, season_folders
    from trialkit.reading.spelling import plain

    missing = [folder for folder in folders if not folder.is_dir()]
    if missing:
        stop(Exit.NO_TRIAL, "\n".join(f"There is no folder {folder}." for folder in missing))
    trials = trial_folders(folders)
    as_of = day(until, *trials)
    name = "-".join(["season", *([plain(trait)] if trait else []),
                     *([f"as-of-{as_of}"] if as_of else [])]) + ".html"
    target = Path(name) if to is None else to / name if to.is_dir() or not to.suffix else to
    if to is None and target.exists() and season_folders(target) != [
        str(trial.resolve()) for trial in trials
    ]:
        stop(Exit.NOT_WRITTEN, f"{target} is there already, and not of these trials; it stays as "
                               "it is. Name another file with --out, or that one to write over it.")
    try:
        with progress("Putting the gardens together") as on_progress:
            made = publish_season(
                trials, target, as_of, cluster, on_progress, trait=trait or ""
            )
    except ReportStopped as stopped:
        stop(Exit.RECORDS if stopped.by_records else Exit.STOPPED, stopped.told)
    except OSError as error:
        stop(Exit.NOT_WRITTEN, not_written(error, target))
    show(made, open_)
