"""The command line: the commands' names, their examples, and the functions behind them."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.commands import many_gardens, planting, records, report, tasting
from trialkit.commands.terminal import CODES, Exit, example, say

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
)(report.handout)
app.command(epilog=example("trialkit check my-beans"))(records.check)
app.command(
    epilog=example("trialkit new my-beans", "trialkit new beans-2027 --from beans-2026")
)(planting.new)
app.command(epilog=example("trialkit phone my-beans", "trialkit phone my-beans --blind"))(
    records.phone
)
app.command(epilog=example("trialkit add my-beans pick.csv", "trialkit add my-beans *.csv"))(
    records.add
)
app.command(epilog=example("trialkit tasting my-beans --tasters 12",
                           "trialkit tasting my-beans --tasters 18 --each 5",
                           "trialkit tasting my-beans"))(tasting.tasting)
app.command(epilog=example("trialkit triangle 9 15"))(tasting.triangle)
app.command(epilog=example("trialkit undo my-beans"))(records.undo)
app.command(
    epilog=example(
        "trialkit correct my-beans 2025-07-14 R1-03 count 4",
        'trialkit correct my-beans 2025-07-14 R1-03 height "5 ft 6"',
        'trialkit correct my-beans 2025-07-14 R1-03 lost "pulled out"',
        'trialkit correct my-beans 2025-07-14 "plot 2B" count 31',
    )
)(records.correct)
# Names these commands had before; scripts may use them still.
app.command("settle", hidden=True)(records.correct)
app.command("gather", hidden=True)(many_gardens.export)
app.command(epilog=example("trialkit lab my-beans", "trialkit lab my-beans -- --port 9000"))(
    report.lab
)
app.command(
    epilog=example(
        "trialkit plan my-beans --blocks 4 --plants 4",
        'trialkit plan my-beans -v "First variety" -v "Second variety" --blocks 4 --plants 4',
        'trialkit plan my-beans -v A -v B -v C --sun "shade from the west" --aisle 60 --room 12x6',
    )
)(planting.plan)
app.command(epilog=example("trialkit paper my-beans", "trialkit paper my-beans --paper Letter"))(
    planting.paper
)

app.command(
    epilog=example(
        "trialkit season my-beans my-neighbours-beans",
        "trialkit season trials --out season-2025.html --open",
    )
)(many_gardens.season)
app.command(
    epilog=example(
        "trialkit export trials --out exported-2025",
        "trialkit season exported-2025",
    )
)(many_gardens.export)
app.command(
    epilog=example(
        "trialkit club my-beans my-neighbours-beans --out club",
        "trialkit club trials/* --out club --names --places",
    )
)(many_gardens.club)


if __name__ == "__main__":
    app()
