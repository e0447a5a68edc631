"""The lower triangles L_f of all groupings as one vector, scaled for a search."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.mixed.grouping import Floats, Grouping


class Triangles:
    """Packs one (k, k) triangle a grouping into a vector, a number a variance parameter.

    Row i of L_f is divided by scale_f[i].
    """

    def __init__(self, groupings: Sequence[Grouping], scales: Sequence[Floats]) -> None:
        self.groupings, self.scales = tuple(groupings), list(scales)
        self.shapes = [tuple(np.array(g.parameters).T) for g in self.groupings]
        self.size = sum(len(g.parameters) for g in self.groupings)

    def pack(self, factors: Sequence[Floats]) -> Floats:
        parts = [
            f[i, j] / scale[i]
            for f, scale, (i, j) in zip(factors, self.scales, self.shapes, strict=True)
        ]
        return np.concatenate(parts) if parts else np.zeros(0)

    def unpack(self, x: Floats) -> list[Floats]:
        """The triangles from the head of a vector; what follows them is left alone."""
        out, at = [], 0
        for g, scale, (i, j) in zip(self.groupings, self.scales, self.shapes, strict=True):
            factor = np.zeros((g.k, g.k))
            factor[i, j] = x[at : at + len(i)] * scale[i]
            at += len(i)
            out.append(factor)
        return out

    def gradient(self, in_factors: Sequence[Floats]) -> Floats:
        """Derivatives in the vector from those in each L_f."""
        parts = [
            d[i, j] * scale[i]
            for d, scale, (i, j) in zip(in_factors, self.scales, self.shapes, strict=True)
        ]
        return np.concatenate(parts) if parts else np.zeros(0)

    def columns(self) -> list[list[int]]:
        """Positions in the vector of each column of each triangle, last column first."""
        out, start = [], 0
        for g, (_, j) in zip(self.groupings, self.shapes, strict=True):
            for column in reversed(range(g.k)):
                out.append([start + int(at) for at in np.flatnonzero(j == column)])
            start += len(j)
        return out
