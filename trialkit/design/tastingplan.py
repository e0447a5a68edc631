"""A tasting laid out: codes, and who tastes what in which order.

Every variety stands equally often in each place and after each other one, as far as the number of
tasters allows: designs balanced for what came just before (Williams 1949, Aust. J. Sci. Res. A
2:149), made by adding 0, 1, ..., v - 1 to a first order of the varieties, modulo v.  One such
square serves an even number of varieties, a pair of squares an odd one.  Where each taster gets
k < v varieties, first orders are searched whose neighbours, and whose pairs, differ by every number
equally often; added to in the same way they stay balanced for place (cyclic designs: John &
Williams 1995, chapter 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.errors import TrialkitError

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
        said = [
            ("each variety in each place", self.places()),
            ("each just before each other", self.before()[off]),
        ]
        if self.each < len(self.codes):
            said += [("each variety tasted", np.diag(self.together())),
                     ("each pair by one taster", self.together()[off])]
        return "; ".join(f"{what} {_times(counts)}" for what, counts in said) + "."


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
