"""Which variances of stage 2 the trials at hand tell apart, with enough to judge each by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

Codes = npt.NDArray[np.intp]
LEAST = 2
"""Degrees of freedom a variance needs of its own, and leaves for the others: with one alone it
is known within a factor of a thousand (95 % limits of chi-squared on 1 df)."""
LARGEST = 600
"""Rows up to which ranks are worked out; beyond, terms are told apart by their groupings."""


def told_apart(
    table: pd.DataFrame, fixed: Sequence[str], terms: Mapping[str, Codes]
) -> list[str]:
    """The names of the terms that can be told from the fixed effects and the terms before them.

    fixed: columns of factors.  terms: the level of each row (n,), below zero for a row that the
    term has no effect on; the first, a level a row, is what the others are told from.  A term's
    degrees of freedom are the ranks it adds to the fixed effects and the terms before, as in the
    analysis of variance with terms in that order.
    """
    first, *others = terms
    if len(table) > LARGEST:
        return [first, *_by_grouping({name: terms[name] for name in others}, terms[first])]
    parts = [pd.get_dummies(table[name]).to_numpy(dtype=np.float64) for name in fixed]
    x = np.hstack(parts)
    left = np.eye(len(table)) - x @ np.linalg.pinv(x)
    kept = [first]
    for name in others:
        codes = terms[name]
        own = left[:, codes >= 0] @ pd.get_dummies(codes[codes >= 0]).to_numpy(float)
        u, size, _ = np.linalg.svd(own, full_matrices=False)
        basis = u[:, size > 1e-8]
        added = basis.shape[1]
        if added >= LEAST and float(np.trace(left)) - added >= LEAST - 1e-6:
            kept.append(name)
            left = left - basis @ basis.T
    return kept


def _by_grouping(terms: Mapping[str, Codes], first: Codes) -> list[str]:
    """Terms whose grouping no term before has."""
    kept: dict[str, Codes] = {"": first}
    for name, codes in terms.items():
        again = False
        for other in kept.values():
            pairs = len(np.unique(np.column_stack([codes, other]), axis=0))
            again |= pairs == len(np.unique(codes)) == len(np.unique(other))
        if not again:
            kept[name] = codes
    return list(kept)[1:]
