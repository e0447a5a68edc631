"""The neighbour search evens out who stands beside whom and does not bias the trial."""

import numpy as np
import pytest
from scipy import stats

from trialkit.design.layouts import lay_out
from trialkit.design.patterns import edges, meetings, mix
from trialkit.design.request import COMPLETE_BLOCKS, LATIN_SQUARE, PlanRequest

SIX = tuple("ABCDEF")


def test_meetings_are_counted_as_by_hand():
    # A B
    # B A   four edges: A-B twice along the rows, A-B and B-A once down each column.
    grid = np.array([[0, 1], [1, 0]])
    table = meetings(grid.ravel(), edges(grid), 2)
    assert table[0, 1] == 4
    assert mix(grid, edges(grid), 2).own == 0
    beside = np.array([[0, 0], [1, 1]])
    assert mix(beside, edges(beside), 2).own == 2


def test_aisles_and_gaps_part_neighbours():
    grid = np.array([[0, 1], [2, -1]])
    assert len(edges(grid)) == 2
    assert len(edges(grid, cut_rows=[0])) == 1
    assert len(edges(grid, cut_rows=[0], cut_columns=[0])) == 0


@pytest.mark.slow
@pytest.mark.parametrize("design", [COMPLETE_BLOCKS, LATIN_SQUARE])
def test_search_is_no_worse_than_chance_and_parts_like_from_like(design):
    blocks = 6
    better = []
    for seed in range(6):
        with_search = lay_out(PlanRequest(SIX, design=design, blocks=blocks, seed=seed))
        without = lay_out(
            PlanRequest(SIX, design=design, blocks=blocks, seed=seed, improve_neighbours=False)
        )
        assert with_search.neighbours.uneven <= without.neighbours.uneven
        assert with_search.neighbours.own == 0
        better.append(with_search.neighbours.uneven < without.neighbours.uneven)
    assert sum(better) >= 5


@pytest.mark.slow
def test_every_variety_reaches_every_plot():
    # 120 layouts of two complete blocks of 3 varieties: each variety should stand on the first
    # plot of a block a third of the time. Chi-squared, 2 df.
    first = []
    for seed in range(120):
        plots = lay_out(PlanRequest(("A", "B", "C"), blocks=2, plants=1, seed=seed)).plots
        first += plots.drop_duplicates("block")["variety"].tolist()
    counts = [first.count(name) for name in "ABC"]
    assert sum(counts) == 240
    assert stats.chisquare(counts).pvalue > 0.001


@pytest.mark.slow
def test_false_alarm_rate_on_uneven_ground():
    """No variety differs, the ground trends and is patchy: the F test may cry wolf at most 5 %.

    Sampling error of 2000 layouts at 5 % is 0.5 points; 6.5 % would be three of them too many.
    """
    rng = np.random.default_rng(5)
    alarms = 0
    runs = 2000
    for seed in range(runs):
        plots = lay_out(PlanRequest(SIX, blocks=4, plants=1, seed=seed)).plots
        row, column = plots["plot_row"].to_numpy(), plots["plot_column"].to_numpy()
        near = np.exp(-np.hypot(row[:, None] - row, column[:, None] - column) / 2.0)
        ground = np.linalg.cholesky(near + 0.3 * np.eye(len(near))) @ rng.normal(size=len(near))
        plots["y"] = ground + 0.3 * rng.normal() * row + 0.3 * rng.normal() * column
        wide = plots.pivot(index="block", columns="variety", values="y").to_numpy()
        fitted = wide.mean(1, keepdims=True) + wide.mean(0, keepdims=True) - wide.mean()
        blocks, varieties = wide.shape
        df = (blocks - 1) * (varieties - 1)
        error = np.sum((wide - fitted) ** 2) / df
        between = blocks * np.var(wide.mean(0), ddof=1)
        alarms += stats.f.sf(between / error, varieties - 1, df) < 0.05
    assert alarms / runs < 0.065
