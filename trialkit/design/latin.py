"""Random Latin squares.

Jacobson & Matthews (1996), Generating uniformly distributed random Latin squares,
Journal of Combinatorial Designs 4:405-437: a walk over proper and improper squares that
reaches every Latin square and whose limit is uniform.
"""

from __future__ import annotations

import numpy as np

from trialkit.design.efficiency import IntArray


def random_latin_square(size: int, rng: np.random.Generator, visits: int | None = None) -> IntArray:
    """A Latin square of 0 .. size-1, shape (size, size), by the Jacobson-Matthews walk.

    visits: proper squares passed before stopping. (Counting proper squares, not steps,
    keeps the limit uniform: stopping at the first proper square after a fixed time is not.)
    """
    if size < 2:
        return np.zeros((size, size), dtype=np.int64)
    cube = np.zeros((size, size, size), dtype=np.int64)
    row, column = np.indices((size, size))
    cube[row, column, (row + column) % size] = 1
    left = visits if visits is not None else 2 * size**2
    improper: tuple[int, int, int] | None = None
    while left > 0:
        improper = _step(cube, improper, rng)
        left -= improper is None
    return np.asarray(cube.argmax(axis=2), dtype=np.int64)


def _step(
    cube: IntArray, improper: tuple[int, int, int] | None, rng: np.random.Generator
) -> tuple[int, int, int] | None:
    """One +-1 move; returns the improper cell if the square has one afterwards."""
    if improper is None:
        a, b, c = (int(one) for one in rng.integers(len(cube), size=3))
        while cube[a, b, c] != 0:
            a, b, c = (int(one) for one in rng.integers(len(cube), size=3))
    else:
        a, b, c = improper
    # In a proper square each line has a single 1; through an improper cell it has two.
    a2 = _one_of(cube[:, b, c], rng)
    b2 = _one_of(cube[a, :, c], rng)
    c2 = _one_of(cube[a, b, :], rng)
    for cell in ((a, b, c), (a, b2, c2), (a2, b, c2), (a2, b2, c)):
        cube[cell] += 1
    for cell in ((a2, b, c), (a, b2, c), (a, b, c2), (a2, b2, c2)):
        cube[cell] -= 1
    return (a2, b2, c2) if cube[a2, b2, c2] < 0 else None


def _one_of(line: IntArray, rng: np.random.Generator) -> int:
    """The place of a 1 in a line, drawn evenly when there are two."""
    ones = np.flatnonzero(line == 1)
    return int(ones[0] if ones.size == 1 else ones[rng.integers(ones.size)])
