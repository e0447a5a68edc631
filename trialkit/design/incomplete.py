"""Resolvable incomplete blocks for many varieties: alpha designs.

Construction: Patterson & Williams (1976), A new class of resolvable incomplete block
designs, Biometrika 63:83-92. A k x r generating array with entries 0..s-1 is turned into
blocks by adding 1, 2, ... s-1 (mod s) to each column; row i of the result then stands for
the varieties i*s ... i*s + s - 1. Good arrays are found here by a seeded search, not copied.

The information matrix of such a design is block circulant, so its eigenvalues come from
s small matrices, one a frequency of the discrete Fourier transform. That makes one trial
array cheap enough to judge thousands on the efficiency factor itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.design.efficiency import (
    DISCONNECTED,
    Efficiency,
    FloatArray,
    IntArray,
    efficiency,
    resolvable_bound,
)


@dataclass(frozen=True)
class AlphaDesign:
    """A resolvable design: replicates of blocks of variety numbers 0 .. v-1.

    array: the generating array, shape (block_size, replicates).
    blocks: blocks[replicate][block] is the variety numbers in that block.
    """

    varieties: int
    array: IntArray
    blocks: tuple[tuple[IntArray, ...], ...]
    efficiency: Efficiency


def array_efficiency(array: IntArray, cycle: int) -> float:
    """Average efficiency factor of the full design (v = k s) an array generates.

    Frequency f of the information matrix is r I - A A* / k with A[p, c] =
    exp(2 pi i f a[p, c] / s). A A* and A* A share their non-zero eigenvalues, so the
    smaller of the two is used. 0 for a design that is not connected.
    """
    size, replicates = array.shape
    frequency = np.arange(1, cycle)
    wave = np.exp(2j * np.pi / cycle * frequency[:, None, None] * array[None, :, :])
    small = np.conj(np.swapaxes(wave, 1, 2)) @ wave
    if size < replicates:
        small = wave @ np.conj(np.swapaxes(wave, 1, 2))
    lost = np.linalg.eigvalsh(small) / (size * replicates)
    left = 1.0 - lost
    if left.size and float(left.min()) < DISCONNECTED:
        return 0.0
    full = size * cycle - 1 - left.size
    return float((size * cycle - 1) / (full + np.sum(1.0 / left)))


def search_array(
    block_size: int, replicates: int, cycle: int, rng: np.random.Generator, starts: int = 30
) -> IntArray:
    """A generating array of high efficiency by coordinate exchange from random starts.

    The first row and column are zero without loss of generality (the reduced array of
    Patterson & Williams, section 2). Each other entry in turn takes its best value until
    a whole sweep changes nothing. The first start is a[i, j] = i j (mod s), which is a
    square lattice where s is prime and k <= s. Stops early when the bound is reached.
    """
    bound = resolvable_bound(block_size * cycle, replicates, cycle)
    best = np.zeros((block_size, replicates), dtype=np.int64)
    best_value = -1.0
    for start in range(starts):
        array = np.outer(np.arange(block_size), np.arange(replicates)) % cycle
        if start > 0:
            array[1:, 1:] = rng.integers(0, cycle, size=(block_size - 1, replicates - 1))
        value = array_efficiency(array, cycle)
        improving = True
        while improving:
            improving = False
            for row in range(1, block_size):
                for column in range(1, replicates):
                    kept = int(array[row, column])
                    for entry in range(cycle):
                        array[row, column] = entry
                        trial = array_efficiency(array, cycle)
                        if trial > value + 1e-12:
                            value, kept, improving = trial, entry, True
                    array[row, column] = kept
        if value > best_value + 1e-12:
            best, best_value = array.copy(), value
        if best_value > bound - 1e-9:
            break
    return best


def blocks_from_array(array: IntArray, cycle: int) -> tuple[tuple[IntArray, ...], ...]:
    """Replicates of blocks of variety numbers, v = k s (Patterson & Williams, section 2)."""
    group = cycle * np.arange(array.shape[0])
    return tuple(
        tuple((array[:, replicate] + shift) % cycle + group for shift in range(cycle))
        for replicate in range(array.shape[1])
    )


def alpha_design(
    varieties: int, replicates: int, block_size: int, rng: np.random.Generator, starts: int = 30
) -> AlphaDesign:
    """An efficient alpha design for v varieties in blocks of at most `block_size` plots.

    Where v is not a multiple of the block size, the last varieties of the last group are
    left out (Patterson & Williams, section 4), so blocks differ by at most one plot.
    """
    cycle = -(-varieties // block_size)
    size = -(-varieties // cycle)
    array = search_array(size, replicates, cycle, rng, starts)
    blocks = tuple(
        tuple(block[block < varieties] for block in replicate)
        for replicate in blocks_from_array(array, cycle)
    )
    variety, _, block_of = flatten(blocks)
    bound = resolvable_bound(varieties, replicates, cycle)
    measured = efficiency(variety, block_of, bound=bound)
    return AlphaDesign(varieties, array, blocks, measured)


def flatten(blocks: tuple[tuple[IntArray, ...], ...]) -> tuple[IntArray, IntArray, IntArray]:
    """Variety, replicate and block number of every plot, each of shape (plots,)."""
    variety: list[int] = []
    replicate_of: list[int] = []
    block_of: list[int] = []
    number = 0
    for replicate, group in enumerate(blocks):
        for block in group:
            variety.extend(int(one) for one in block)
            replicate_of.extend([replicate] * len(block))
            block_of.extend([number] * len(block))
            number += 1
    return np.array(variety), np.array(replicate_of), np.array(block_of)


def concurrences(blocks: tuple[tuple[IntArray, ...], ...], varieties: int) -> FloatArray:
    """How many blocks each pair of varieties shares, shape (varieties, varieties)."""
    together = np.zeros((varieties, varieties))
    for replicate in blocks:
        for block in replicate:
            together[np.ix_(block, block)] += 1.0
    return together
