"""The lower triangles L_f of all groupings as one vector, scaled for a search."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.mixed.grouping import Floats, Grouping


class Triangles:
    """Packs one (k, k) triangle a grouping into a vector, a number a variance parameter.

    Row i of L_f is divided by scale_f[i]; columns with a variance in common have one scale.
    """

    def __init__(self, groupings: Sequence[Grouping], scales: Sequence[Floats]) -> None:
        self.groupings, self.scales = tuple(groupings), list(scales)
        self.shapes = [
            [tuple(np.array(entries).T) for entries in g.parameters] for g in self.groupings
        ]
        self.size = sum(len(shape) for shape in self.shapes)

    def pack(self, factors: Sequence[Floats]) -> Floats:
        parts = [
            f[i[0], j[0]] / scale[i[0]]
            for f, scale, shape in zip(factors, self.scales, self.shapes, strict=True)
            for i, j in shape
        ]
        return np.array(parts, dtype=np.float64)

    def unpack(self, x: Floats) -> list[Floats]:
        """The triangles from the head of a vector; what follows them is left alone."""
        out, at = [], 0
        for g, scale, shape in zip(self.groupings, self.scales, self.shapes, strict=True):
            factor = np.zeros((g.k, g.k))
            for i, j in shape:
                factor[i, j] = x[at] * scale[i]
                at += 1
            out.append(factor)
        return out

    def gradient(self, in_factors: Sequence[Floats]) -> Floats:
        """Derivatives in the vector from those in each L_f."""
        parts = [
            float(d[i, j] @ scale[i])
            for d, scale, shape in zip(in_factors, self.scales, self.shapes, strict=True)
            for i, j in shape
        ]
        return np.array(parts, dtype=np.float64)

    def columns(self) -> list[list[int]]:
        """Positions in the vector of each column of each triangle, last column first; a variance
        that several columns share is one of its own."""
        out, start = [], 0
        for shape in self.shapes:
            firsts = [int(j[0]) for _, j in shape]
            for column in sorted(set(firsts), reverse=True):
                out.append([start + at for at, j in enumerate(firsts) if j == column])
            start += len(shape)
        return out
