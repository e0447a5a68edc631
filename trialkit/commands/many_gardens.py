"""Several gardens or years: the commands `season`, `export` and `club`.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.report import progress, show
from trialkit.commands.terminal import (
    Cluster,
    Exit,
    Folders,
    Open,
    Until,
    day,
    err,
    say,
    stop,
)


def season(
    folders: Folders,
    to: Annotated[
        Path | None,
        typer.Option("--out", help="The HTML file to write. Else season.html, in this folder."),
    ] = None,
    until: Until = None,
    trait: Annotated[
        str | None,
        typer.Option(help="What to compare: yield, within reach, early, or a trait of your own. "
                          "Else what the trials' question asks."),
    ] = None,
    cluster: Cluster = None,
    open_: Open = False,
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
                trials, target, as_of, cluster or "", on_progress, trait=trait or ""
            )
    except ReportStopped as stopped:
        stop(Exit.RECORDS if stopped.by_records else Exit.STOPPED, stopped.told)
    except OSError as error:
        stop(Exit.NOT_WRITTEN, not_written(error, target))
    show(made, open_)


def export(
    folders: Folders,
    to: Annotated[
        Path, typer.Option("--out", help="The folder of Parquet files to write.", metavar="FOLDER")
    ] = Path("exported"),
    until: Until = None,
    cluster: Cluster = None,
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


def club(
    folders: Folders,
    site: Annotated[
        Path, typer.Option("--out", help="The folder of the pages.", metavar="SITE")
    ] = Path("club"),
    title: Annotated[
        str, typer.Option(help="The title of the pages.")
    ] = "Side-by-side variety trials",
    names: Annotated[
        bool,
        typer.Option("--names", help="Show the trials' titles and what plants and plots are "
                     "called."),
    ] = False,
    places: Annotated[
        bool, typer.Option("--places", help="Show what the gardens are called, and what shades "
                           "them.")
    ] = False,
    notes: Annotated[
        bool,
        typer.Option("--notes", help="Show notes, sources, why plants were lost, odd records."),
    ] = False,
    findable: Annotated[
        bool, typer.Option("--findable", help="Search engines may list the pages.")
    ] = False,
    address: Annotated[
        str, typer.Option(help="Where on the web the pages will be, for the feed and for previews "
                          "in chats.")
    ] = "",
    cluster: Cluster = None,
) -> None:
    """Write the pages of several trials: answers, pictures, reports, a table and a feed.

    A folder of plain files for a phone, a memory stick or any web host. Gardens get numbers:
    names, places and notes are left out unless you ask for them. Varieties, crops, treatments,
    dates and results are always shown.

    Run it again after a pick: only trials whose records changed are updated. One whose records
    have errors keeps its last good report.
    """
    from trialkit.club.site import Look, NotAClub, Showing, Wanted, make_club
    from trialkit.commands.report import progress
    from trialkit.gardens.workers import ClusterProblem

    wanted = Wanted(
        Showing(names, places, notes), Look(title, findable, _checked(address)), cluster
    )
    try:
        with progress("Working out the reports") as bar:
            done = make_club(folders, site, wanted, bar)
    except NotAClub as refusal:
        stop(Exit.NOT_WRITTEN, str(refusal))
    except (ClusterProblem, TimeoutError) as problem:
        stop(Exit.NOT_WRITTEN, str(problem))
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {site}: {error}")
    for folder, why in done.failed:
        err.print(f"{folder}:", markup=False)
        err.print(f"{why}\n", markup=False)
    if done.index is None:
        stop(Exit.RECORDS, "No trial gave a report, so no page was written.")
    say(f"{len(done.made)} updated, {len(done.unchanged)} unchanged, {len(done.failed)} failed.")
    say(f"Pages: {done.index}")
    if not (names and places and notes):
        left_out = [word for word, shown in
                    (("names", names), ("places", places), ("notes", notes)) if not shown]
        say(f"Left out: {', '.join(left_out)}. Look the pages over before you share them.")
    if done.failed:
        raise typer.Exit(Exit.RECORDS)


def _checked(address: str) -> str:
    from urllib.parse import urlsplit

    parts = urlsplit(address)
    if address and (parts.scheme not in ("http", "https") or not parts.netloc):
        raise typer.BadParameter(f"{address!r} is not an address such as https://example.org/club/")
    return address if not address or address.endswith("/") else address + "/"
