"""Does the trial name a difference as often as `plan` promises?  Run by hand:

    python tests/design/claims_study.py [seasons]

Made-up seasons of 30 layouts go through the report's own steps, plot totals after every pick,
the ratio fitted to them, the boundary of the looks, and the share in which the newest look names
the better variety is set beside `power_to_see(..., test=Claims(...))`, at the ratio it promises to
name 8 times in 10. All 30 were run by the rule in use, the 24 of several picks with 1,500 seasons
each (one standard error is 1.0 points), the six of one pick with 4,000 (0.6): 26 within 2 points,
the others 2.5, -2.2, -2.9 and -3.1; these four run again with 4,000 other seasons each gave -0.1,
0.5, -0.7 and -1.2 points.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from scipy.stats import norm

from trialkit.decide.looks import boundary_z
from trialkit.decide.ratio import fit_plots
from trialkit.decide.spending import alpha_each, alpha_for_few_df, on_normal_scale, sharing
from trialkit.power import Claims, Setup, Spread, power_to_see, smallest_ratio

TIGHTEST = 1.5
"""How far the boundary of a last look may lie above that of a single look, on the normal scale; a
result beyond is named whatever the boundary."""


def layouts() -> list[tuple[Setup, Spread, Claims]]:
    """Thirty: varieties, blocks, plants, picks, looks, spreads."""
    out = []
    for v, b in ((2, 4), (3, 4), (5, 4), (4, 3), (3, 6), (8, 3)):
        for plants, picks, looks, spread in (
            (4, 20, 20, Spread()), (2, 10, 10, Spread()), (4, 10, 20, Spread(plot=0.25)),
            (6, 12, 12, Spread(plot=0.10, plant=0.2, pick=0.8)), (3, 1, 1, Spread()),
        ):  # fmt: skip
            out.append((Setup(v, b, plants, picks), spread, Claims(looks)))
    return out


def named(
    ratio: float, setup: Setup, spread: Spread, claims: Claims, seasons: int,
    rng: np.random.Generator,
) -> float:  # fmt: skip
    """Share of seasons in which the last of the varieties, `ratio` times the first (the check),
    is named as different from it by the newest look."""
    v, b, n, k = setup.varieties, setup.blocks, setup.plants, setup.picks
    variety = np.repeat(np.arange(v), b)
    block = np.tile(np.arange(b), v)
    columns = np.eye(b)[block][:, :-1] - np.eye(b)[block][:, -1:]
    place = rng.random((v, b)).argsort(axis=0).astype(float).reshape(-1, 1)
    each = alpha_each(v, claims.against_check, how=sharing(v, claims.against_check),
                      df=(v - 1.0) * (b - 1))
    looks = claims.looks or k
    df = (v - 1.0) * (b - 1)
    least = norm.isf(alpha_for_few_df(each, df) / 2)  # no boundary is below this
    hits = 0
    for _ in range(seasons):
        plot = rng.normal(0, spread.plot, v * b) + np.where(variety == v - 1, np.log(ratio), 0.0)
        plant = plot[:, None] + rng.normal(0, spread.plant, (v * b, n))
        picks = np.exp(plant[:, :, None] + rng.normal(0, spread.pick, (v * b, n, k))).sum(axis=1)
        totals = 1000.0 * np.cumsum(picks, axis=1)  # many pods: counting adds no noise of its own

        def at(look: int, totals=totals):
            return fit_plots(totals[:, look], np.full(v * b, float(n)), variety,
                             columns, place).ratio(v - 1, 0)

        last = at(k - 1)
        beyond = on_normal_scale(abs(last.estimate) / last.se, last.df) - least
        if 0 < beyond < TIGHTEST and (k > 1):
            information = 1.0 / np.array([at(look).se for look in range(k)]) ** 2
            z = boundary_z(information, np.arange(1.0, k + 1), df, looks, each, claims.ended)[-1]
            assert z - least < TIGHTEST
            beyond = beyond + least - z
        hits += beyond > 0
    return hits / seasons


def study(seasons: int) -> pd.DataFrame:
    """varieties, blocks, plants, picks, looks, ratio, promised, named, points."""
    rng, rows = np.random.default_rng(8), []
    for setup, spread, claims in layouts():
        ratio = smallest_ratio(setup, spread, test=claims)
        promised = power_to_see(ratio, setup, spread, test=claims)
        share = named(ratio, setup, spread, claims, seasons, rng)
        rows.append((setup.varieties, setup.blocks, setup.plants, setup.picks, claims.looks,
                     round(ratio, 2), promised, share, 100 * (share - promised)))  # fmt: skip
        print(rows[-1], flush=True)
    return pd.DataFrame(rows, columns=["varieties", "blocks", "plants", "picks", "looks", "ratio",
                                       "promised", "named", "points"])  # fmt: skip


if __name__ == "__main__":
    table = study(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
    print(table.round(3).to_string())
    print("largest difference, points:", table["points"].abs().max())
