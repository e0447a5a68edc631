"""A sheet of paper for each taster: the codes in the taster's own order, and boxes for scores.

No name of a variety stands on it; which code is which is in the key, kept apart until all have
tasted.
"""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from trialkit.cautions import TASTING, in_a_line
from trialkit.design import paper
from trialkit.design.paper import A4, MARGIN_MM, Paper
from trialkit.design.tastingplan import Tasting
from trialkit.records.tastings import HIGHEST, LOWEST

HEAD_MM = 66.0

TALLEST_LINE_MM = 16.0
RULES = (
    "Taste from top to bottom, in this order. A sip of water before each.",
    f"Write a number: {LOWEST} = dislike very much, 5 = neither, {HIGHEST} = like very much.",
    "Not tasted: leave the box EMPTY. Don't talk until all have finished.",
)


def tasting_sheets(
    tasting: Tasting, traits: Sequence[str], title: str, sheet: Paper = A4
) -> list[Figure]:
    """One page a taster."""
    figures = []
    with paper.printing():
        for number, order in enumerate(tasting.orders, start=1):
            figure, axes = paper.new_page(sheet)
            room = sheet.wide - 2 * MARGIN_MM
            size = paper.fitting_size(title, room * 0.7, 15.0, 8.0, bold=True)
            y = MARGIN_MM + 4.0
            paper.write(axes, MARGIN_MM, y, paper.shortened(title, room * 0.7, size, True), size,
                        bold=True)
            paper.write(axes, sheet.wide - MARGIN_MM, y, f"TASTER {number}", 15.0, bold=True,
                        across="right")
            y += 9.0
            paper.write(axes, MARGIN_MM, y, "Name or initials", 10.0)
            axes.plot([MARGIN_MM + 32, MARGIN_MM + room * 0.6], [y + 1] * 2, color="black", lw=0.7)
            paper.write(axes, MARGIN_MM + room * 0.62, y, "Date", 10.0)
            axes.plot([MARGIN_MM + room * 0.7, MARGIN_MM + room], [y + 1] * 2, color="black",
                      lw=0.7)
            y += 6.0
            paper.box(axes, MARGIN_MM, y, room, 17.5, line=1.6)
            for at, text in enumerate(RULES):
                paper.write(axes, MARGIN_MM + 3.0, y + 4.8 + at * 5.0, text, 9.5, bold=True)
            y += 21.5
            for at, text in enumerate(paper.wrapped(in_a_line(TASTING, "this sheet"), room, 8.0)):
                paper.write(axes, MARGIN_MM, y + at * 3.6, text, 8.0)
            y = MARGIN_MM + HEAD_MM
            code_wide = room * 0.22
            wide = (room - code_wide) * 0.6 / len(traits)
            edges = [MARGIN_MM + code_wide + i * wide for i in range(len(traits) + 1)]
            paper.write(axes, MARGIN_MM + 1, y - 2, "code", 10.0, bold=True)
            for at, trait in enumerate(traits):
                points = paper.fitting_size(trait, wide - 2, 10.0, 5.0, bold=True)
                paper.write(axes, (edges[at] + edges[at + 1]) / 2, y - 2,
                            paper.shortened(trait, wide - 2, points, True), points, bold=True,
                            across="center")
            paper.write(axes, edges[-1] + 2, y - 2, "words, if any", 10.0, bold=True)
            tall = min(TALLEST_LINE_MM, (sheet.tall - MARGIN_MM - y) / len(order))
            for name in order:
                paper.box(axes, MARGIN_MM, y, code_wide, tall, line=0.4, grey=0.4)
                points = min(20.0, tall * 1.6)
                paper.write(axes, MARGIN_MM + 3, y + tall / 2, tasting.codes[name], points,
                            bold=True, up="center")
                for at in range(len(traits)):
                    paper.box(axes, edges[at], y, wide, tall, line=1.1)
                paper.box(axes, edges[-1], y, MARGIN_MM + room - edges[-1], tall, line=0.4)
                y += tall
            figures.append(figure)
    return figures
