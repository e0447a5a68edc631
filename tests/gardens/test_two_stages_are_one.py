"""Two stages with the full covariance are one stage, variances alike (Piepho, Moehring,
Schulz-Streeck & Ogutu 2012, Biom. J. 54:844, section 2).

The one-stage fit is written out here from the textbook: with V the covariance matrix of all plots,
b = (X'V^-1X)^-1 X'V^-1y, and the restricted likelihood of Patterson & Thompson (1971, Biometrika
58:545).  Plot and block variance are held at the same values in both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import optimize
from season_trials import first

from trialkit.gardens.differences import pairwise_differences
from trialkit.gardens.stage_two import PLACE, TRIAL, YEAR, fit_stage_two, gather

PLOT, BLOCK = 0.3, 0.2


@dataclass
class Plots:
    table: pd.DataFrame  # trial, place, year, block, variety, y

    def dummies(self, *columns: str) -> np.ndarray:
        key = self.table[list(columns)].astype(str).agg("/".join, axis=1)
        return pd.get_dummies(key).to_numpy(float)

    @property
    def fixed(self) -> np.ndarray:
        """Varieties in full, trials but the first."""
        return np.hstack([self.dummies("variety"), self.dummies("trial")[:, 1:]])

    def covariance(self, place: float, year: float, trial: float) -> np.ndarray:
        z = {"place": (place, self.dummies("variety", "place")),
             "year": (year, self.dummies("variety", "year")),
             "trial": (trial, self.dummies("variety", "trial")),
             "block": (BLOCK, self.dummies("trial", "block"))}
        return PLOT**2 * np.eye(len(self.table)) + sum(
            sd**2 * m @ m.T for sd, m in z.values())

    def gls(self, *sds: float) -> tuple[np.ndarray, np.ndarray]:
        """Variety effects and their covariance, up to what is common to all."""
        x, inverse = self.fixed, np.linalg.inv(self.covariance(*sds))
        cov = np.linalg.inv(x.T @ inverse @ x)
        v = self.table["variety"].nunique()
        b = cov @ x.T @ inverse @ self.table["y"].to_numpy()
        return b[:v], cov[:v, :v]

    def restricted(self, *sds: float) -> float:
        """-2 log restricted likelihood, up to a constant."""
        v, x, y = self.covariance(*sds), self.fixed, self.table["y"].to_numpy()
        inverse = np.linalg.inv(v)
        inner = x.T @ inverse @ x
        r = y - x @ np.linalg.solve(inner, x.T @ inverse @ y)
        return float(np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1] + r @ inverse @ r)


def planted(seed: int, varieties: int, sites: int, years: int, missing: float) -> Plots:
    rng = np.random.default_rng(seed)
    rows = []
    place = rng.normal(0, 0.35, (varieties, sites))
    in_year = rng.normal(0, 0.25, (varieties, years))
    for s in range(sites):
        for t in range(years):
            own = rng.normal(0, 0.3, varieties)
            for block in range(3):
                level = rng.normal(0, BLOCK)
                for v in range(varieties):
                    if rng.random() < missing:
                        continue
                    y = 0.2 * v + place[v, s] + in_year[v, t] + own[v] + level
                    rows.append((f"s{s}y{t}", f"s{s}", 2020 + t, block, f"V{v}",
                                 y + rng.normal(0, PLOT)))
    return Plots(pd.DataFrame(rows, columns=["trial", "place", "year", "block", "variety", "y"]))


def stage_one(part: pd.DataFrame):
    """Variety means of one trial and their covariance, by the same textbook formula."""
    names = sorted(part["variety"].unique())
    x = (part["variety"].to_numpy()[:, None] == np.array(names)).astype(float)
    z = pd.get_dummies(part["block"]).to_numpy(float)
    inverse = np.linalg.inv(PLOT**2 * np.eye(len(part)) + BLOCK**2 * z @ z.T)
    cov = np.linalg.inv(x.T @ inverse @ x)
    y = cov @ x.T @ inverse @ part["y"].to_numpy()
    return first(y, cov, name=part["trial"].iloc[0], garden=part["place"].iloc[0],
                 year=int(part["year"].iloc[0]), varieties=names, scale="linear")


def both(plots: Plots):
    rows = gather([stage_one(part) for _, part in plots.table.groupby("trial")])
    second = fit_stage_two(rows)
    return second, pairwise_differences(second, tuple(sorted(rows.main)), rows.check)


@pytest.mark.parametrize(("sites", "missing", "seed"), [(4, 0.0, 1), (5, 0.25, 2), (3, 0.4, 3)])
def test_one_year_complete_and_with_plots_missing(sites, missing, seed):
    plots = planted(seed, 4, sites, 1, missing)
    second, found = both(plots)
    sd = second.terms[PLACE]
    effects, cov = plots.gls(0.0, 0.0, sd)
    j = np.eye(4) - 0.25
    assert np.abs(found.mean - j @ effects).max() < 1e-6
    ours = second.fit.cov_fixed.to_numpy()[1:4, 1:4]
    l_all = np.hstack([-np.ones((3, 1)), np.eye(3)])
    assert np.abs(ours - l_all @ cov @ l_all.T).max() < 1e-6
    best = optimize.minimize_scalar(lambda s: plots.restricted(0.0, 0.0, s), bounds=(0.0, 2.0),
                                    method="bounded", options={"xatol": 1e-9})
    assert sd == pytest.approx(best.x, abs=2e-5)


def test_sites_and_years_with_three_interactions():
    plots = planted(7, 4, 4, 3, 0.2)
    second, found = both(plots)
    sds = [second.terms[name] for name in (PLACE, YEAR, TRIAL)]
    assert min(sds) > 0.01, "no variance is at zero, or the case tests nothing"
    effects, cov = plots.gls(*sds)
    assert np.abs(found.mean - (np.eye(4) - 0.25) @ effects).max() < 1e-6
    ours = second.fit.cov_fixed.to_numpy()[1:4, 1:4]
    rows = np.hstack([-np.ones((3, 1)), np.eye(3)])
    assert np.abs(ours - rows @ cov @ rows.T).max() < 1e-6
    lowest = plots.restricted(*sds)
    for k in range(3):  # the optimum of the one-stage restricted likelihood too
        near = [plots.restricted(*(s * (1 + step * (i == k)) for i, s in enumerate(sds)))
                for step in (-0.02, 0.02)]
        slope, bend = (near[1] - near[0]) / 0.04, (near[0] + near[1] - 2 * lowest) / 0.02**2
        assert bend > 0
        assert abs(slope / bend) < 2e-3, "the minimum lies within 0.2 % of the two-stage value"


def test_one_trial_alone_is_its_own_stage_one():
    plots = planted(5, 3, 1, 1, 0.0)
    rows = gather([stage_one(plots.table)])
    found = pairwise_differences(fit_stage_two(rows), rows.main, rows.check)
    one = rows.trials[0]
    j = np.eye(3) - 1 / 3
    assert found.covariance == pytest.approx(j @ one.covariance @ j, abs=1e-12)
    assert found.df == one.df
