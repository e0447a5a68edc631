"""The commands.  Each one reads its arguments, calls one function of the package, and prints.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands import club, export, handout, new, plan, record, report, season, tasting
from trialkit.commands.terminal import (
    CODES,
    Exit,
    Folder,
    command,
    err,
    example,
    out,
    say,
    stop,
    the_trial,
)

__all__ = ["Exit", "app"]

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


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        say(f"trialkit {version('trialkit')}")
        raise typer.Exit


@app.callback()
def trialkit(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which it is.")
    ] = False,
) -> None:
    """Side-by-side variety trials: records of single plants in, an honest answer out."""


@app.command("help", epilog=example("trialkit help", "trialkit help report"))
def help_(
    name: Annotated[
        str, typer.Argument(help="A command; else all of them are listed.", metavar="[COMMAND]")
    ] = "",
) -> None:
    """List the commands, or tell what one of them does and its options."""
    app([name, "--help"] if name else ["--help"], prog_name="trialkit")


app.command(epilog=example("trialkit demo", "trialkit demo --folder try-it --open"))(
    report.demo
)
app.command(
    epilog=example(
        "trialkit report my-beans",
        "trialkit report my-beans --until 2025-07-20",
        "trialkit report my-beans --out beans.html --open",
    )
)(report.report)
app.command(epilog=example("trialkit watch my-beans", "trialkit watch my-beans --open"))(
    report.watch
)
app.command(
    epilog=example(
        "trialkit handout my-beans",
        "trialkit handout my-beans --paper Letter --address https://example.org/beans.html",
    )
)(handout.handout)


@app.command(epilog=example("trialkit check my-beans"))
def check(folder: Folder) -> None:
    """Read the records and list every error and every doubt, all at once."""
    from trialkit.commands.check import check_records

    result = check_records(the_trial(folder))
    (out if result.sound else err).print(result.text)
    raise typer.Exit(Exit.DONE if result.sound else Exit.RECORDS)


app.command(
    epilog=example("trialkit new my-beans", "trialkit new beans-2027 --from beans-2026")
)(new.new)


@app.command(epilog=example("trialkit phone my-beans", "trialkit phone my-beans --blind"))
def phone(
    folder: Folder,
    to: Annotated[
        Path | None, typer.Option("--out", help="The HTML file to write. Else FOLDER/phone.html.")
    ] = None,
    blind: plan.BlindAgain = None,
) -> None:
    """Make the page to record a pick with on a phone: one file, no network needed."""
    from trialkit.design.planfolder import is_blind
    from trialkit.recording.phone import write_phone_page
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


app.command(epilog=example("trialkit add my-beans pick.csv", "trialkit add my-beans *.csv"))(
    record.add
)
app.command(epilog=example("trialkit tasting my-beans --tasters 12",
                           "trialkit tasting my-beans --tasters 18 --each 5",
                           "trialkit tasting my-beans"))(tasting.tasting)
app.command(epilog=example("trialkit triangle 9 15"))(tasting.triangle)
app.command(epilog=example("trialkit undo my-beans"))(record.undo)
app.command(
    epilog=example(
        "trialkit correct my-beans 2025-07-14 R1-03 count 4",
        'trialkit correct my-beans 2025-07-14 R1-03 height "5 ft 6"',
        'trialkit correct my-beans 2025-07-14 R1-03 lost "pulled out"',
        'trialkit correct my-beans 2025-07-14 "plot 2B" count 31',
    )
)(record.correct)
# Names these commands had before; scripts may use them still.
app.command("settle", hidden=True)(record.correct)
app.command("gather", hidden=True)(export.export)


@app.command(epilog=example("trialkit lab my-beans", "trialkit lab my-beans -- --port 9000"))
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


app.command(
    epilog=example(
        "trialkit plan my-beans --blocks 4 --plants 4",
        'trialkit plan my-beans -v "First variety" -v "Second variety" --blocks 4 --plants 4',
        'trialkit plan my-beans -v A -v B -v C --sun "shade from the west" --aisle 60 --room 12x6',
    )
)(plan.plan)
app.command(epilog=example("trialkit paper my-beans", "trialkit paper my-beans --paper Letter"))(
    plan.paper
)

app.command(
    epilog=example(
        "trialkit season my-beans my-neighbours-beans",
        "trialkit season trials --out season-2025.html --open",
    )
)(season.season)
app.command(
    epilog=example(
        "trialkit export trials --out exported-2025",
        "trialkit season exported-2025",
    )
)(export.export)
app.command(
    epilog=example(
        "trialkit club my-beans my-neighbours-beans --out club",
        "trialkit club trials/* --out club --names --places",
    )
)(club.club)


if __name__ == "__main__":
    app()
