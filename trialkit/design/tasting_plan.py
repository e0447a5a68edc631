"""A tasting laid out and put on paper: codes, orders, and a sheet for each taster."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from trialkit.cautions import TASTING, in_a_line
from trialkit.design import paper
from trialkit.design.paper import A4, MARGIN_MM, Paper
from trialkit.errors import TrialkitError
from trialkit.records.tastings import HIGHEST, LOWEST

# ------------------------------------------------------------------------------------------------
# A tasting laid out: codes, and who tastes what in which order.
#
# Every variety stands equally often in each place and after each other one, as far as the number of
# tasters allows: designs balanced for what came just before (Williams 1949, Aust. J. Sci. Res. A
# 2:149), made by adding 0, 1, ..., v - 1 to a first order of the varieties, modulo v.  One such
# square serves an even number of varieties, a pair of squares an odd one.  Where each taster gets k
# < v varieties, first orders are searched whose neighbours, and whose pairs, differ by every number
# equally often; added to in the same way they stay balanced for place (cyclic designs: John &
# Williams 1995, chapter 2).
# ------------------------------------------------------------------------------------------------

MOST_VARIETIES, MOST_TASTERS = 60, 500
# First orders tried for an incomplete tasting.
TRIES = 4000


class TastingError(TrialkitError, ValueError):
    """A tasting that cannot be laid out so; says why and what would do."""


@dataclass(frozen=True)
class Tasting:
    """codes : of each variety three digits.  orders : for each taster the varieties, first first.

    seed : the same seed gives the same tasting.
    """

    codes: dict[str, str]
    orders: tuple[tuple[str, ...], ...]
    seed: int

    @property
    def each(self) -> int:
        """How many varieties a taster gets."""
        return len(self.orders[0])

    def places(self) -> np.ndarray:
        """(varieties, places): how often each variety stands in each place."""
        at = {name: i for i, name in enumerate(self.codes)}
        out = np.zeros((len(at), self.each), dtype=int)
        for order in self.orders:
            for place, name in enumerate(order):
                out[at[name], place] += 1
        return out

    def before(self) -> np.ndarray:
        """(varieties, varieties): how often the first comes just before the second."""
        at = {name: i for i, name in enumerate(self.codes)}
        out = np.zeros((len(at), len(at)), dtype=int)
        for order in self.orders:
            for first, other in zip(order, order[1:], strict=False):
                out[at[first], at[other]] += 1
        return out

    def together(self) -> np.ndarray:
        """(varieties, varieties): how many tasters get both; how many get it on the diagonal."""
        has = np.array([[name in order for name in self.codes] for order in self.orders], dtype=int)
        return np.asarray(has.T @ has)

    @property
    def text(self) -> str:
        """How balanced it is, for a terminal."""
        off = ~np.eye(len(self.codes), dtype=bool)
        balances = [
            ("each variety in each place", self.places()),
            ("each just before each other", self.before()[off]),
        ]
        if self.each < len(self.codes):
            balances += [("each variety tasted", np.diag(self.together())),
                     ("each pair by one taster", self.together()[off])]
        return "; ".join(f"{what} {_times(counts)}" for what, counts in balances) + "."


def _times(counts: np.ndarray) -> str:
    low, high = int(counts.min()), int(counts.max())
    many = f"{low}" if low == high else f"{low} to {high}"
    return f"{many} time{'' if many == '1' else 's'}"


def plan_tasting(
    varieties: Sequence[str], tasters: int, each: int | None = None, seed: int | None = None
) -> Tasting:
    """Lay out a tasting.  each : varieties a taster gets; else all.  Raises TastingError."""
    v = len(varieties)
    k = v if each is None else each
    if not 2 <= v <= MOST_VARIETIES:
        raise TastingError(f"The trial has {v} varieties. Taste 2 to {MOST_VARIETIES}.")
    if not 1 <= tasters <= MOST_TASTERS:
        raise TastingError(f"There are {tasters} tasters. Write: --tasters 1 to {MOST_TASTERS}.")
    if not 2 <= k <= v:
        raise TastingError(f"Each taster would get {k} of {v} varieties. Write: --each 2 to {v}.")
    seed = int(np.random.SeedSequence().entropy) % 2**31 if seed is None else seed  # type: ignore[arg-type]
    rng = np.random.default_rng(seed)
    firsts = [_williams(v)] if k == v else _searched(v, k, -(-tasters // v), rng)
    if k == v and v % 2:
        firsts.append(firsts[0][::-1])
    rows: list[np.ndarray] = []
    while len(rows) < tasters:
        for first in firsts:
            square = [(first + shift) % v for shift in rng.permutation(v)]
            rows += square[: tasters - len(rows)]
    named = rng.permutation(v)
    orders = [tuple(varieties[named[i]] for i in row) for row in rows]
    codes = rng.choice(np.arange(101, 1000), size=v, replace=False)
    mixed = [orders[i] for i in rng.permutation(tasters)]
    return Tasting(dict(zip(varieties, map(str, codes), strict=True)), tuple(mixed), seed)


def _williams(v: int) -> np.ndarray:
    """0, 1, v - 1, 2, v - 2, ...: neighbours differ by every number once, for v even."""
    out = [0]
    for step in range(1, v):
        out.append((step + 1) // 2 if step % 2 else v - step // 2)
    return np.array(out)


def _searched(v: int, k: int, squares: int, rng: np.random.Generator) -> list[np.ndarray]:
    """First orders of k of v, whose neighbours and pairs differ as evenly as was found."""
    best: list[np.ndarray] = []
    least = np.inf
    for _ in range(TRIES):
        tried = [rng.permutation(v)[:k] for _ in range(squares)]
        near = np.bincount(
            np.concatenate([np.diff(order) % v for order in tried]), minlength=v)[1:]
        pairs = np.bincount(np.concatenate([
            ((order[:, None] - order[None, :]) % v).ravel() for order in tried]), minlength=v)[1:]
        uneven = float(near.var() + pairs.var())
        if uneven < least:
            best, least = tried, uneven
        if least == 0:
            break
    return best


# ------------------------------------------------------------------------------------------------
# A sheet of paper for each taster: the codes in the taster's own order, and boxes for scores.
#
# No name of a variety stands on it; which code is which is in the key, kept apart until all have
# tasted.
# ------------------------------------------------------------------------------------------------

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
