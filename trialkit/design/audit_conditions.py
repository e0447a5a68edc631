"""Checks of the conditions of a comparison: order, edges, losses, what was taken for granted."""

from __future__ import annotations

import pandas as pd

from trialkit.design.audit_findings import CAREFUL, NOTE, Finding
from trialkit.design.audit_units import Units
from trialkit.design.setting import at_edge
from trialkit.wording import counted, few

UNEVEN_EDGE = 0.5
"""Difference in the share of plants at an edge that is worth a word. Own choice."""

UNEVEN_LOSS = 0.25
"""Difference in the share of plants lost that is worth a word. Own choice."""


def places(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Same order in every block, and plants at the edge of the bed."""
    found = []
    frame = units.frame
    if units.placed and units.blocks_used and frame["block"].nunique() > 1:
        orders = {
            tuple(part.sort_values(["row", "column"])["variety"])
            for _, part in frame.groupby("block")
        }
        if len(orders) == 1 and frame["variety"].nunique() > 1:
            found.append(
                Finding(
                    "same-order",
                    CAREFUL,
                    "Varieties stand in the same order in every block.",
                    "Every block has the varieties in the same order, so each has the same "
                    "neighbours and the same end of the bed every time. A slope in soil or shade "
                    "along the block goes straight into the comparison.",
                    "Draw a fresh order by lot for each block.",
                )
            )
    share = edge_share(plants) if units.placed else None
    if share is not None and len(share) > 1 and share.max() - share.min() >= UNEVEN_EDGE:
        most, least = str(share.idxmax()), str(share.idxmin())
        found.append(
            Finding(
                "edge",
                NOTE,  # whether it did anything is for the test of the place to say
                f"{most} stands at the edge of the bed more than {least}.",
                f"{100 * share.max():.0f} % of the plants of {most} stand at the edge of the bed, "
                f"{100 * share.min():.0f} % of {least}. Edge plants get more light and room, or "
                "more wind and drought. Whether it made a difference here is tested on the plots.",
                "Plant a guard row round the bed, or let every variety have its share of edge.",
            )
        )
    return found


def balance(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Unequal repetition, lost plants, plots with nothing left."""
    found = []
    per = units.frame.groupby("variety", sort=False).size()
    if per.max() > per.min() >= 1 and (per > 1).any():
        most, least = str(per.idxmax()), str(per.idxmin())
        found.append(
            Finding(
                "uneven",
                NOTE,
                f"Not all varieties have as many plots: {most} {per.max()}, {least} {per.min()}.",
                f"Plots a variety go from {per.min()} ({least}) to {per.max()} ({most}). "
                "Comparisons with the fewer are less sure; the intervals show it.",
            )
        )
    if "lost" not in plants or not plants["lost"].notna().any():
        return found
    gone = plants["lost"].notna()
    share = gone.groupby(plants["variety"]).mean()
    wiped = [str(v) for v, s in share.items() if s == 1.0]
    if wiped:
        found.append(
            Finding(
                "wiped-out",
                CAREFUL,
                f"{few(wiped, 6)}: every plant was lost.",
                f"Every plant of {few(wiped, 6)} was lost. Its yield a living plant ends with the "
                "last of them; its yield a metre of row counts the losses.",
            )
        )
    if share.max() - share.min() >= UNEVEN_LOSS and not wiped:
        found.append(
            Finding(
                "losses-differ",
                CAREFUL,
                f"{share.idxmax()} lost {100 * share.max():.0f} % of its plants, "
                f"{share.idxmin()} {100 * share.min():.0f} %.",
                "Where many plants are lost the rest have more room and yield more each. Look at "
                "the yield a metre of row next to the yield a living plant.",
            )
        )
    owner = plants["plant"].map(units.of)
    empty = gone.groupby(owner).all()
    if empty.any() and not wiped:
        number = int(empty.sum())
        found.append(
            Finding(
                "empty-plots",
                NOTE,
                f"{counted(number, 'plot')} lost every plant.",
                f"{counted(number, 'plot')} lost every plant and counts up to that day only.",
            )
        )
    return found


def assumptions(units: Units) -> list[Finding]:
    """What was taken for granted about plots, so that the grower can object."""
    found = []
    if units.basis == "blocks":
        found.append(
            Finding(
                "plot-assumed",
                NOTE,
                "Plants of one variety in one block are taken as one plot.",
                "No plot or position is recorded, so plants of one variety in a block are taken "
                "to have stood together and count as one plot. If they were mixed plant by plant, "
                "fill in row and column: the comparison then gets sharper.",
            )
            if not units.factorial_lines
            else Finding(
                "plot-assumed",
                NOTE,
                "Each variety under each treatment in one block is taken as one plot.",
                "No plot or position is recorded; there is one line for each variety and treatment "
                "in each block, and each is taken as a plot drawn by lot. If treatments were given "
                'to parts of a plot, write design = "split plot" in trial.toml: varieties are then '
                "compared between whole plots.",
            )
        )
    if units.plot_is_block:
        found.append(
            Finding(
                "plots-are-blocks",
                NOTE,
                "Each plot holds several varieties, so the plots are taken as blocks.",
                "A plot is a patch of one variety. What is called plot in plants.csv holds several "
                "and is taken as a block.",
            )
        )
    elif units.mixed:
        found.append(
            Finding(
                "mixed-plot",
                CAREFUL,
                f"Plot {few(list(units.mixed), 6)} holds more than one variety.",
                f"Plot {few(list(units.mixed), 6)} holds more than one variety; each variety in it "
                "is counted as a plot of its own. Check the plot names.",
            )
        )
    if units.block_is_plot:
        found.append(
            Finding(
                "blocks-are-plots",
                NOTE,
                "Each block holds one variety, so the blocks are taken as plots.",
                "A block should hold several varieties side by side. Here each has one, so what is "
                "called block is a plot, and there are no blocks.",
            )
        )
    if units.unit == "plant" and units.placed:
        found.append(
            Finding(
                "plants-are-plots",
                NOTE,
                "Varieties alternate line by line in plants.csv: each line is a plot of its own.",
                "Each line of plants.csv, whether it is one plant or a plot of several, stands by "
                "itself among other varieties. It is taken as placed on its own, and the "
                "comparison rests on differences between lines. That holds if places were drawn "
                "by lot.",
            )
        )
    return found


def edge_share(plants: pd.DataFrame) -> pd.Series:
    """Share of each variety's plants at the edge: ends of rows, and outer rows of three or more."""
    return at_edge(plants).groupby(plants["variety"].to_numpy()).mean()
