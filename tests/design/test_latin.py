"""Random Latin squares: every square Latin, every square reachable, near uniform."""

import numpy as np
import pytest
from scipy import stats

from trialkit.design.patterns import random_latin_square


@pytest.mark.parametrize("size", [2, 3, 5, 8])
def test_rows_and_columns_hold_every_number(size):
    square = random_latin_square(size, np.random.default_rng(size))
    for line in (*square, *square.T):
        assert sorted(line) == list(range(size))


@pytest.mark.slow
def test_all_576_squares_of_side_four_come_up_evenly():
    # There are 576 Latin squares of side 4 (Fisher & Yates 1934); Jacobson & Matthews 1996
    # prove their walk is uniform over them in the limit. Chi-squared over all 576.
    rng = np.random.default_rng(11)
    counts: dict[bytes, int] = {}
    for _ in range(5_760):
        key = random_latin_square(4, rng, visits=12).tobytes()
        counts[key] = counts.get(key, 0) + 1
    assert len(counts) == 576
    assert stats.chisquare(list(counts.values())).pvalue > 0.001
