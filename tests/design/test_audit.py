"""The audit against a catalogue of layouts, and its degrees of freedom against textbooks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.design.audit import audit_plants, row_sd_to_explain
from trialkit.design.experimental_units import comparable, strata, variety_df

DATA = Path(__file__).parent / "data"


def bed(*rows, blocks=None, plots=None, places=True, **more) -> pd.DataFrame:
    """Plants from a map: one text a row, one letter a plant ('.' is a gap).

    blocks: function of (row, column) or None. plots: function of (row, column, variety) or None.
    """
    table = []
    for r, text in enumerate(rows, start=1):
        for c, variety in enumerate(text.replace(" ", ""), start=1):
            if variety == ".":
                continue
            table.append(
                {
                    "plant": f"r{r}c{c}",
                    "variety": variety,
                    "block": blocks(r, c) if blocks else pd.NA,
                    "plot": plots(r, c, variety) if plots else pd.NA,
                    "row": float(r) if places else np.nan,
                    "column": float(c) if places else np.nan,
                    "treatment": pd.NA,
                    "lost": pd.NaT,
                    "lost_reason": pd.NA,
                }
            )
    frame = pd.DataFrame(table)
    for name, value in more.items():
        frame[name] = [value(r) for r in frame.itertuples()]
    return frame


def by_row(r, _c):
    return f"block {r}"


def stop(found):
    """The first finding that stops a comparison: findings stand worst first."""
    assert found.findings[0].severity == "stop"
    return found.findings[0]


def expect(found, unit, n_plots, supports, df, *codes):
    assert found.unit == unit
    assert found.n_plots.to_dict() == n_plots
    assert found.supports_comparison is supports
    assert bool(found.why_not) is not supports
    if supports:
        assert found.strata_df == df
    missing = [code for code in codes if not found.has(code)]
    assert not missing, [one.code for one in found.findings]
    for one in found.findings:
        assert one.one_line.endswith((".", "?"))
        assert one.full.endswith(".")
        assert one.severity in {"stop", "careful", "note"}


# --- the catalogue -------------------------------------------------------------------------


def test_01_one_row_a_variety():
    found = audit_plants(bed("AAAAAAAA", "BBBBBBBB", "CCCCCCCC"))
    expect(found, "row", {"A": 1, "B": 1, "C": 1}, False, 0, "one-row-a-variety")
    assert not found.replicated
    assert found.why_not.startswith("each variety stands in one row only")
    assert "4 short stretches of 2" in found.fix


def test_02_one_row_a_variety_without_columns():
    plants = bed("AAAAAAAA", "BBBBBBBB")
    plants["column"] = np.nan
    expect(audit_plants(plants), "row", {"A": 1, "B": 1}, False, 0, "one-row-a-variety")


def test_03_complete_blocks_with_plots():
    plants = bed(
        "AABBCC", "BBCCAA", "CCAABB", "BBAACC", blocks=by_row, plots=lambda r, c, v: f"{r}{v}"
    )
    found = audit_plants(plants, "randomised complete block")
    expect(found, "plot", {"A": 4, "B": 4, "C": 4}, True, 6)
    assert found.blocks == 4
    assert found.replicated
    assert "every variety once in each" in found.layout
    assert found.strata["df"].tolist() == [3, 2, 6]


def test_04_complete_blocks_plots_unnamed_found_from_stretches():
    found = audit_plants(bed("AABBCC", "BBCCAA", "CCAABB", blocks=by_row))
    expect(found, "plot", {"A": 3, "B": 3, "C": 3}, True, 4)


def test_05_complete_blocks_without_positions():
    plants = bed("AABB", "BBAA", "AABB", blocks=by_row, places=False)
    asked = audit_plants(plants)
    expect(asked, "plot", {"A": 3, "B": 3}, False, 0, "plot-places-missing")
    assert "row and column" in stop(asked).fix
    found = audit_plants(plants, "randomised complete blocks")
    expect(found, "plot", {"A": 3, "B": 3}, True, 2, "plot-assumed", "few-plots")
    assert found.supports_comparison


def test_06_neighbouring_plots_called_replicates_in_one_row():
    plants = bed("AAAABBBB", plots=lambda r, c, v: f"plot {(c + 1) // 2}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 1, "B": 1}, False, 0, "neighbours-called-replicates")


def test_36_pairs_of_like_plots_in_two_rows_are_two_plots():
    plants = bed("AAAABBBB", "BBBBAAAA", plots=lambda r, c, v: f"plot {r}{(c + 1) // 2}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 2, "B": 2}, True, 2, "neighbours-called-replicates")
    assert found.findings[0].severity == "careful"
    drawn = audit_plants(plants, "completely randomised")
    assert drawn.n_plots.to_dict() == {"A": 4, "B": 4}


def test_07_neighbouring_rows_of_one_variety():
    plants = bed("AAAA", "AAAA", "BBBB", "BBBB", plots=lambda r, c, v: f"row {r}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 1, "B": 1}, False, 0, "neighbours-called-replicates")


def test_08_alternating_rows_are_repetitions():
    found = audit_plants(bed("AAAAAA", "BBBBBB", "AAAAAA", "BBBBBB"))
    expect(found, "row", {"A": 2, "B": 2}, True, 2, "few-plots")
    assert found.blocks == 0


def test_09_single_plants_entered_as_plots_side_by_side():
    plants = bed("AAAAABBBBB", plots=lambda r, c, v: f"p{c}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 1, "B": 1}, False, 0, "plants-called-plots")


def test_10_single_plants_mixed_by_lot():
    plants = bed("ABBACBCA", "CABCABBC", "BCACACAB")
    found = audit_plants(plants, "completely randomised")
    expect(found, "plant", {"A": 8, "B": 8, "C": 8}, True, 21, "plants-are-plots")
    assert found.unit_of["r1c1"] == "r1c1"


def test_11_single_plants_entered_as_plots_and_mixed():
    plants = bed("ABBACBCA", "CABCABBC", plots=lambda r, c, v: f"p{r}{c}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 5, "B": 6, "C": 5}, True, 13)


def test_12_nothing_recorded_about_places_is_asked():
    found = audit_plants(bed("ABABAB", places=False), "completely randomised single plants")
    expect(found, "plot", {"A": 1, "B": 1}, False, 0, "position-missing")
    assert "row and column" in found.fix


def test_13_plots_named_but_not_placed_is_asked():
    plants = bed("AABBAABB", plots=lambda r, c, v: f"p{(c + 1) // 2}", places=False)
    found = audit_plants(plants)
    expect(found, "plot", {"A": 2, "B": 2}, False, 0, "plot-places-missing")
    assert not found.replicated
    drawn = audit_plants(plants, "completely randomised")
    expect(drawn, "plot", {"A": 2, "B": 2}, True, 2)


def test_14_each_block_one_variety_is_no_block():
    plants = bed("AAAA", "BBBB", "CCCC", blocks=by_row)
    found = audit_plants(plants)
    expect(found, "row", {"A": 1, "B": 1, "C": 1}, False, 0, "blocks-are-plots")
    assert found.blocks == 0


def test_15_blocks_of_one_variety_repeated_are_plots():
    plants = bed("AAAA", "BBBB", "AAAA", "BBBB", "AAAA", "BBBB", blocks=by_row)
    found = audit_plants(plants)
    expect(found, "row", {"A": 3, "B": 3}, True, 4, "blocks-are-plots")


def test_16_variety_goes_with_treatment():
    plants = bed(
        "AABB", "BBAA", "AABB", "BBAA", blocks=by_row, plots=lambda r, c, v: f"{r}{v}",
        treatment=lambda p: "topped" if p.variety == "A" else "not topped",
    )  # fmt: skip
    found = audit_plants(plants, "randomised complete block")
    expect(found, "plot", {"A": 4, "B": 4}, False, 0, "variety-is-treatment")


def test_17_variety_goes_with_planting_date():
    plants = bed(
        "AABB", "BBAA", "AABB", "BBAA", blocks=by_row, plots=lambda r, c, v: f"{r}{v}",
        planted=lambda p: pd.Timestamp("2025-05-01" if p.variety == "A" else "2025-05-20"),
    )  # fmt: skip
    found = audit_plants(plants)
    expect(found, "plot", {"A": 4, "B": 4}, False, 0, "variety-is-planting date")


def test_18_blocks_that_do_not_connect():
    plants = bed(
        "AABB", "BBAA", "CCDD", "DDCC", blocks=by_row, plots=lambda r, c, v: f"{r}{v}"
    )  # fmt: skip
    found = audit_plants(plants, "randomised blocks")
    expect(found, "plot", dict.fromkeys("ABCD", 2), False, 0, "not-connected")
    assert found.groups == (("A", "B"), ("C", "D"))


def test_19_incomplete_blocks_connected():
    plants = bed("AB", "BC", "CA", "BA", "CB", "AC", blocks=by_row, plots=lambda r, c, v: f"{r}{v}")
    found = audit_plants(plants, "incomplete block, drawn by lot")
    # Balanced incomplete blocks: residual tr - t - b + 1 = 12 - 3 - 6 + 1 (Cochran & Cox 1957).
    expect(found, "plot", {"A": 4, "B": 4, "C": 4}, True, 4)
    assert "do not hold all varieties" in found.layout


def test_20_latin_square():
    plants = bed("ABCD", "BADC", "CDAB", "DCBA", plots=lambda r, c, v: f"{r}{c}")
    found = audit_plants(plants, "Latin square")
    expect(found, "plot", dict.fromkeys("ABCD", 4), True, 6)
    assert found.strata["df"].tolist() == [3, 3, 3, 6]


def test_21_split_plot_topped_within_plots():
    plants = bed(
        "AABBCC", "BBCCAA", "CCAABB", blocks=by_row, plots=lambda r, c, v: f"{r}{v}",
        treatment=lambda p: "topped" if p.column % 2 else "not topped",
    )  # fmt: skip
    found = audit_plants(plants, "split plot")
    expect(found, "plot", {"A": 3, "B": 3, "C": 3}, True, 4)
    assert found.strata["df"].tolist() == [2, 2, 4, 1, 2, 6]


def test_22_one_variety():
    found = audit_plants(bed("AAAA", "AAAA"))
    assert found.findings[0].code == "one-variety"
    assert not found.supports_comparison


def test_23_one_plant_of_each():
    found = audit_plants(bed("AB"))
    assert not found.supports_comparison
    assert found.n_plots.to_dict() == {"A": 1, "B": 1}


def test_24_no_plants():
    found = audit_plants(bed("A").iloc[:0])
    assert found.findings[0].code == "no-plants"
    assert not found.supports_comparison


def test_25_same_order_in_every_block_is_noted():
    plants = bed("AABBCCAABBCCAABBCC", blocks=lambda r, c: f"block {(c - 1) // 6}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 3, "B": 3, "C": 3}, True, 4, "same-order")


def test_34_one_variety_always_at_the_edge():
    plants = bed("AABBCC", "AACCBB", blocks=by_row, plots=lambda r, c, v: f"{r}{v}")
    found = audit_plants(plants, "randomised blocks")
    expect(found, "plot", {"A": 2, "B": 2, "C": 2}, True, 2, "few-plots")
    assert not found.has("edge")  # ends of rows: A half, B and C a quarter each
    plants = bed("ABBCCA", "ACCBBA", blocks=by_row)
    (edge,) = [one for one in audit_plants(plants).findings if one.code == "edge"]
    assert edge.severity == "note"  # a fact of the layout; the test of the place judges it


def test_35_rows_numbered_afresh_in_each_bed():
    one = bed("AAAA", "BBBB", blocks=lambda r, c: "bed 1")
    two = bed("BBBB", "AAAA", blocks=lambda r, c: "bed 2")
    two["plant"] = "x" + two["plant"]
    found = audit_plants(pd.concat([one, two], ignore_index=True))
    expect(found, "row", {"A": 2, "B": 2}, True, 1, "few-plots")
    assert found.blocks == 2
    assert found.units["row"].max() == 2.0


def test_26_checks_repeated_entries_once():
    plants = bed("AAKKBB", "KKCCDD", "EEFFKK", blocks=by_row, plots=lambda r, c, v: f"{r}{v}")
    found = audit_plants(plants, "randomised blocks")
    assert found.has("single-plot-variety")
    assert found.n_plots["K"] == 3
    assert not found.supports_comparison  # 9 plots - 7 varieties - 3 blocks + 1 leave nothing
    assert found.has("no-spare-plots")


def test_27_plots_that_hold_all_varieties_are_blocks():
    plants = bed("AABBCC", "CCAABB", "BBCCAA", plots=lambda r, c, v: f"plot {r}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 3, "B": 3, "C": 3}, True, 4, "plots-are-blocks")
    assert found.blocks == 3


def test_28_plot_numbers_that_start_again_in_each_block():
    plants = bed("AABB", "BBAA", "AABB", blocks=by_row, plots=lambda r, c, v: f"{(c + 1) // 2}")
    found = audit_plants(plants, "randomised complete block")
    expect(found, "plot", {"A": 3, "B": 3}, True, 2)
    assert found.units["unit"].is_unique


def test_29_two_rows_deep_plots_are_one_plot_each():
    plants = bed("AABB", "AABB", "BBAA", "BBAA", blocks=lambda r, c: f"block {(r + 1) // 2}")
    found = audit_plants(plants)
    expect(found, "plot", {"A": 2, "B": 2}, True, 1, "few-plots")


def test_30_losses_and_unequal_plots():
    plants = bed(
        "AABBCC", "BBCCAA", "CCAABB", "AABB..", blocks=by_row, plots=lambda r, c, v: f"{r}{v}"
    )
    plants.loc[plants["variety"] == "C", "lost"] = pd.Timestamp("2025-07-01")
    found = audit_plants(plants, "randomised blocks")
    expect(found, "plot", {"A": 4, "B": 4, "C": 3}, True, 5, "wiped-out", "uneven")


def test_31_like_neighbours_by_lot_stay_plots_when_lots_are_declared():
    plants = bed("AABB", "BBCC", "CCAA", plots=lambda r, c, v: f"{r}{(c + 1) // 2}")
    by_lot = audit_plants(plants, "completely randomised")
    expect(by_lot, "plot", {"A": 2, "B": 2, "C": 2}, True, 3)


def test_34_like_plots_across_the_edge_of_a_block_are_told_and_still_count():
    # A ends block 1 and begins block 2: side by side along the row, as lots may put them.
    plants = bed(
        "BBAAAABB", "CCDDDDCC", blocks=lambda r, c: f"block {1 + (c > 4)}",
        plots=lambda r, c, v: f"{r}{(c + 1) // 2}",
    )  # fmt: skip
    found = audit_plants(plants, "randomised complete blocks")
    expect(found, "plot", dict.fromkeys("BACD", 2), True, 3, "neighbours-across-blocks")
    (told,) = [one for one in found.findings if one.code == "neighbours-across-blocks"]
    assert "(A and D)" in told.one_line
    assert "2 pairs" in told.full
    assert told.severity == "note"
    apart = audit_plants(plants.assign(column=plants["column"].where(plants["column"] < 5)))
    assert not apart.has("neighbours-across-blocks")


def test_35_the_same_order_back_to_back_in_every_block_is_more_than_lots_would_do():
    orders = ("ABCDEF", "ABCDEF", "FECADB", "FECADB", "CDAFBE", "CDAFBE")
    rows = ["".join(2 * v for v in order) for order in orders]
    plants = bed(*rows, blocks=by_row, plots=lambda r, c, v: f"{r}{v}")
    found = audit_plants(plants, "randomised complete blocks")
    (told,) = [one for one in found.findings if one.code == "neighbours-across-blocks"]
    assert told.severity == "careful"
    assert "more than lots" in told.full


def test_36_places_that_start_again_in_each_block_say_nothing_of_their_edges():
    half = bed("AABB", "CCDD", blocks=lambda r, c: "1", plots=lambda r, c, v: f"1{v}")
    other = bed("CCDD", "AABB", blocks=lambda r, c: "2", plots=lambda r, c, v: f"2{v}")
    other["plant"] = "s" + other["plant"]
    found = audit_plants(pd.concat([half, other], ignore_index=True))
    assert not found.has("neighbours-across-blocks")


def test_37_one_line_a_plot_is_not_called_single_plants():
    """Data recorded by the plot have one line for each, as many published trials do."""
    for plots in (None, lambda r, c, v: f"p{r}{c}"):
        for blocks in (None, by_row):
            plants = bed("ABCD", "CADB", "DBAC", "BCDA", blocks=blocks, plots=plots)
            found = audit_plants(plants, "randomised blocks")
            said = [found.layout, *(one.one_line for one in found.findings)]
            assert not any("single plant" in text for text in said), said
            assert "16 plots" in found.layout


# --- layouts that carry no comparison --------------------------------------------------------

ONE_ROW = ("A" * 12, "B" * 12, "C" * 12)


def crosswise(_r, c):
    return f"block {(c - 1) // 3 + 1}"


@pytest.mark.parametrize("design", [
    None, "randomised complete blocks",
    pytest.param("completely randomised", marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    "plots",
    [None, lambda r, c, v: f"{r}{(c - 1) // 3}", lambda r, c, v: f"p{r}-{c}"],
    ids=["unnamed", "pieces", "every plant a plot"],
)
@pytest.mark.parametrize("columns", [True, pytest.param(False, marks=pytest.mark.slow)])
@pytest.mark.parametrize("blocks", [None, crosswise])
def test_one_row_a_variety_is_no_comparison_whatever_is_called_a_block(
    blocks, columns, plots, design
):
    plants = bed(*ONE_ROW, blocks=blocks, plots=plots)
    if not columns:
        plants["column"] = np.nan
    found = audit_plants(plants, design)
    assert not found.supports_comparison
    assert found.n_plots.to_dict() == {"A": 1, "B": 1, "C": 1}
    assert not found.replicated
    assert found.strata_df == 0
    assert stop(found).code == "one-row-a-variety"
    assert stop(found).one_line == (
        "Each variety stands in one row only, so nothing can separate it from its row."
    )
    assert "4 blocks" in stop(found).fix


def test_the_same_in_columns():
    found = audit_plants(
        bed("AABBCC", "AABBCC", "AABBCC", blocks=by_row, plots=lambda r, c, v: f"{r}{v}"),
        "randomised complete blocks",
    )
    expect(found, "plot", {"A": 1, "B": 1, "C": 1}, False, 0, "one-column-a-variety")
    assert stop(found).code == "one-column-a-variety"


def test_rows_two_deep_and_numbers_that_start_again_in_each_block():
    deep = bed("AAAA", "AAAA", "BBBB", "BBBB", blocks=lambda r, c: f"b{(c + 1) // 2}",
               plots=lambda r, c, v: f"{v}{(c + 1) // 2}")  # fmt: skip
    found = audit_plants(deep)
    assert found.n_plots.to_dict() == {"A": 1, "B": 1}
    assert not found.supports_comparison
    parts = []
    for number in range(4):  # rows and columns counted afresh in each piece of the same three rows
        part = bed("AAA", "BBB", "CCC", blocks=lambda r, c, number=number: f"block {number}")
        parts.append(part.assign(plant=f"{number}" + part["plant"]))
    again = audit_plants(pd.concat(parts, ignore_index=True), "randomised complete blocks")
    assert not again.supports_comparison
    assert stop(again).code == "one-row-a-variety"


def test_one_variety_alone_in_its_row_stops_unless_lots_could_do_it():
    rows = ("AAAAAAAA", "BBCCBBCC", "CCBBCCBB")
    plants = bed(*rows, blocks=lambda r, c: f"block {(c + 1) // 2}",
                 plots=lambda r, c, v: f"{r}{(c + 1) // 2}")  # fmt: skip
    found = audit_plants(plants)
    assert stop(found).code == "variety-in-one-row"
    assert found.n_plots.to_dict() == {"A": 1, "B": 4, "C": 4}
    # Three varieties in four blocks: lots put one of them in one row in 3 / 27 of beds.
    drawn = audit_plants(plants, "randomised complete blocks")
    assert drawn.supports_comparison
    assert drawn.has("one-row-by-lot")
    assert drawn.n_plots.to_dict() == {"A": 4, "B": 4, "C": 4}
    six = audit_plants(
        bed(*(3 * row for row in rows), blocks=lambda r, c: f"block {(c + 1) // 2}"),
        "randomised complete blocks",
    )
    assert stop(six).code == "variety-in-one-row"  # twelve blocks: 3 / 3 ** 12 of beds


def test_an_honest_draw_with_a_variety_at_one_end_is_compared_and_told():
    """Five varieties in four blocks: lots do so in 4 % of beds (5 in 5 ** 3), too many to stop."""
    rows = ("ABCDE", "ACBED", "ADECB", "AEDBC")
    found = audit_plants(bed(*rows, blocks=by_row), "randomised complete blocks")
    assert found.supports_comparison
    assert found.n_plots.to_dict() == dict.fromkeys("ABCDE", 4)
    told = next(one for one in found.findings if one.code == "one-row-by-lot")
    assert told.severity == "careful"
    assert told.one_line == "A stands in one column right through."
    assert stop(audit_plants(bed(*rows, blocks=by_row))).code == "variety-in-one-row"


def test_pairs_of_varieties_that_never_share_a_row():
    plants = bed("ABBAABBA", "CDCDDCDC", blocks=lambda r, c: f"block {(c + 1) // 2}")
    found = audit_plants(plants, "randomised complete blocks")
    assert stop(found).code == "rows-apart"


def test_whole_rows_cut_in_pieces_count_as_rows():
    plants = bed(*("A" * 8, "B" * 8, "A" * 8, "B" * 8), blocks=lambda r, c: f"block {(c + 1) // 2}",
                 plots=lambda r, c, v: f"{r}{(c + 1) // 2}")  # fmt: skip
    found = audit_plants(plants, "completely randomised")
    assert found.n_plots.to_dict() == {"A": 2, "B": 2}
    assert found.has("rows-cut-in-pieces")
    assert found.strata_df == 2


@pytest.mark.parametrize("blocks", [None, by_row])
def test_one_plot_number_for_every_plant(blocks):
    plants = bed("AABB", "BBAA", "AABB", blocks=blocks, plots=lambda r, c, v: "1")
    blind = plants.assign(row=np.nan, column=np.nan)
    for design in (None, "randomised complete blocks"):
        found = audit_plants(blind, design)
        assert stop(found).code == "one-plot-name"
        assert not found.replicated
    if blocks:
        placed = audit_plants(plants, "randomised complete blocks")
        assert placed.n_plots.to_dict() == {"A": 3, "B": 3}


def test_a_design_the_records_contradict():
    plants = bed("AAAA", "BBBB", "AAAA", "BBBB", blocks=by_row)
    found = audit_plants(plants, "randomised complete blocks")
    assert stop(found).code == "design-contradicted"
    assert "No block holds two varieties" in stop(found).one_line
    square = bed("ABC", "BAC", "CBA", plots=lambda r, c, v: f"{r}{c}")
    assert stop(audit_plants(square, "Latin square")).code == "not-a-square"
    assert audit_plants(bed("ABC", "BCA", "CAB"), "Latin square").supports_comparison


@pytest.mark.parametrize("given", ["plots", "blocks", "both"])
def test_without_positions_they_are_asked_for_before_a_winner_is_named(given):
    plants = bed(
        "AABB", "BBAA", "AABB", places=False,
        blocks=by_row if given != "plots" else None,
        plots=(lambda r, c, v: f"{r}{v}") if given != "blocks" else None,
    )  # fmt: skip
    found = audit_plants(plants)
    assert stop(found).code == "plot-places-missing"
    assert audit_plants(plants, "drawn by lot").supports_comparison


@pytest.mark.slow
def test_lots_honestly_drawn_are_seldom_stopped():
    """Randomised complete blocks side by side along the rows: in the whole and declared, a stop
    only where row and variety cannot be separated at all."""
    rng = np.random.default_rng(5)
    stopped = 0
    for _ in range(20):
        blocks = [rng.permutation(list("ABCD")) for _ in range(4)]
        rows = ["".join(block[r] for block in blocks) for r in range(4)]
        plants = bed(*rows, blocks=lambda r, c: f"block {c}", plots=lambda r, c, v: f"{r}{c}")
        stopped += not audit_plants(plants, "randomised complete blocks").supports_comparison
    assert stopped <= 1


# --- treatments and factors ------------------------------------------------------------------


def turnips() -> pd.DataFrame:
    """McConway, Jones & Taylor 1999, see SOURCES.md; one line a plot, places not recorded."""
    table = pd.read_csv(DATA / "mcconway_turnip.csv")
    return pd.DataFrame({
        "plant": [f"p{n}" for n in range(len(table))], "variety": table["gen"],
        "block": table["block"], "plot": pd.NA, "row": np.nan, "column": np.nan,
        "treatment": table["date"], "treatment_2": table["density"].astype(str) + " kg/ha",
        "lost": pd.NaT, "lost_reason": pd.NA,
    })  # fmt: skip


@pytest.mark.parametrize("named", [False, True])
@pytest.mark.parametrize("columns", [1, 2])
def test_two_treatment_factors_in_blocks_keep_their_degrees_of_freedom(columns, named):
    plants = turnips()
    if columns == 1:
        plants["treatment"] += " at " + plants.pop("treatment_2")
    if named:
        plants["plot"] = plants["plant"]
    found = audit_plants(plants, "randomised complete blocks")
    # R 4.2, anova(lm(yield ~ block + trt * gen)): block 3, trt 7, gen 1, trt:gen 7, residual 45.
    assert found.strata["df"].tolist() == [3, 7, 1, 7, 45]
    assert found.n_plots.to_dict() == {"Barkant": 32, "Marco": 32}
    assert found.supports_comparison
    said = " ".join(one.full for one in found.findings)
    assert "next to each other" not in said
    assert "neighbour" not in said.lower()
    halves = audit_plants(plants, "split plot")
    assert halves.n_plots.to_dict() == {"Barkant": 4, "Marco": 4}
    assert halves.strata_df == 3


def test_plots_of_other_treatments_beside_each_other_are_not_one_plot():
    rng = np.random.default_rng(1)
    cells = [v + t for v in "AB" for t in "xyz"]
    blocks = [rng.permutation(cells) for _ in range(4)]
    plants = bed(*("".join(cell[0] for cell in block) for block in blocks), blocks=by_row,
                 plots=lambda r, c, v: f"{r}{c}")  # fmt: skip
    plants["treatment"] = [cell[1] for block in blocks for cell in block]
    for design in (None, "randomised complete blocks"):
        found = audit_plants(plants, design)
        assert found.n_plots.to_dict() == {"A": 12, "B": 12}
        assert found.strata_df == 4 * 6 - 1 - 3 - 5
    # All plots of a variety side by side in every block: treatments were given within its plot.
    for number, block in enumerate(blocks):
        blocks[number] = np.array(sorted(block, key=lambda cell: (cell[0], cell[1])))
    order = [block if number % 2 else block[::-1] for number, block in enumerate(blocks)]
    plants["variety"] = [cell[0] for block in order for cell in block]
    plants["treatment"] = [cell[1] for block in order for cell in block]
    assert audit_plants(plants).n_plots.to_dict() == {"A": 4, "B": 4}


def test_32_thirty_varieties_two_blocks():
    letters = [chr(ord("a") + i) for i in range(26)] + list("WXYZ")
    rng = np.random.default_rng(3)
    rows = ["".join(rng.permutation(letters)) for _ in range(2)]
    found = audit_plants(bed(*rows, blocks=by_row), "randomised complete block")
    assert found.unit == "plant"
    assert found.supports_comparison
    assert found.strata_df == 29


def test_33_treatment_and_block_alike_do_no_harm_to_varieties():
    plants = bed(
        "AABB", "BBAA", "AABB", blocks=by_row, plots=lambda r, c, v: f"{r}{v}",
        treatment=lambda p: "topped" if p.row == 1 else "not topped",
    )  # fmt: skip
    # Three blocks, two treatments: treatment is not the block, and is lost in blocks anyway.
    found = audit_plants(plants, "randomised blocks")
    assert found.supports_comparison
    assert found.has("treatment-is-block")


# --- degrees of freedom against textbook tables ----------------------------------------------


def crossed(**levels) -> pd.DataFrame:
    grid = pd.MultiIndex.from_product(levels.values(), names=levels.keys())
    return grid.to_frame(index=False)


@pytest.mark.parametrize(
    ("units", "by", "parts", "expected"),
    [
        # Gomez & Gomez 1984 (from memory): seven insecticides, four replications, completely
        # randomised: treatment 6, error 21.
        (crossed(variety=range(7), rep=range(4)), (), 1, [6, 21]),
        # the same: six seeding rates in four blocks: 3, 5, 15.
        (crossed(variety=range(6), block=range(4)), ("block",), 1, [3, 5, 15]),
        # the same: split plot of six nitrogen rates on main plots, four rice varieties on
        # sub-plots, three replications: 2, 5, 10; 3, 15, 36 (main factor as "variety" here).
        (crossed(variety=range(6), block=range(3)), ("block",), 4, [2, 5, 10, 3, 15, 36]),
        # Yates 1935 oats, split plot: blocks 5, varieties 2, error 10; nitrogen 3, 6, error 45.
        (crossed(variety=range(3), block=range(6)), ("block",), 4, [5, 2, 10, 3, 6, 45]),
    ],
)
def test_textbook_tables(units, by, parts, expected):
    table = strata(units, by, parts=parts)
    assert table["df"].tolist() == expected
    assert table["df"].sum() == len(units) * parts - 1


def test_latin_square_table():
    # Gomez & Gomez 1984 (from memory): 4 x 4 Latin square of maize hybrids: 3, 3, 3, 6.
    units = crossed(row=range(4), column=range(4))
    units["variety"] = (units["row"] + units["column"]) % 4
    assert strata(units, ("row", "column"))["df"].tolist() == [3, 3, 3, 6]


def test_factorial_in_blocks():
    # Two factors in complete blocks: error (r - 1)(ab - 1), Cochran & Cox 1957, ch. 5.
    units = crossed(variety=range(3), treatment=range(2), block=range(4))
    table = strata(units, ("block",), treatment=True)
    assert table["df"].tolist() == [3, 1, 2, 2, 15]


def test_balanced_incomplete_blocks_of_cochran_and_cox():
    # Layout on p. 448 of Cochran & Cox 1957, read from tests/design/data; error by their
    # formula tr - t - b + 1 = 52 - 13 - 13 + 1.
    units = pd.read_csv(DATA / "cochran_cox_bib.csv")
    table = strata(units)
    assert table["df"].tolist() == [12, 12, 27]
    assert len(comparable(units, ("block",))) == 1


def test_alpha_design_of_john_and_williams():
    # 24 varieties, 3 replicates of 6 blocks of 4 (tests/design/data): 72 - 18 - 24 + 1 = 31.
    units = pd.read_csv(DATA / "john_williams_alpha.csv")
    units["block"] = units["replicate"].astype(str) + "/" + units["block"].astype(str)
    assert variety_df(strata(units)) == 31


def test_lattice_square_of_cochran_and_cox():
    # 16 treatments, 5 replicates (tests/design/data): 79 - 4 - 15 - 15 - 15 = 30.
    units = pd.read_csv(DATA / "cochran_cox_lattice_square.csv")
    for side in ("row", "column"):
        units[side] = units["replicate"].astype(str) + "/" + units[side].astype(str)
    table = strata(units, ("replicate", "row", "column"))
    assert table["df"].tolist() == [4, 15, 15, 15, 30]


# --- one row a variety: how different rows would have to be ------------------------------------


def test_row_sd_reproduces_the_difference_by_simulation():
    found = row_sd_to_explain(0.5, within_se=0.1)
    rng = np.random.default_rng(7)
    rows = rng.normal(0, found.sd, (200_000, 2))
    seen = rows[:, 0] - rows[:, 1] + rng.normal(0, 0.1, 200_000)
    assert np.mean(np.abs(seen) >= 0.5) == pytest.approx(0.05, abs=0.002)


def test_row_sd_for_the_largest_of_several_rows():
    found = row_sd_to_explain(1.0, rows=5)
    rng = np.random.default_rng(8)
    rows = rng.normal(0, found.sd, (200_000, 5))
    assert np.mean(np.ptp(rows, axis=1) >= 1.0) == pytest.approx(0.05, abs=0.002)
    assert found.sd < row_sd_to_explain(1.0, rows=2).sd


def test_row_sd_words_never_claim_a_winner():
    small = row_sd_to_explain(0.1, within_se=0.2)
    assert small.sd == 0.0
    for seen in (None, 0.05, 0.2, 1.0):
        full = row_sd_to_explain(0.6, seen_sd=seen, seen_df=6.0).full
        assert "better" not in full
        assert "%" in full
    assert "ordinary rows explain it" in row_sd_to_explain(0.3, seen_sd=0.4, seen_df=6.0).full
    with pytest.raises(ValueError, match="two rows"):
        row_sd_to_explain(0.5, rows=1)


@pytest.mark.parametrize("design", [None, "randomised complete blocks"])
def test_rows_side_by_side_called_blocks_are_one_patch_a_variety(design):
    """Two rows of each variety side by side, the first of each called block 1."""
    rows = ("AAAAAA", "AAAAAA", "BBBBBB", "BBBBBB", "CCCCCC", "CCCCCC")
    found = audit_plants(bed(*rows, blocks=lambda r, _c: f"{(r - 1) % 2 + 1}",
                             plots=lambda r, _c, v: f"{v}{r}"), design)
    assert not found.supports_comparison
    assert stop(found).code == "one-patch-a-variety"
    # Rows of blocks that were truly drawn are none.
    drawn = ("AABBCC", "CCAABB", "BBCCAA", "AACCBB")
    assert audit_plants(bed(*drawn, blocks=by_row), design).supports_comparison


def test_declared_blocks_that_plants_csv_does_not_name_are_asked_for():
    """Each plant entered as a plot, nowhere a block or a place: lots in blocks were declared."""
    plants = bed("AAAABBBBCCCC", plots=lambda _r, c, v: f"{v}{c}", places=False)
    found = audit_plants(plants, "randomised complete blocks")
    assert not found.supports_comparison
    assert stop(found).code == "blocks-missing"
    # Lots over the whole bed need none.
    assert audit_plants(plants, "completely randomised").supports_comparison
