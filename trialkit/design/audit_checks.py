"""Checks of what can be compared at all: repetition, neighbours, places, aliasing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.design.audit_findings import CAREFUL, NOTE, STOP, Finding, counted, listed
from trialkit.design.audit_units import Units

FEW_DF = 4
"""Fewer residual degrees of freedom than this make an interval more than 1.6 times as wide as
with very many (t 0.975: 3.18 with 3, 1.96 in the end). Own choice."""


def replication(units: Units, plants: pd.DataFrame, df: int) -> list[Finding]:
    """Is any variety in more than one plot, and are there plots to spare for the error?"""
    per = units.frame.groupby("variety", sort=False).size()
    fix = next_year(plants, len(per))
    if (per == 1).all() and units.basis != "unknown":
        if units.unit == "row":
            return [
                Finding(
                    "one-row-a-variety",
                    STOP,
                    "Each variety stands in one row only, so variety and row are the same thing.",
                    "Each variety stands in one row only. If the rows differ in soil, water, light "
                    "or wind, that difference is in the result too, and nothing in the records can "
                    "separate it from the varieties, however many plants or picks there are. The "
                    "report describes what was picked and claims no winner.",
                    fix,
                )
            ]
        return [
            Finding(
                "one-plot-a-variety",
                STOP,
                "Each variety stands in one plot only, so variety and place are the same thing.",
                "Each variety stands together in one place. What the place does to the plants "
                "cannot be separated from what the variety does, however many plants are in it. "
                "The report describes what was picked and claims no winner.",
                fix,
            )
        ]
    found = []
    single = [str(v) for v, n in per.items() if n == 1]
    if single and units.basis != "unknown":
        found.append(
            Finding(
                "single-plot-variety",
                CAREFUL,
                f"{listed(single)}: one plot only.",
                f"{listed(single)} stood in one plot only. Chance differences between plots are "
                "judged from the other varieties; that holds only if plots of these differ alike.",
                "Give every variety at least two plots, better four.",
            )
        )
    if df < 1 and len(per) > 1 and units.basis != "unknown":
        found.append(
            Finding(
                "no-spare-plots",
                STOP,
                "There are no more plots than varieties and blocks use up.",
                "After varieties and blocks no plot is left over to show how much plots differ by "
                "chance, so a difference cannot be judged.",
                fix,
            )
        )
    elif df < FEW_DF and len(per) > 1 and units.basis != "unknown":
        found.append(
            Finding(
                "few-plots",
                CAREFUL,
                f"Very few plots: {counted(df, 'degree')} of freedom to judge chance by.",
                f"Chance differences between plots are judged from {counted(df, 'degree')} of "
                "freedom only. Intervals are honest but wide; more plots narrow them, more plants "
                "in a plot hardly do.",
                "One or two blocks more next year help more than anything else.",
            )
        )
    return found


def neighbours(units: Units, still: bool) -> list[Finding]:
    """Plots of one variety side by side, or plants that were called plots."""
    if units.basis not in ("plots", "rows", "runs") or not (units.merged or units.single_plants):
        return []
    severity = CAREFUL if still else STOP
    names = listed(sorted(units.merged))
    cure = (
        "Scatter the plots: draw lots for which variety stands where in each block. If lots were "
        'drawn and put them side by side, say so in trial.toml: design = "completely randomised".'
    )
    if units.single_plants and units.merged:
        return [
            Finding(
                "plants-called-plots",
                severity,
                "Like neighbours, a line of plants.csv each, were entered as plots; they count as "
                "one plot.",
                f"Lines of {names}, each entered as a plot, stand next to each other with no other "
                "variety between. Single plants or small plots, they share soil, light and water, "
                "so they say how much neighbours differ, not how much plots do. They are counted "
                "as one plot.",
                cure,
            )
        ]
    if units.merged and units.basis != "runs":
        return [
            Finding(
                "neighbours-called-replicates",
                severity,
                f"Plots of one variety side by side ({names}) count as one plot.",
                f"Several plots of {names} lie next to each other with no other variety between. "
                "They share the same patch of ground: they are one plot cut in pieces, not "
                "repetitions, and are counted as one.",
                cure,
            )
        ]
    return []


def across_edges(units: Units) -> list[Finding]:
    """Plots of one variety side by side across the edge between two blocks."""
    if not units.across:
        return []
    names = listed(sorted(units.across))
    pairs = counted(sum(units.across.values()), "pair")
    lots = (
        "Lots drawn in each block can put them so, and they are counted as plots each."
        if units.across_by_lot
        else "That is more than lots drawn in each block would leave, so the blocks may not have "
        "been drawn one by one. They are counted as plots each all the same."
    )
    return [
        Finding(
            "neighbours-across-blocks",
            NOTE if units.across_by_lot else CAREFUL,
            f"Plots of one variety lie side by side across the edge of a block ({names}).",
            f"{pairs} of plots of {names} lie next to each other, one on each side of the edge "
            f"between two blocks. Unless an aisle parts them they share a patch of ground, and "
            f"agree a little more than plots farther apart would. {lots}",
            "Next year draw the lots of a block again where it would put a variety beside itself.",
        )
    ]


def unknown_places(units: Units) -> list[Finding]:
    """Without plot, block or position nobody can tell what was repeated: ask."""
    claimed_blind = (
        units.basis == "plots"
        and not units.placed
        and not units.blocks_used
        and not units.drawn
        and len(units.frame) > units.frame["variety"].nunique()
        and bool(units.frame["row"].isna().any())
    )
    if units.basis == "unknown":
        return [
            Finding(
                "position-missing",
                STOP,
                "It is not recorded where the plants stood: no plot, no block, no row.",
                "plants.csv says which variety a plant is, but not where it stood. If varieties "
                "stood in blocks of their own, plants are no repetitions; if they were mixed plant "
                "by plant, they are. Until that is known no comparison is made.",
                "Fill in row and column (or plot and block) in plants.csv; it can be done today.",
            )
        ]
    if claimed_blind:
        return [
            Finding(
                "plot-places-missing",
                STOP,
                "It is not recorded where the plots stood: they have names, but no place.",
                "Several plots of each variety are named. If those of a variety lay side by side, "
                "they are one plot in pieces; if they were scattered by lot, they are repetitions. "
                "Until that is known no comparison is made.",
                "Fill in row and column in plants.csv, or say in trial.toml how places were drawn "
                '(design = "completely randomised").',
            )
        ]
    return []


def aliasing(units: Units, groups: list[list[str]], cause: str) -> list[Finding]:
    """Varieties that cannot be told apart from a treatment, a planting day or their blocks."""
    found = []
    if len(groups) > 1:
        apart = "; ".join(listed(group) for group in groups)
        if cause == "block":
            found.append(
                Finding(
                    "not-connected",
                    STOP,
                    "Some varieties never share a block, not even through others.",
                    f"The blocks fall into sets that share no variety ({apart}). Between the sets, "
                    "varieties and blocks are the same thing. Within a set they can be compared.",
                    "Put one variety, best the check, into every block.",
                )
            )
        else:
            found.append(
                Finding(
                    f"variety-is-{cause}",
                    STOP,
                    f"Variety and {cause} go together: which of them did it cannot be told.",
                    f"Varieties that share no {cause}: {apart}. A difference between them may "
                    f"as well be one between {cause}s.",
                    f"Give every variety the same {cause}, or every variety all of them.",
                )
            )
    frame = units.frame
    if frame["treatment"].notna().all() and frame["treatment"].nunique() > 1 and units.blocks_used:
        cells = frame[["block", "treatment"]].drop_duplicates()
        if len(cells) == frame["block"].nunique():
            found.append(
                Finding(
                    "treatment-is-block",
                    NOTE,
                    "Each block got one treatment: varieties can be compared, treatments cannot.",
                    "Treatment and block are the same thing here, so nothing can be said of the "
                    "treatment. Comparisons of varieties within blocks are not harmed.",
                )
            )
    return found


def next_year(plants: pd.DataFrame, varieties: int) -> str:
    """The cheapest cure for a layout without repetition: the same plants, scattered."""
    each = int(np.median(plants.groupby("variety").size())) if len(plants) else 0
    if each >= 6:
        blocks = 4 if each >= 8 else 3
        return (
            f"Next year, with the same plants: cut each row into {blocks} short stretches of "
            f"{each // blocks}, make {blocks} blocks of {varieties} stretches, and draw lots in "
            "each block for which variety stands where."
        )
    return (
        "Next year plant each variety in four small plots in four blocks, and draw lots in each "
        "block for which variety stands where. Two or three plants a plot are enough to begin with."
    )
