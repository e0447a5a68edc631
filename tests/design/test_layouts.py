"""Layouts keep the promises of their design, whatever is asked."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.design.geometry import compass_in, on_map
from trialkit.design.layouts import lay_out, walking_order
from trialkit.design.request import (
    COMPLETE_BLOCKS,
    COMPLETELY_RANDOMISED,
    DESIGNS,
    INCOMPLETE_BLOCKS,
    LATIN_SQUARE,
    ROW_COLUMN,
    SPLIT_PLOT,
    PlanProblem,
    PlanRequest,
)

FIVE = ("Ash", "Birch", "Cedar", "Dogwood", "Elm")


def request_for(design: str, **changes: object) -> PlanRequest:
    varieties = FIVE if design != INCOMPLETE_BLOCKS else tuple(f"V{n}" for n in range(12))
    settings_for = {
        LATIN_SQUARE: {"blocks": 5},
        ROW_COLUMN: {"grid": (4, 5)},
        INCOMPLETE_BLOCKS: {"blocks": 3, "block_size": 4},
    }
    given_settings = {**settings_for.get(design, {}), "seed": 8, **changes}
    return PlanRequest(varieties, design=design, **given_settings)  # type: ignore[arg-type]


@pytest.mark.parametrize("design", DESIGNS)
def test_the_same_seed_gives_the_same_bed_and_another_seed_another(design):
    first, again, other = (lay_out(request_for(design, seed=seed)) for seed in (8, 8, 9))
    pd.testing.assert_frame_equal(first.plants, again.plants)
    assert not first.plants["variety"].equals(other.plants["variety"])


@pytest.mark.parametrize("design", DESIGNS)
def test_every_variety_has_its_repeats_and_every_plant_its_own_place(design):
    planting = lay_out(request_for(design))
    request = planting.request
    assert set(planting.plots["variety"].value_counts()) == {request.blocks}
    plants = planting.plants
    assert len(plants) == request.count * request.blocks * request.plants * request.parts
    assert plants["plant"].is_unique
    assert not plants.duplicated(["row", "column"]).any()
    assert set(plants.groupby("plot")["variety"].nunique()) == {1}
    guards = set(zip(planting.guards["row"], planting.guards["column"], strict=True))
    assert not guards & set(zip(plants["row"], plants["column"], strict=True))


def test_complete_blocks_hold_each_variety_once():
    blocks = lay_out(request_for(COMPLETE_BLOCKS)).plots.groupby("block")
    assert blocks.ngroups > 1
    for _, block in blocks:
        assert sorted(block["variety"]) == sorted(FIVE)


def test_latin_square_holds_each_variety_once_in_each_row_and_column():
    plots = lay_out(request_for(LATIN_SQUARE)).plots
    for side in ("plot_row", "plot_column", "block"):
        assert plots[side].nunique() == len(FIVE)
        for _, line in plots.groupby(side):
            assert sorted(line["variety"]) == sorted(FIVE)


def test_neighbour_search_keeps_rows_of_a_row_column_layout_complete():
    plots = lay_out(request_for(ROW_COLUMN)).plots
    assert plots["plot_row"].nunique() > 1
    for _, line in plots.groupby("plot_row"):
        assert sorted(line["variety"]) == sorted(FIVE)


def test_incomplete_blocks_are_resolvable_and_compact():
    plots = lay_out(request_for(INCOMPLETE_BLOCKS)).plots
    for _, replicate in plots.groupby("replicate"):
        assert replicate["variety"].is_unique
        assert len(replicate) == 12
    assert set(plots.groupby("block").size()) == {4}
    spread = plots.groupby("block")[["plot_row", "plot_column"]].nunique()
    assert (spread.min(axis=1) == 1).all()


def test_split_plot_has_every_treatment_in_every_plot_in_one_piece():
    plants = lay_out(request_for(SPLIT_PLOT, plants=3)).plants
    assert plants["plot"].nunique() >= 2 * len(FIVE)
    for _, plot in plants.groupby("plot"):
        assert plot["treatment"].value_counts().to_dict() == {"topped": 3, "not topped": 3}
        ordered = plot.sort_values("column")["treatment"].tolist()
        assert len(list(itertools.groupby(ordered))) == 2


def test_split_plot_sides_are_drawn_not_fixed():
    plants = lay_out(request_for(SPLIT_PLOT, blocks=8, plants=1)).plants
    first = plants.sort_values("column").groupby("plot")["treatment"].first()
    assert 8 <= (first == "topped").sum() <= 32  # 40 fair coins: outside has p < 0.0001


@pytest.mark.parametrize(
    ("changes", "says", "offers"),
    [
        ({"design": LATIN_SQUARE, "blocks": 4}, "4 x 4 Latin square", "a 5 x 5 Latin square"),
        ({"design": LATIN_SQUARE, "blocks": 4}, "as many plots of each", "4 complete blocks of 5"),
        ({"design": ROW_COLUMN, "grid": (3, 5)}, "need 20 plots", "a grid of 4 x 5"),
        ({"design": INCOMPLETE_BLOCKS, "block_size": 7}, "already holds all", "complete blocks"),
        ({"design": INCOMPLETE_BLOCKS}, "need a block size", "blocks of 2"),
        ({"room_cm": (500.0, 300.0)}, "do not fit 5 m along", "a bed of"),
        ({"across": 3}, "do not come out even", "4, 5, 10, 20 plots"),
    ],
)
def test_impossible_plans_are_refused_with_the_nearest_possible(changes, says, offers):
    with pytest.raises(PlanProblem) as refused:
        lay_out(PlanRequest(FIVE, **changes))
    assert says in str(refused.value)
    assert any(offers in one for one in refused.value.instead)


def test_all_wrong_figures_are_named_at_once():
    with pytest.raises(PlanProblem) as refused:
        lay_out(PlanRequest(("Ash", "Ash", ""), plants=0, guards="some", row_spacing_cm=-1))
    assert len(refused.value.problems) == 5


@settings(max_examples=12, deadline=None)
@given(
    design=st.sampled_from(DESIGNS),
    count=st.integers(2, 14),
    blocks=st.integers(1, 6),
    plants=st.integers(1, 6),
    block_size=st.integers(2, 6),
    seed=st.integers(0, 10_000),
)
def test_any_request_gives_a_sound_bed_or_a_clear_refusal(
    design, count, blocks, plants, block_size, seed
):
    request = PlanRequest(
        tuple(f"V{n}" for n in range(count)),
        design=design,
        blocks=blocks,
        plants=plants,
        block_size=block_size,
        seed=seed,
    )
    try:
        planting = lay_out(request)
    except PlanProblem:
        return
    assert set(planting.plots["variety"].value_counts()) == {blocks}
    assert not planting.plants.duplicated(["row", "column"]).any()
    assert 0 < planting.efficiency.average <= planting.efficiency.bound + 1e-9


def test_blocks_lie_at_one_distance_from_the_shade():
    west = lay_out(PlanRequest(FIVE, sun="afternoon shade from the west", seed=1)).plots
    assert (west.groupby("block")["plot_column"].nunique() == 1).all()
    north = lay_out(PlanRequest(FIVE, sun="shade of the north hedge", seed=1)).plots
    assert (north.groupby("block")["plot_row"].nunique() == 1).all()
    turned = lay_out(PlanRequest(FIVE, sun="west wall", top="west", seed=1)).plots
    assert (turned.groupby("block")["plot_row"].nunique() == 1).all()


def test_room_is_kept_and_aisles_counted():
    request = PlanRequest(FIVE, aisle_cm=60, room_cm=(1000.0, 700.0), guards="all round", seed=3)
    planting = lay_out(request)
    long, wide = planting.size_cm
    assert long <= 1000
    assert wide <= 700
    last_x = planting.geometry.x(planting.plants["column"].max())
    # Half a spacing of soil outside the guard plants, which stand one spacing outside.
    assert long == pytest.approx(float(last_x) + 3 * request.plant_spacing_cm)


def test_walk_goes_there_and_back():
    plants = lay_out(PlanRequest(FIVE, seed=2)).plants
    shuffled = plants.sample(frac=1, random_state=1)
    walk = walking_order(shuffled)
    assert walk["plant"].tolist() == plants["plant"].tolist()
    step = walk[["row", "column"]].diff().abs().sum(axis=1).iloc[1:]
    assert (step == 1).all()


def test_plot_numbers_rise_along_the_walk_within_a_block():
    planting = lay_out(PlanRequest(FIVE, sun="north", seed=2))
    assert planting.plants["block"].nunique() > 1
    for _, block in planting.plants.groupby("block"):
        assert block["plot"].drop_duplicates().is_monotonic_increasing


@pytest.mark.parametrize(
    ("words", "side"),
    [
        ("afternoon shade from the west", "west"),
        ("Southern fence", "south"),
        ("shade, north-east", "north-east"),
        ("NORTH WEST wall", "north-west"),
        ("behind the shed", None),
        (None, None),
    ],
)
def test_compass_sides_are_read_from_plain_words(words, side):
    assert compass_in(words) == side


def test_the_map_turns_with_its_top():
    assert on_map("west", "north") == pytest.approx((-1, 0))
    assert on_map("west", "west") == pytest.approx((0, 1))
    assert on_map("north", "east") == pytest.approx((-1, 0))
    assert np.hypot(*on_map("south-east", "north")) == pytest.approx(1)


def test_completely_randomised_has_one_block():
    assert set(lay_out(request_for(COMPLETELY_RANDOMISED)).plots["block"]) == {"1"}
