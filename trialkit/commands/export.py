"""The command `export`: the records of many trials as Parquet tables.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.report import progress
from trialkit.commands.terminal import Exit, day, err, say, stop


def export(
    folders: Annotated[
        list[Path],
        typer.Argument(help="Trial folders, or folders of trials.", metavar="FOLDER"),
    ],
    to: Annotated[
        Path, typer.Option("--out", help="The folder of Parquet files to write.", metavar="FOLDER")
    ] = Path("exported"),
    until: Annotated[
        str | None,
        typer.Option(help="As of that day (20 Jul 2025): leave out what was recorded later."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(help="A running Dask scheduler, such as tcp://10.0.0.5:8786.")
    ] = None,
) -> None:
    """Write the records of many trials as Parquet, a table a file, for other programs too.

    `trialkit season` takes the folder it writes in place of the trials' own. The trials stay as
    they are. Names, places and notes are in it as recorded: look before you pass it on.
    """
    from trialkit.club.site import trial_folders
    from trialkit.gardens.gathered import GatheredProblem
    from trialkit.gardens.gathered import gather as gather_records
    from trialkit.gardens.workers import ClusterProblem

    trials = trial_folders(folders)
    try:
        with progress("Reading the records") as on_progress:
            done = gather_records(
                trials, to, day(until, *trials), cluster=cluster, progress=on_progress
            )
    except ClusterProblem as problem:
        stop(Exit.NOT_WRITTEN, str(problem))
    except GatheredProblem as problem:
        stop(Exit.RECORDS, str(problem))
    except FileExistsError as refusal:
        stop(Exit.NOT_WRITTEN, f"{refusal} Name another folder with --out.")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {to}: {error}")
    for failure in done.failed:
        err.print(f"{failure.folder}: {failure.reason}\n", markup=False)
    say(f"{done.trials - len(done.failed)} written, {len(done.failed)} could not be read.")
    say(f"Parquet files: {to}")
    say(f"All of them together: trialkit season {to}")
    if done.failed:
        raise typer.Exit(Exit.RECORDS)
