"""Complete replicates above incomplete blocks, and rows and columns within replicates.

* oats: John & Williams 1995, Cyclic and Computer Generated Designs, p. 146: an alpha design of 24
  varieties in 3 replicates of 6 blocks of 4 (R's data package agridat, `john.alpha`);
* wheat: Kempton & Fox 1997, Statistical Methods for Plant Variety Evaluation, p. 62: 35
  varieties in 2 replicates of 5 rows by 7 columns, two plots missing (agridat, `kempton.rowcol`);
* counts: a simulated season.
All by reference/replicates.R (lme4, lmerTest, glmmTMB), values stored in reference/replicates.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import picked, records

from trialkit.decide.series import looks_so_far
from trialkit.design.audit import audit
from trialkit.design.layouts import lay_out
from trialkit.design.planfolder import About, plants_text, write_plan
from trialkit.design.request import INCOMPLETE_BLOCKS, PlanRequest
from trialkit.models import analyse
from trialkit.records import read_records
from trialkit.records.incoming.contents import Listed
from trialkit.records.plots import in_replicates

REFERENCE = Path(__file__).parent / "reference"
KNOWN = json.loads((REFERENCE / "replicates.json").read_text())


def _folder(folder: Path, plants: pd.DataFrame, weights, design: str, more: str = "") -> Path:
    """A trial as a user enters it: a line a plot."""
    names = "".join(f'[[varieties]]\nname = "{v}"\n' for v in sorted(plants["variety"].unique()))
    (folder / "trial.toml").write_text(
        f'title = "T"\ncrop = "wheat"\nplanted = 1990-03-01\n[units]\nharvest = "t/ha"\n'
        f'[layout]\ndesign = "{design}"\n{names}{more}')
    plants.to_csv(folder / "plants.csv", index=False)
    plants[["plot"]].assign(weight=weights).to_csv(folder / "harvest.csv", index=False)
    return folder


def _agrees(result, known, tests: bool = True) -> None:
    means = result.means.set_index("variety")["estimate"]
    for variety, difference in known["difference"].items():
        assert means[variety] - means[known["against"]] == pytest.approx(difference, abs=2e-5)
    if tests:
        row = result.tests.set_index("term").loc["variety"]
        assert row["F"] == pytest.approx(known["F"], rel=1e-4)
        assert row["den_df"] == pytest.approx(known["den_df"], rel=1e-4)


def test_an_alpha_design_whose_blocks_start_again_in_each_replicate(tmp_path):
    plots = pd.read_csv(REFERENCE / "john_alpha.csv").rename(columns={"replicate": "Rep"})
    folder = _folder(tmp_path, plots.drop(columns="yield"), plots["yield"], "alpha design",
                     '[[traits]]\nname = "dry weight"\nkind = "measure"\non = "plot"\n')
    plots[["plot"]].assign(date="1990-08-01", trait="dry weight", value=plots["yield"]).to_csv(
        folder / "traits.csv", index=False)
    kept = read_records(folder)
    assert len(kept.doubts) == 0
    assert kept.plants["block"].nunique() == 18
    found = analyse(kept)
    assert found.audit.by == ("replicate", "block")
    assert found.audit.strata["df"].tolist() == [2, 15, 23, 31]
    assert "in 3 replicates of 6 blocks, every variety once in each replicate" in (
        found.audit.layout)
    known = KNOWN["alpha"]
    harvest = found.harvest
    _agrees(harvest, known)
    assert harvest.method.formula == "weight ~ variety + replicate"
    assert harvest.method.groups == ("block",)
    assert harvest.method.figures["sd block"] == pytest.approx(known["sd"]["block"], abs=1e-5)
    assert (harvest.pairs["df"] == 31).all()
    own = found.own["dry weight"]
    _agrees(own, known, tests=False)
    assert own.method.formula == "amount ~ variety + replicate"


@pytest.mark.parametrize("on", [False, True], ids=["rows anew", "rows running on"])
def test_rows_and_columns_are_each_replicates_own(on, tmp_path):
    """Whether numbered anew in each replicate, or in the other beside it: lots were drawn in
    each.  1 df between replicates, 2 x 4 for rows, 2 x 6 for columns, 34 varieties, 12 left."""
    plots = pd.read_csv(REFERENCE / "kempton_rowcol.csv")
    if on:
        plots["column"] += 7 * (plots["replicate"] == "R2")
    plots["plot"] = range(len(plots))
    folder = _folder(tmp_path, plots.drop(columns="yield"), plots["yield"],
                     "rows and columns within replicates")
    kept = read_records(folder)
    layout = audit(kept)
    assert layout.strata["df"].tolist() == [1, 8, 12, 34, 12]
    assert "in rows and columns of 2 blocks" in layout.layout
    if not on:
        _agrees(analyse(kept).harvest, KNOWN["rows"])


LATTICE = ("ABC DEF GHI", "ADG BEH CFI", "AEI BFG CDH")


def _season():
    """A square lattice: 9 varieties in 3 replicates of 3 blocks of 3, blocks numbered anew; as
    found in reference/replicates.csv for R."""
    rng = np.random.default_rng(4)
    lines = [(f"{r}{b}{p}{k}", variety, f"{r}", f"{b}", f"{r}{b}{p}", 3.0 * r + b, 2.0 * p + k)
             for r, blocks in enumerate(LATTICE, 1)
             for b, block in enumerate(rng.permutation(blocks.split()), 1)
             for p, variety in enumerate(rng.permutation(list(block)), 1) for k in (1, 2)]
    plants = pd.DataFrame(lines, columns=[
        "plant", "variety", "replicate", "block", "plot", "row", "column"])
    plants["replicate"], plants["block"], _ = in_replicates(
        plants["replicate"], plants["block"], plants["variety"], plants["plot"])
    plants = plants.assign(treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA).astype(
        {"lost": "datetime64[ns]"})
    rates = dict(zip("ABCDEFGHI", np.linspace(1.0, 1.8, 9), strict=True))
    picks = picked(plants, rates, [50, 53, 57], seed=9, plot_sd=0.15, plant_sd=0.15, size=20.0)
    ground = dict(zip(plants["block"].unique(), rng.uniform(0.35, 1, 9), strict=True))
    kept = picks["plant"].map(dict(zip(plants["plant"], plants["block"].map(ground), strict=True)))
    picks["count"] = rng.binomial(picks["count"].astype(int), kept).astype(float)
    return plants, picks


def test_counts_have_replicates_fixed_and_their_blocks_random_as_glmmtmb():
    plants, picks = _season()
    found = analyse(records(plants, picks, check="A", design="alpha design"))
    pods, known = found.pods, KNOWN["counts"]
    assert pods.fit.formula == "pods ~ variety + replicate"
    assert "block" in pods.method.groups
    base = pods.varieties.index("A")
    c = pods.covariance
    for v, log_ratio, se in zip(known["variety"], known["log_ratio"], known["se"], strict=True):
        at = pods.varieties.index(v)
        assert pods.log_rate[at] - pods.log_rate[base] == pytest.approx(log_ratio, abs=2e-3)
        assert np.sqrt(c[at, at] + c[base, base] - 2 * c[at, base]) == pytest.approx(se, rel=5e-3)
    assert pods.df == 27 - 9 - 9 + 1
    assert pods.fit.group_sd["block"] == pytest.approx(known["sd"]["block"], abs=2e-3)
    # Totals of plots: within blocks, on the same degrees of freedom.
    looks = looks_so_far(found, found.totals)
    assert looks.totals["B", "A"][-1].df <= 10


def _told(replicate, block, variety, plot=None):
    parts = [list(replicate), list(block), list(variety), list(plot or [None] * len(block))]
    return in_replicates(*(pd.Series(part, dtype="str") for part in parts))


def test_what_a_column_of_replicates_can_mean():
    # Alone: the blocks.
    replicate, block, why = _told("1122", [None] * 4, "ABAB")
    assert replicate.isna().all()
    assert (block.tolist(), why) == (["1", "1", "2", "2"], "")
    # The same as the blocks.
    assert _told("1122", "xxyy", "ABAB")[0].isna().all()
    # Blocks that start again in each, and blocks that do not.
    replicate, block, _ = _told("11112222", "11221122", "ABCDACBD")
    assert block.tolist() == ["1/1", "1/1", "1/2", "1/2", "2/1", "2/1", "2/2", "2/2"]
    assert _told("11112222", "11223344", "ABCDACBD")[1].tolist() == list("11223344")
    # Told apart already: nothing changes.
    assert _told(replicate, block, "ABCDACBD")[1].tolist() == block.tolist()
    # Complete replicates within blocks change places with them.
    replicate, block, why = _told("11223344", "xxxxyyyy", "ABABABAB")
    assert (replicate.tolist(), block.tolist(), why) == (list("xxxxyyyy"), list("11223344"), "")
    # Numbers of a plot's plants, of plants in a complete block, and a crossing.
    for case in (_told("12121212", "11112222", "AABBAABB", "aabbccdd"),
                 _told("12121212", "11112222", "AABBAABB"),
                 _told("111222333", "123123123", "ABCBCACAB")):
        assert case[0].isna().all()
        assert case[2]


def test_a_spreadsheet_may_name_a_plot_by_replicate_and_block() -> None:
    plants, _ = _season()
    one = plants.groupby("plot").head(1).reset_index(drop=True)
    said = one["block"].str.split("/")
    labels = {"replicate": said.str[0].tolist(), "block": said.str[1].tolist(),
              "variety": one["variety"].tolist()}
    assert Listed(one).by_place(labels, len(one)) == one["plant"].tolist()
    # Without blocks in replicates, what a sheet calls rep is the block.
    alone = one.assign(replicate=pd.NA, block=said.str[0])
    del labels["block"]
    assert Listed(alone).by_place(labels, len(one)) == one["plant"].tolist()


def test_a_plan_of_incomplete_blocks_writes_its_replicates(tmp_path) -> None:
    planting = lay_out(PlanRequest(tuple("ABCDEFGHI"), design=INCOMPLETE_BLOCKS, blocks=3,
                                   block_size=3, plants=1, seed=3))
    write_plan(tmp_path / "t", planting, About("Beans", "beans"))
    kept = read_records(tmp_path / "t")
    assert kept.plants.groupby("replicate")["variety"].nunique().tolist() == [9, 9, 9]
    assert audit(kept).by == ("replicate", "block")
    other = lay_out(PlanRequest(tuple("ABC"), blocks=3, plants=1, seed=3))
    assert "replicate" not in plants_text(other).splitlines()[0]


def test_replicates_that_are_not_used_are_said(tmp_path):
    plants = pd.DataFrame({"plant": range(8), "rep": list("12121212"), "block": list("11112222"),
                           "variety": list("AABBAABB"), "plot": list("aabbccdd")})
    folder = _folder(tmp_path, plants, range(8), "randomised complete blocks")
    (folder / "harvest.csv").unlink()
    doubt = read_records(folder).doubts.iloc[0]
    assert (doubt["column"], doubt["line"]) == ("replicate", 2)
    assert "they number the plants of a plot" in doubt["doubt"]


if __name__ == "__main__":  # writes what R reads
    found = analyse(records(*_season(), design="alpha design"))
    found.pods.looks[["pods", "variety", "replicate", "block", "unit", "plant", "pick",
                      "log_days"]].to_csv(REFERENCE / "replicates.csv", index=False)
