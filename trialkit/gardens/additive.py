"""The two-way table of varieties and trials, fitted by least squares without weights.

y = variety + trial.  In a complete table the trial effects are the trials' means; in an
incomplete one they are what the means would be had every variety been grown (Yates 1933, Empire
Journal of Experimental Agriculture 1:129).  Trials are swept out first, so that the work grows
with the records and not with their square.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Additive:
    """One linked group of varieties.

    varieties (v,); trials: index of each trial (t,).  code (n,) and place (n,): the variety and
    trial of a row.  effect (v,): varieties about their mean.  level (t,): trials, as the mean of
    all varieties there.  residual (n,).  swept (n, v): varieties with trials swept out; inverse
    (v, v): pseudoinverse of its cross-product.  rows: index labels of the table's rows.
    """

    varieties: tuple[str, ...]
    trials: Whole
    code: Whole
    place: Whole
    effect: Floats
    level: Floats
    residual: Floats
    swept: Floats
    inverse: Floats
    rows: pd.Index

    @property
    def complete(self) -> bool:
        return len(self.code) == len(self.varieties) * len(self.trials)


def additive(table: pd.DataFrame, varieties: tuple[str, ...]) -> Additive:
    """Fit the rows of `varieties` (linked through trials; see `rows.Rows`)."""
    part = table[table["variety"].isin(varieties)]
    code = pd.Index(varieties).get_indexer(pd.Index(part["variety"]))
    place, trials = pd.factorize(part["at"], sort=True)
    y = part["y"].to_numpy(dtype=np.float64)
    size = np.bincount(place).astype(np.float64)
    v = len(varieties)
    grown = np.zeros((len(trials), v))
    np.add.at(grown, (place, code), 1.0)
    swept = np.eye(v)[code] - (grown / size[:, None])[place]
    left = y - (np.bincount(place, y) / size)[place]
    inverse = np.asarray(np.linalg.pinv(swept.T @ swept, hermitian=True), dtype=np.float64)
    effect = inverse @ (swept.T @ left)
    effect = effect - effect.mean()
    level = np.asarray(np.bincount(place, y - effect[code]) / size, dtype=np.float64)
    residual = y - effect[code] - level[place]
    return Additive(tuple(varieties), np.asarray(trials, dtype=np.intp), code, place, effect,
                    level, residual, swept, inverse, part.index)
