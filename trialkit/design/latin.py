"""Random Latin squares.

Jacobson & Matthews (1996), Generating uniformly distributed random Latin squares,
Journal of Combinatorial Designs 4:405-437: a walk over proper and improper squares that
reaches every Latin square and whose limit is uniform.
"""

from __future__ import annotations

import numpy as np

from trialkit.design.efficiency import IntArray


def random_latin_square(size: int, rng: np.random.Generator, steps: int | None = None) -> IntArray:
    """A Latin square of 0 .. size-1, shape (size, size), by the Jacobson-Matthews walk."""
    if size < 2:
        return np.zeros((size, size), dtype=np.int64)
    cube = np.zeros((size, size, size), dtype=np.int64)
    row, column = np.indices((size, size))
    cube[row, column, (row + column) % size] = 1
    walked, wanted = 0, steps if steps is not None else 4 * size**3
    improper: tuple[int, int, int] | None = None
    while walked < wanted or improper is not None:
        walked += 1
        improper = _step(cube, improper, rng)
    return np.asarray(cube.argmax(axis=2), dtype=np.int64)


def _step(
    cube: IntArray, improper: tuple[int, int, int] | None, rng: np.random.Generator
) -> tuple[int, int, int] | None:
    """One +-1 move; returns the improper cell if the square has one afterwards."""
    if improper is None:
        zeros = np.argwhere(cube == 0)
        a, b, c = (int(one) for one in zeros[rng.integers(len(zeros))])
    else:
        a, b, c = improper
    # In a proper square each line has a single 1; through an improper cell it has two.
    a2 = int(rng.choice(np.flatnonzero(cube[:, b, c] == 1)))
    b2 = int(rng.choice(np.flatnonzero(cube[a, :, c] == 1)))
    c2 = int(rng.choice(np.flatnonzero(cube[a, b, :] == 1)))
    for cell in ((a, b, c), (a, b2, c2), (a2, b, c2), (a2, b2, c)):
        cube[cell] += 1
    for cell in ((a2, b, c), (a, b2, c), (a, b, c2), (a2, b2, c2)):
        cube[cell] -= 1
    return (a2, b2, c2) if cube[a2, b2, c2] < 0 else None
