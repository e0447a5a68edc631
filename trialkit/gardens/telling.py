"""Which variances of stage 2 the trials at hand can tell apart at all.

Two random terms that group the rows alike, or a term that varieties and trials already explain,
have no variance of their own.  REML sees of a term Z only P ZZ' P, P the projection off the fixed
effects, so that variances can be told apart just when these matrices are linearly independent
(Rao 1972, J. Am. Stat. Assoc. 67:112: MINQUE exists).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
LARGEST = 600
"""Rows up to which the matrices are formed; beyond, terms are told apart by their groupings."""


def told_apart(
    table: pd.DataFrame, fixed: Sequence[str], terms: Mapping[str, npt.NDArray[np.intp]]
) -> list[str]:
    """The names of the terms, in their order, that can be told from those before them.

    fixed: columns of factors.  terms: the level of each row (n,), below zero for a row that the
    term has no effect on.
    """
    if len(table) > LARGEST:
        return _by_grouping(terms)
    parts = [pd.get_dummies(table[name]).to_numpy(dtype=np.float64) for name in fixed]
    x = np.hstack(parts) if parts else np.zeros((len(table), 0))
    projection = np.eye(len(table)) - x @ np.linalg.pinv(x)
    kept: list[str] = []
    seen: list[Floats] = []
    for name, codes in terms.items():
        inside = projection[:, codes >= 0] @ pd.get_dummies(codes[codes >= 0]).to_numpy(float)
        own = (inside @ inside.T).ravel()
        size = float(np.linalg.norm(own))
        if size <= 1e-9 * len(table):
            continue
        own = own / size
        if seen:
            known = np.column_stack(seen)
            left = own - known @ np.linalg.lstsq(known, own, rcond=None)[0]
            if float(np.linalg.norm(left)) < 1e-6:
                continue
        kept.append(name)
        seen.append(own)
    return kept


def _by_grouping(terms: Mapping[str, npt.NDArray[np.intp]]) -> list[str]:
    """Terms whose grouping no term before has."""
    kept: dict[str, npt.NDArray[np.intp]] = {}
    for name, codes in terms.items():
        again = False
        for other in kept.values():
            pairs = len(np.unique(np.column_stack([codes, other]), axis=0))
            again |= pairs == len(np.unique(codes)) == len(np.unique(other))
        if not again:
            kept[name] = codes
    return list(kept)
