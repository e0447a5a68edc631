"""The command `club`: the pages of many trials, to share.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.terminal import Exit, err, say, stop


def club(
    folders: Annotated[
        list[Path],
        typer.Argument(help="Trial folders, or folders of trials.", metavar="FOLDER"),
    ],
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
    cluster: Annotated[
        str | None, typer.Option(help="A running Dask scheduler, such as tcp://10.0.0.5:8786.")
    ] = None,
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
    say(f"{len(done.made)} updated, {len(done.kept)} unchanged, {len(done.failed)} failed.")
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
