"""Checks of what can be compared at all: repetition, neighbours, places, aliasing."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from trialkit.design.audit_findings import CAREFUL, NOTE, STOP, Finding
from trialkit.design.audit_units import Units
from trialkit.wording import counted, few

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
                    "Each variety stands in one row only, so nothing can separate it from its row.",
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
                "Each variety stands in one plot only, so nothing can separate it from its place.",
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
                f"{few(single, 6)}: one plot only.",
                f"{few(single, 6)} stood in one plot only. Chance differences between plots are "
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
    names = few(sorted(units.merged), 6)
    cure = (
        "Scatter the plots: draw lots for which variety stands where in each block. If lots were "
        'drawn and put them side by side, say so in trial.toml: design = "completely randomised".'
    )
    if units.single_plants and units.merged and not units.placed and not units.rows_known:
        return [
            Finding(
                "plants-called-plots",
                severity,
                "Several lines of one variety in a block were entered as plots; they count as one.",
                f"In a block {names} have several lines of plants.csv, each entered as a plot, and "
                "where they stood is not recorded. Plants that stood together are one plot, so "
                "they are counted as one.",
                "Fill in row and column in plants.csv: lines that stood apart then count as plots.",
            )
        ]
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
    names = few(sorted(units.across), 6)
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


PLACES_MISSING = frozenset({"position-missing", "plot-places-missing", "one-plot-name"})
"""Findings that say that nobody knows what was repeated."""


def unknown_places(units: Units, lots: bool = False) -> list[Finding]:
    """Without positions nobody can tell what was repeated: ask, unless lots are declared.

    lots: the trial names a layout that is drawn by lot.
    """
    claimed_blind = (
        not units.placed
        and not lots
        and not units.rows_known
        and len(units.frame) > units.frame["variety"].nunique()
    )
    if units.one_plot_name and not units.placed and not units.rows_known:
        return [
            Finding(
                "one-plot-name",
                STOP,
                "Every plant carries the same plot number, so which plants stood together is not "
                "known.",
                "A plot is one variety's plants together in one spot. In plants.csv one plot "
                "number holds all varieties, and no row and column say where a plant stood. Until "
                "that is known no comparison is made.",
                "Fill in row and column in plants.csv, and give every plot its own number (or "
                "leave plot empty); it can be done today.",
            )
        ]
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
                "Several plots of a variety are recorded, or several blocks. If those of a variety "
                "lay side by side, or in one row cut across, they are one plot in pieces; if they "
                "were scattered by lot, they are repetitions. Until that is known no comparison is "
                "made.",
                "Fill in row and column in plants.csv (it can be done today). Where places were "
                'drawn by lot, you may say so in trial.toml instead: design = "randomised complete '
                'blocks" or "completely randomised".',
            )
        ]
    return []


def contradicted(units: Units, design: str) -> list[Finding]:
    """A layout that trial.toml names and plants.csv cannot be."""
    blocks = bool(re.search(r"block|lattice|alpha", design, re.I))
    if blocks and units.block_is_plot and units.frame["variety"].nunique() > 1:
        return [
            Finding(
                "design-contradicted",
                STOP,
                "No block holds two varieties, though trial.toml says the layout has blocks.",
                f'trial.toml says design = "{design}". A block is ground on which several '
                "varieties stand side by side; in plants.csv every block holds one variety only, "
                "so block and variety cannot be separated. One of the two files is wrong.",
                "Correct block in plants.csv, or write in trial.toml the layout it is. If each "
                "variety did stand in ground of its own, next year give each four small plots and "
                "draw their places from a hat.",
            )
        ]
    if not re.search(r"latin", design, re.I) or not units.placed:
        return []
    frame, size = units.frame, units.frame["variety"].nunique()
    twice = [
        word for word in ("row", "column")
        if frame["block"].nunique() in (1, size) and len(frame) == size * size
        and bool(frame.assign(line=frame[word]).duplicated(["variety", "line"]).any())
    ]  # fmt: skip
    if not twice:
        return []
    word = twice[0]
    return [
        Finding(
            "not-a-square",
            STOP,
            f"Some variety stands twice in one {word}, though trial.toml says Latin square.",
            f'trial.toml says design = "{design}". In a Latin square every variety stands once in '
            f"every row and once in every column; in plants.csv one stands twice in a {word}. One "
            "of the two files is wrong.",
            "Correct row and column in plants.csv, or write in trial.toml the layout it is.",
        )
    ]


def kept_to_rows(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Varieties that stand in one row or one column right through, whatever is called a block."""
    found = units.strips
    if found is None:
        return []
    word, fix = found.along, next_year(plants, units.frame["variety"].nunique())
    if found.single and found.by_lot:
        names = few(list(found.single), 6)
        verb = "stands" if len(found.single) == 1 else "stand"
        return [
            Finding(
                "one-row-by-lot",
                CAREFUL,
                f"{names} {verb} in one {word} right through.",
                f"{names} {verb} in one {word} in every block, with no other variety in it. Lots "
                f"can leave it so, and trial.toml says that they were drawn; but what that {word} "
                "gives or takes is then in the result.",
                "Next year draw the lots again where they put a variety in one row right through.",
            )
        ]
    if found.single and not found.every:
        names = few(list(found.single), 6)
        verb = "stands" if len(found.single) == 1 else "stand"
        return [
            Finding(
                "variety-in-one-row",
                STOP,
                f"{names} {verb} in one {word} right through, and no other variety shares it.",
                f"{names} {verb} in one {word} only. If that {word} has better soil or light, the "
                "result shows it as the variety's, and nothing in the records can separate the "
                "two. A row cut in pieces is still one row, whatever the pieces are called.",
                f"{fix} If places were drawn by lot and fell out so, say so in trial.toml: "
                'design = "randomised complete blocks".',
            )
        ]
    if found.single and word == "column":
        return [
            Finding(
                "one-column-a-variety",
                STOP,
                "Each variety stands in one column only, so nothing can separate it from its "
                "column.",
                "Each variety stands in one column right through, the same in every block. If one "
                "side of the bed has better soil or light, that is in the result too, and nothing "
                "in the records can separate it from the varieties, however many plants or picks "
                "there are. A column cut in pieces is still one column.",
                fix,
            )
        ]
    if found.shared:
        apart = "; ".join(few(list(group), 6) for group in found.shared)
        return [
            Finding(
                "rows-apart",
                STOP,
                f"Some varieties never share a {word} with the others ({apart}).",
                f"{apart}: these stand in one {word} right through, and the other varieties never "
                f"do. Between them, variety and {word} cannot be separated.",
                fix,
            )
        ]
    if found.wide:
        return [
            Finding(
                "rows-cut-in-pieces",
                CAREFUL,
                f"Each {word} that holds one variety right through counts as one plot.",
                f"{few(list(found.wide), 6)} fill whole {word}s. A {word} cut across in pieces is "
                f"still one plot, whatever the pieces are called, so {word}s are counted.",
                "Next year scatter small plots: draw lots in each block for which variety stands "
                "where.",
            )
        ]
    return []


def aliasing(units: Units, groups: list[list[str]], cause: str) -> list[Finding]:
    """Varieties that cannot be told apart from a treatment, a planting day or their blocks."""
    found = []
    if len(groups) > 1:
        apart = "; ".join(few(group, 6) for group in groups)
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
