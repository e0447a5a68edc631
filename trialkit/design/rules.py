"""What the audit of a layout finds: what can be compared at all (repetition, neighbours, places,
aliasing), and the conditions of a comparison (order, edges, losses, what was taken for granted)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from trialkit.design.bed import at_edge
from trialkit.design.experimental_units import ONE_BLOCK, Strips, Units
from trialkit.wording import counted, few

Severity = Literal["stop", "careful", "note"]
STOP: Severity = "stop"
CAREFUL: Severity = "careful"
NOTE: Severity = "note"


@dataclass(frozen=True)
class Finding:
    """Something about the layout the reader must know.

    code: short fixed name. severity: "stop" (no comparison of varieties), "careful" (compare, but
    mind this) or "note". one_line and full: for the grower. fix: the cheapest cure, "" if none.
    """

    code: str
    severity: Severity
    one_line: str
    full: str
    fix: str = ""


FEW_DF = 4
"""Fewer residual degrees of freedom than this make an interval more than 1.6 times as wide as
with very many (t 0.975: 3.18 with 3, 1.96 in the end). Own choice."""


def replication(units: Units, plants: pd.DataFrame, df: int) -> list[Finding]:
    """Is any variety in more than one plot, and are there plots to spare for the error?"""
    per = units.frame.groupby("variety", sort=False).size()
    fix = next_year(plants, len(per))
    if units.basis == "unknown":
        return []
    if (per == 1).all():
        return [_unrepeated(units, fix)]
    findings = []
    single = [str(v) for v, n in per.items() if n == 1]
    if single:
        findings.append(
            Finding(
                "single-plot-variety",
                CAREFUL,
                f"{few(single, 6)}: one plot only.",
                f"{few(single, 6)} stood in one plot only. Chance differences between plots are "
                "judged from the other varieties; that holds only if plots of these differ alike.",
                "Give every variety at least two plots, better four.",
            )
        )
    if df < 1 and len(per) > 1:
        findings.append(
            Finding(
                "no-spare-plots",
                STOP,
                "There are no more plots than varieties and blocks use up.",
                "After varieties and blocks no plot is left over to show how much plots differ by "
                "chance, so a difference cannot be judged.",
                fix,
            )
        )
    elif df < FEW_DF and len(per) > 1:
        findings.append(
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
    return findings


def _unrepeated(units: Units, fix: str) -> Finding:
    """The stop where every variety is in one row or plot."""
    if units.unit == "row":
        return Finding(
            "one-row-a-variety",
            STOP,
            "Each variety stands in one row only, so nothing can separate it from its row.",
            "Each variety stands in one row only. If the rows differ in soil, water, light or "
            "wind, that difference is in the result too, and nothing in the records can separate "
            "it from the varieties, however many plants or picks there are. The report describes "
            "what was picked and claims no winner.",
            fix,
        )
    return Finding(
        "one-plot-a-variety",
        STOP,
        "Each variety stands in one plot only, so nothing can separate it from its place.",
        "Each variety stands together in one place. What the place does to the plants cannot be "
        "separated from what the variety does, however many plants are in it. The report "
        "describes what was picked and claims no winner.",
        fix,
    )


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
                "different plots, and are counted as one.",
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


def patches(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Every variety in a patch of ground of its own, cut in pieces that are called blocks."""
    if not units.patches or units.strips is not None:
        return []
    return [
        Finding(
            "one-patch-a-variety",
            STOP,
            "Each variety's plots lie together in one patch, so nothing can separate it from its "
            "place.",
            "The plots of each variety touch one another, whatever they are called: each variety "
            "has one patch of ground, cut in pieces. If one patch has better soil or light, that "
            "is in the result too, and nothing in the records can separate it from the variety.",
            next_year(plants, units.frame["variety"].nunique()),
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
                "stood in blocks of their own, plants do not count as plots; if they were mixed "
                "plant by plant, they do. Until that is known no comparison is made.",
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
                "were scattered at random, each counts as a plot. Until that is known no "
                "comparison is made.",
                "Fill in row and column in plants.csv (it can be done today). Where places were "
                'drawn at random, you may say so in trial.toml instead: design = "randomised '
                'complete blocks" or "completely randomised".',
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
    unnamed = bool((units.frame["block"] == ONE_BLOCK).all())
    if blocks and unnamed and not units.placed and not units.rows_known and (
            len(units.frame) > units.frame["variety"].nunique()):
        return [
            Finding(
                "blocks-missing",
                STOP,
                "trial.toml says the layout has blocks, but plants.csv names none.",
                f'trial.toml says design = "{design}", and plants.csv says neither which block a '
                "plot was in nor where it stood. Plants of one plot may have been entered as plots "
                "each. Until the blocks are known no comparison is made.",
                "Fill in block (or row and column) in plants.csv; it can be done today.",
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
    strips = units.strips
    if strips is None:
        return []
    word, fix = strips.along, next_year(plants, units.frame["variety"].nunique())
    if strips.single and (strips.by_lot or not strips.every or word == "column"):
        return [_in_one_strip(strips, fix)]
    if strips.shared:
        parts = "; ".join(few(list(group), 6) for group in strips.shared)
        return [
            Finding(
                "rows-apart",
                STOP,
                f"Some varieties never share a {word} with the others ({parts}).",
                f"{parts}: these stand in one {word} right through, and the other varieties never "
                f"do. Between them, variety and {word} cannot be separated.",
                fix,
            )
        ]
    if strips.wide:
        return [
            Finding(
                "rows-cut-in-pieces",
                CAREFUL,
                f"Each {word} that holds one variety right through counts as one plot.",
                f"{few(list(strips.wide), 6)} fill whole {word}s. A {word} cut across in pieces is "
                f"still one plot, whatever the pieces are called, so {word}s are counted.",
                "Next year scatter small plots: draw lots in each block for which variety stands "
                "where.",
            )
        ]
    return []


def _in_one_strip(strips: Strips, fix: str) -> Finding:
    """Varieties in one row or column right through, by lot or not, some of them or all."""
    word = strips.along
    names = few(list(strips.single), 6)
    verb = "stands" if len(strips.single) == 1 else "stand"
    if strips.by_lot:
        return Finding(
            "one-row-by-lot",
            CAREFUL,
            f"{names} {verb} in one {word} right through.",
            f"{names} {verb} in one {word} in every block, with no other variety in it. Lots "
            f"can leave it so, and trial.toml says that they were drawn; but what that {word} "
            "gives or takes is then in the result.",
            "Next year draw the lots again where they put a variety in one row right through.",
        )
    if not strips.every:
        return Finding(
            "variety-in-one-row",
            STOP,
            f"{names} {verb} in one {word} right through, and no other variety shares it.",
            f"{names} {verb} in one {word} only. If that {word} has better soil or light, the "
            "result shows it as the variety's, and nothing in the records can separate the "
            "two. A row cut in pieces is still one row, whatever the pieces are called.",
            f"{fix} If places were drawn at random and fell out so, say so in trial.toml: "
            'design = "randomised complete blocks".',
        )
    return Finding(
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


def aliasing(units: Units, groups: list[list[str]], cause: str) -> list[Finding]:
    """Varieties that cannot be told apart from a treatment, a planting day or their blocks."""
    findings = []
    if len(groups) > 1:
        parts = "; ".join(few(group, 6) for group in groups)
        if cause == "block":
            findings.append(
                Finding(
                    "not-connected",
                    STOP,
                    "Some varieties never share a block, not even through others.",
                    f"The blocks fall into sets that share no variety ({parts}). Between the sets, "
                    "varieties and blocks are the same thing. Within a set they can be compared.",
                    "Put one variety, best the check, into every block.",
                )
            )
        else:
            findings.append(
                Finding(
                    f"variety-is-{cause}",
                    STOP,
                    f"Variety and {cause} go together: which of them did it cannot be told.",
                    f"Varieties that share no {cause}: {parts}. A difference between them may "
                    f"as well be one between {cause}s.",
                    f"Give every variety the same {cause}, or every variety all of them.",
                )
            )
    frame = units.frame
    if frame["treatment"].notna().all() and frame["treatment"].nunique() > 1 and units.blocks_used:
        cells = frame[["block", "treatment"]].drop_duplicates()
        if len(cells) == frame["block"].nunique():
            findings.append(
                Finding(
                    "treatment-is-block",
                    NOTE,
                    "Each block got one treatment: varieties can be compared, treatments cannot.",
                    "Treatment and block are the same thing here, so nothing can be said of the "
                    "treatment. Comparisons of varieties within blocks are not harmed.",
                )
            )
    return findings


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


UNEVEN_EDGE = 0.5
"""Difference in the share of plants at an edge that is worth a word. Own choice."""

UNEVEN_LOSS = 0.25
"""Difference in the share of plants lost that is worth a word. Own choice."""


def places(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Same order in every block, and plants at the edge of the bed."""
    findings = []
    frame = units.frame
    if units.placed and units.blocks_used and frame["block"].nunique() > 1:
        orders = {
            tuple(part.sort_values(["row", "column"])["variety"])
            for _, part in frame.groupby("block")
        }
        if len(orders) == 1 and frame["variety"].nunique() > 1:
            findings.append(
                Finding(
                    "same-order",
                    CAREFUL,
                    "Varieties stand in the same order in every block.",
                    "Every block has the varieties in the same order, so each has the same "
                    "neighbours and the same end of the bed every time. A slope in soil or shade "
                    "along the block goes straight into the comparison.",
                    "Draw a fresh order at random for each block.",
                )
            )
    share = edge_share(plants) if units.placed else None
    if share is not None and len(share) > 1 and share.max() - share.min() >= UNEVEN_EDGE:
        most, least = str(share.idxmax()), str(share.idxmin())
        findings.append(
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
    return findings


def balance(units: Units, plants: pd.DataFrame) -> list[Finding]:
    """Unequal repetition, lost plants, plots with nothing left."""
    findings = []
    per = units.frame.groupby("variety", sort=False).size()
    if per.max() > per.min() >= 1 and (per > 1).any():
        most, least = str(per.idxmax()), str(per.idxmin())
        findings.append(
            Finding(
                "uneven",
                NOTE,
                f"Not all varieties have as many plots: {most} {per.max()}, {least} {per.min()}.",
                f"Plots a variety go from {per.min()} ({least}) to {per.max()} ({most}). "
                "Comparisons with the fewer are less sure; the intervals show it.",
            )
        )
    if "lost" not in plants or not plants["lost"].notna().any():
        return findings
    gone = plants["lost"].notna()
    share = gone.groupby(plants["variety"]).mean()
    wiped = [str(v) for v, s in share.items() if s == 1.0]
    if wiped:
        findings.append(
            Finding(
                "wiped-out",
                CAREFUL,
                f"{few(wiped, 6)}: every plant was lost.",
                f"Every plant of {few(wiped, 6)} was lost. Its yield a living plant ends with the "
                "last of them; its yield a metre of row counts the losses.",
            )
        )
    if share.max() - share.min() >= UNEVEN_LOSS and not wiped:
        findings.append(
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
        findings.append(
            Finding(
                "empty-plots",
                NOTE,
                f"{counted(number, 'plot')} lost every plant.",
                f"{counted(number, 'plot')} lost every plant and counts up to that day only.",
            )
        )
    return findings


def assumptions(units: Units) -> list[Finding]:
    """What was taken for granted about plots, so that the grower can object."""
    findings = []
    if units.basis == "blocks":
        findings.append(
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
                "in each block, and each is taken as a plot drawn at random. If treatments were "
                'given to parts of a plot, write design = "split plot" in trial.toml: varieties '
                "are then compared between whole plots.",
            )
        )
    if units.plot_is_block:
        findings.append(
            Finding(
                "plots-are-blocks",
                NOTE,
                "Each plot holds several varieties, so the plots are taken as blocks.",
                "A plot is a patch of one variety. What is called plot in plants.csv holds several "
                "and is taken as a block.",
            )
        )
    elif units.mixed:
        findings.append(
            Finding(
                "mixed-plot",
                CAREFUL,
                f"Plot {few(list(units.mixed), 6)} holds more than one variety.",
                f"Plot {few(list(units.mixed), 6)} holds more than one variety; each variety in it "
                "is counted as a plot of its own. Check the plot names.",
            )
        )
    if units.block_is_plot:
        findings.append(
            Finding(
                "blocks-are-plots",
                NOTE,
                "Each block holds one variety, so the blocks are taken as plots.",
                "A block should hold several varieties side by side. Here each has one, so what is "
                "called block is a plot, and there are no blocks.",
            )
        )
    if units.unit == "plant" and units.placed:
        findings.append(
            Finding(
                "plants-are-plots",
                NOTE,
                "Varieties alternate line by line in plants.csv: each line is a plot of its own.",
                "Each line of plants.csv, whether it is one plant or a plot of several, stands by "
                "itself among other varieties. It is taken as placed on its own, and the "
                "comparison rests on differences between lines. That holds if places were drawn "
                "at random.",
            )
        )
    return findings


def edge_share(plants: pd.DataFrame) -> pd.Series:
    """Share of each variety's plants at the edge: ends of rows, and outer rows of three or more."""
    return at_edge(plants).groupby(plants["variety"].to_numpy()).mean()
