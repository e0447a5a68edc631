"""What a plan promises is what the audit finds in the records it writes."""

import re

import numpy as np
import pandas as pd
import pytest

from trialkit.decide.conclude import conclude
from trialkit.design import layouts
from trialkit.design.audit import audit, audit_plants, grouped_in
from trialkit.design.layouts import lay_out
from trialkit.design.planfolder import About, write_plan
from trialkit.design.request import DESIGNS, INCOMPLETE_BLOCKS, LATIN_SQUARE, PlanRequest
from trialkit.power import error_df, setup_of
from trialkit.records import read_records


@pytest.mark.parametrize("rows_in_a_plot", [1, 2])
@pytest.mark.parametrize("design", DESIGNS)
def test_audit_and_power_count_the_same_degrees_of_freedom(design, rows_in_a_plot, tmp_path):
    # Two counts by separate routes: the audit's rank of the design as it reads it from
    # plants.csv, and the closed formulae of Cochran & Cox 1957 in the power module.
    changes = {
        LATIN_SQUARE: {"blocks": 5},
        INCOMPLETE_BLOCKS: {"blocks": 3, "block_size": 3},
    }.get(design, {})
    names = tuple("ABCDEFGHI" if design == INCOMPLETE_BLOCKS else "ABCDE")
    request = PlanRequest(names, design=design, plot_rows=rows_in_a_plot, seed=1, **changes)
    planting = lay_out(request)
    write_plan(tmp_path / "trial", planting, About("Beans", "beans"))
    found = audit(read_records(tmp_path / "trial"))
    assert found.supports_comparison
    assert found.unit == "plot"
    assert found.n_plots.to_dict() == dict.fromkeys(names, request.blocks)
    assert found.strata_df == error_df(setup_of(planting))


def test_one_repeat_is_planned_and_audited_as_no_comparison(tmp_path):
    planting = lay_out(PlanRequest(tuple("ABC"), blocks=1, seed=1))
    write_plan(tmp_path / "trial", planting, About("Beans", "beans"))
    assert not audit(read_records(tmp_path / "trial")).supports_comparison
    assert error_df(setup_of(planting)) < 1


@pytest.mark.slow
@pytest.mark.parametrize("varieties", [2, 3])
def test_no_bed_is_drawn_that_puts_a_variety_in_one_row_right_through(varieties, monkeypatch):
    """With neighbours left to the lot alone, three varieties in four blocks fell so in 10 of 60
    beds (one of them with all three); such a bed is drawn again.  The first four that are."""
    rejected = []
    judge = layouts._one_line_right_through

    def judged(grid):
        rejected.append(judge(grid))
        return rejected[-1]

    monkeypatch.setattr(layouts, "_one_line_right_through", judged)
    again = 0
    for seed in range(200):
        rejected.clear()
        request = PlanRequest(
            tuple("ABC"[:varieties]), blocks=4, plants=2, seed=seed, improve_neighbours=False
        )
        planting = lay_out(request)
        assert not rejected[-1]
        if len(rejected) > 1:
            again += 1
            found = audit_plants(planting.plants.assign(lost=None), request.design)
            assert found.supports_comparison
            assert not found.has("one-row-by-lot")
        if again == 4:
            break
    assert again == 4


def test_a_latin_square_is_never_said_to_lie_in_one_block(tmp_path):
    planting = lay_out(PlanRequest(tuple("ABCDE"), design=LATIN_SQUARE, blocks=5, plants=1, seed=2))
    write_plan(tmp_path / "trial", planting, About("Beans", "beans"))
    plants, rng = planting.plants, np.random.default_rng(1)
    pd.DataFrame({
        "date": "2030-09-01", "plant": plants["plant"],
        "weight": rng.normal(500, 20, len(plants)).round(),
    }).to_csv(tmp_path / "trial" / "harvest.csv", index=False)  # fmt: skip
    toml = tmp_path / "trial" / "trial.toml"
    toml.write_text(re.sub(r"planted = .*", "planted = 2030-05-01", toml.read_text()))
    done = conclude(read_records(tmp_path / "trial"))
    said = done.verdict.how_sure
    assert "1 block" not in said
    assert "5 plots of each variety in 5 rows and 5 columns." in said
    found = audit(read_records(tmp_path / "trial"))
    assert grouped_in(found.units, found.by) == "5 rows and 5 columns"
    assert "in rows and columns" in found.layout
