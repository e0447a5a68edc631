"""Before planting: the commands `new`, `plan` and `paper`.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.terminal import Exit, Folder, command, say, stop, the_trial


def new(
    folder: Annotated[
        Path, typer.Argument(help="The new trial's folder, which is made.", metavar="FOLDER")
    ],
    earlier: Annotated[
        list[Path] | None,
        typer.Option("--from", help="An earlier trial to carry over from; may be given again.",
                     metavar="OLD"),
    ] = None,
) -> None:
    """Begin a trial: a folder with a trial.toml and empty tables to fill in.

    With --from the new trial keeps the check and the settings of the earlier one, lists its
    varieties with the reason each might stay or go, and keeps what it taught of how much plots,
    plants and picks differ, for the question how many blocks the next trial needs.
    """
    from trialkit.records.start import start_trial

    try:
        made = _carried(folder, earlier) if earlier else start_trial(folder)
    except FileExistsError:
        stop(Exit.NOT_WRITTEN, f"{folder} holds a trial already; nothing was changed.")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
    say(f"Began a trial in {folder}:")
    for path in made:
        say(f"  {path.name}")
    if earlier:
        say("Delete the varieties that go from trial.toml, and write the day of planting there.")
    else:
        say("Describe it in trial.toml: the varieties, the day of planting, what you count.")
    learned = any(path.name == "spread.toml" for path in made)
    seen = ", and say what it can show by what was learned" if learned else ""
    say(f"Then have the bed laid out at random for you{seen}: {command('plan', folder)}")
    say(f"Or list the plants in plants.csv yourself, then: {command('check', folder)}")


def _carried(folder: Path, earlier: Sequence[Path]) -> Sequence[Path]:
    """Carry over, and say what was learned and proposed."""
    from trialkit.gardens.carryover import carry_over
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    try:
        done = carry_over(folder, [the_trial(path) for path in earlier])
    except (RecordsError, TrialProblems) as problems:
        stop(Exit.RECORDS, str(problems))
    except ValueError as error:
        stop(Exit.USAGE, str(error))
    say("Spreads learned, as standard deviations with 95 % limits:")
    for line in done.told:
        say(f"  {line}")
    say("Varieties, for you to decide:")
    for proposal in done.proposals:
        verdict = "stays" if proposal.keep else "might go"
        say(f"  {proposal.variety} {verdict}: {'; '.join(proposal.reasons)}")
    return done.made


LAYOUTS = "random, blocks, latin, row-column, incomplete or split"

_Sheet = Annotated[str, typer.Option("--paper", help="Paper to print on: A4 or Letter.")]
_Blind = Annotated[
    bool,
    typer.Option(
        "--blind",
        help="No variety names on map, labels and sheets, so you can't play favourites; a key "
             "apart, in FOLDER/key.",
    ),
]
BlindAgain = Annotated[
    bool | None,
    typer.Option("--blind/--names", show_default=False,
                 help="Without variety names, or with them. Else without where FOLDER/key has a "
                      "key."),
]
_Days = Annotated[
    int | None,
    typer.Option(min=1, help="Picking days side by side on a sheet; 1: large boxes. Else as many "
                             "as fit."),
]
_Baskets = Annotated[
    bool, typer.Option("--baskets", help="A line a plot, for plots picked into one basket each.")
]
_Once = Annotated[
    bool | None,
    typer.Option("--once/--often", help="Dug or cut once: a sheet for that day in place of pick "
                                        "sheets. Else as trial.toml says.", show_default=False),
]
_Label = Annotated[
    str, typer.Option("--label", help="Stake label, wide x tall: 60x25 in mm, or 2.5x1 in.")
]
_Weigh = Annotated[bool, typer.Option(help="A box for the weight beside that for the count.")]


def plan(
    folder: Annotated[
        Path,
        typer.Argument(help="The trial's folder: a new one, or one that trialkit new started.",
                       metavar="FOLDER"),
    ],
    variety: Annotated[
        list[str] | None,
        typer.Option("--variety", "-v", help="A variety; once for each. First: the check."),
    ] = None,
    title: Annotated[str, typer.Option(help="The trial's title.")] = "",
    crop: Annotated[str, typer.Option(help="The crop; else climbing bean.")] = "",
    garden: Annotated[str, typer.Option(help="The garden.")] = "",
    planted: Annotated[
        str, typer.Option(help="The day of planting: 2026-05-24, 24 May 2026.")
    ] = "",
    layout: Annotated[str, typer.Option(help=f"The layout: {LAYOUTS}; else blocks.")] = "",
    blocks: Annotated[int, typer.Option(help="Plots of each variety, one a block.")] = 4,
    plants: Annotated[
        int, typer.Option(help="Plants in a plot (in each part of a split one).")
    ] = 4,
    plot_rows: Annotated[int, typer.Option(help="Rows of plants in a plot.")] = 1,
    block_size: Annotated[int | None, typer.Option(help="Plots in an incomplete block.")] = None,
    grid: Annotated[
        str, typer.Option(help="Row-column layout: rows x columns of plots, 4x6.")
    ] = "",
    treatment: Annotated[
        list[str] | None, typer.Option(help="A treatment of a split plot; once for each.")
    ] = None,
    row_spacing: Annotated[
        str, typer.Option(help='Between rows: "3 ft", 90 (a bare number is cm); else 90 cm, or '
                               '3 ft where heights are in feet.')
    ] = "",
    plant_spacing: Annotated[
        str, typer.Option(help='Between plants in a row: "18 in", 45; else 45 cm, or '
                               '18 in.')
    ] = "",
    across: Annotated[int | None, typer.Option(help="Plots along a row of the bed.")] = None,
    room: Annotated[
        str, typer.Option(help='Room there is: along the rows x across them, 12x4 in m, or '
                               '"40 x 13 ft".')
    ] = "",
    aisle: Annotated[
        str, typer.Option(help='Aisle between blocks: "2 ft", 60 (a bare number is cm).')
    ] = "",
    guards: Annotated[str, typer.Option(help="Guard plants: none, ends or all round.")] = "ends",
    sun: Annotated[str, typer.Option(help="Where sun or shade comes from, in your words.")] = "",
    top: Annotated[str, typer.Option(help="Compass side at the top of the map.")] = "north",
    counted: Annotated[str, typer.Option(help="What a pick counts; else pods.")] = "",
    heights: Annotated[
        str, typer.Option(help="Unit of heights: cm, in, ft-in, ...; else cm, or feet where all "
                               "lengths here are in feet.")
    ] = "",
    weights: Annotated[str, typer.Option(help="Unit of weights: g, kg, oz, lb; else g.")] = "",
    reach: Annotated[str, typer.Option(help='How high you reach: "210 cm" or "7 ft".')] = "",
    looks: Annotated[
        int | None,
        typer.Option(min=1, help="How often you mean to look at the result, usually once a pick."),
    ] = None,
    picks: Annotated[
        int | None,
        typer.Option(min=1, help="How many rounds of picking you expect; else as many as looks."),
    ] = None,
    learned: Annotated[
        Path | None,
        typer.Option(help="Spreads that trialkit new --from learned: its folder or spread.toml. "
                          "Else the spread.toml in FOLDER, where there is one."),
    ] = None,
    seed: Annotated[int | None, typer.Option(help="The same seed draws the same bed.")] = None,
    neighbours: Annotated[
        bool, typer.Option(help="Even out which varieties are neighbours.")
    ] = True,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what the bed can show, and write nothing.")
    ] = False,
    paper_name: _Sheet = "A4",
    label: _Label = "60x25",
    weigh: _Weigh = True,
    days: _Days = None,
    baskets: _Baskets = False,
    once: _Once = None,
    blind: _Blind = False,
) -> None:
    """Lay out a trial at random: records folder, bed map, stake labels and record sheets.

    Where FOLDER has a trial.toml that you filled in, the varieties and all
    else it says are taken from it, and it stays as you wrote it. Options add
    what it leaves open; where an option and the file disagree, you see both and
    nothing is written.
    """
    from trialkit.design.labels import LabelSize, labels_on
    from trialkit.design.paper import paper as sheet_named
    from trialkit.design.planfolder import Printing, check_vacant, is_described, tidy
    from trialkit.report import planning, planpower
    from trialkit.report.opentrial import CellStop, RecordsCellStop

    try:
        sheet = sheet_named(paper_name)
        size = LabelSize(*planning.label_mm(label))
        labels_on(sheet, size)
        how = Printing(size, weigh, blind, days, baskets, once)
        space = planning.room_cm(room) if room else None
        if not dry_run:
            tidy(folder)
            check_vacant(folder, is_described(folder))
        lengths = (reach, row_spacing, plant_spacing, aisle, room)
        if not heights and not is_described(folder) and planning.says_feet(*lengths):
            heights = "ft"
        spread = planpower.spread(learned or "", folder)
        made = planning.lay_out(
            folder=folder,
            varieties=variety or (),
            layout=layout,
            title=title,
            crop=crop,
            garden=garden,
            planted=planted,
            counted=counted,
            height_unit=heights,
            weight_unit=weights,
            reach=reach,
            looks=looks,
            blocks=blocks,
            plants=plants,
            plot_rows=plot_rows,
            block_size=block_size,
            grid=_whole(grid) if grid else None,
            treatments=treatment or None,
            across=across,
            room_cm=space,
            row_spacing_cm=planning.spacing_cm(row_spacing, "row spacing"),
            plant_spacing_cm=planning.spacing_cm(plant_spacing, "plant spacing"),
            aisle_cm=planning.spacing_cm(aisle, "aisle", least=0.0),
            guards=guards,
            sun=sun,
            top=top,
            seed=seed,
            improve_neighbours=neighbours,
        )
    except FileExistsError as error:
        stop(Exit.NOT_WRITTEN, f"{error}; nothing was changed.")
    except RecordsCellStop as problems:
        stop(Exit.RECORDS, str(problems))
    except (CellStop, ValueError, OSError) as error:
        stop(Exit.USAGE, str(error))
    if dry_run:
        for text in planning.size_words(made.planting):
            say(text)
        say(planpower.reach_words(made.planting, picks, spread, made.about.looks))
        say("Nothing was written. Leave out --dry-run to write the trial.")
        return
    try:
        done = planning.written(made, folder, sheet.name, how)
    except FileExistsError as error:
        stop(Exit.NOT_WRITTEN, f"{error}; nothing was changed.")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
    for text in planning.size_words(made.planting):
        say(text)
    say(planpower.reach_words(made.planting, picks, spread, made.about.looks))
    say(done.files)
    _list(done.paper)
    for note in done.notes:
        say(note)
    _list(done.to_add)
    say("Plant by the map and write down what you pick. To check the records at any time: "
        f"{command('check', folder)}")


def paper(
    folder: Folder,
    paper_name: _Sheet = "A4",
    label: _Label = "60x25",
    weigh: _Weigh = True,
    days: _Days = None,
    baskets: _Baskets = False,
    once: _Once = None,
    blind: BlindAgain = None,
) -> None:
    """Print a trial's bed map, stake labels and record sheets again, from today's records."""
    from trialkit.design.labels import LabelSize
    from trialkit.design.paper import paper as sheet_named
    from trialkit.design.planfolder import Printing, bed_of_records, is_blind, print_paper
    from trialkit.records import RecordsError, read_records
    from trialkit.report.planning import label_mm
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    try:
        bed = bed_of_records(read_records(folder))
        if bed.plants.empty:
            stop(Exit.RECORDS, f"{folder} lists no plants in plants.csv yet.")
        sheet = sheet_named(paper_name)
        size = LabelSize(*label_mm(label))
        blind = is_blind(folder) if blind is None else blind
        how = Printing(size, weigh, blind, days, baskets, once)
        printed = print_paper(bed, folder / "paper", sheet, how)
    except (RecordsError, TrialProblems) as problem:
        stop(Exit.RECORDS, str(problem))
    except ValueError as error:
        stop(Exit.USAGE, str(error))
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
    _list(f"{path.parent.name}/{path.name}: {what}" for path, what in printed)


def _pair(text: str, what: str) -> tuple[float, float]:
    try:
        first, other = (float(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError:
        raise ValueError(
            f"The {what} {text!r} is not two figures with an x, such as 60x25."
        ) from None
    return first, other


def _whole(text: str) -> tuple[int, int]:
    first, other = _pair(text, "grid")
    return int(first), int(other)


def _list(lines: Iterable[str]) -> None:
    for line in lines:
        say(f"  {line}")
