"""`import trialkit as tk`: the names that are public, what they give, and how it is shown."""

from __future__ import annotations

import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import smalltrial

import trialkit as tk
from trialkit.decide import conclude
from trialkit.records import read_records
from trialkit.shipped import demo, several_trials

mpl.use("Agg")

NAMES = [
    "TraitView", "Trial", "TrialAnswer", "TrialkitError", "__version__", "analyse", "mixed",
    "plan", "read", "season", "write_report",
]


@pytest.fixture(scope="module")
def trial():
    return tk.read(demo())


@pytest.fixture(scope="module")
def found(trial):
    return tk.analyse(trial)


def test_the_names_are_these_and_each_is_documented():
    assert sorted(tk.__all__) == sorted(NAMES) == dir(tk)
    for name in NAMES:
        if name != "__version__":
            assert getattr(tk, name).__doc__, name
    with pytest.raises(AttributeError, match="nothing_of_the_kind"):
        _ = tk.nothing_of_the_kind


def test_importing_it_loads_no_heavy_library():
    code = ("import sys, trialkit; "
            "print([m for m in ('numpy', 'pandas', 'scipy', 'matplotlib') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_frames_are_the_records_and_changing_them_changes_nothing(trial):
    records = read_records(demo())
    pd.testing.assert_frame_equal(trial.picks, records.picks)
    pd.testing.assert_frame_equal(trial.plants, records.plants)
    own = trial.picks
    own["count"] = 0.0
    pd.testing.assert_frame_equal(trial.picks, records.picks)
    looks = trial.looks()
    assert {"date", "plant", "variety", "block", "plot", "pods", "days"} <= set(looks.columns)
    assert looks["pods"].sum() == records.picks["count"].sum()


def test_the_answer_and_traits_are_the_reports(found):
    own = conclude(read_records(demo()))
    assert (found.answer, found.state) == (own.verdict.answer, own.verdict.state)
    pd.testing.assert_frame_equal(found["pods"].means, own.analysis.pods.means)
    pd.testing.assert_frame_equal(found["pods"].pairs, own.analysis.pods.pairs)
    assert set(own.analysis.traits) <= set(found)
    with pytest.raises(KeyError, match="pods"):
        found["petals"]
    axes = found["pods"].plot()
    shown = {label.get_text() for label in axes.get_yticklabels()}
    assert shown == set(found["pods"].means["variety"])


def test_a_trait_that_is_missing_says_why(found):
    missing = [found[name] for name in found if not found[name].unit]
    assert missing, "the shipped trial was not dug"
    for one in missing:
        assert one.why_not
        assert one.why_not in repr(one)
        assert one.means.empty
        assert not one.supported
        with pytest.raises(tk.TrialkitError, match="nothing to draw"):
            one.plot()


def test_a_model_of_ones_own_and_statsmodels_agree_on_the_plain_part(trial):
    """Means of plots by variety and block, without random part: least squares of statsmodels."""
    import statsmodels.formula.api as smf

    totals = trial.looks().groupby(["plot", "variety", "block"], as_index=False)["pods"].mean()
    peer = smf.ols("pods ~ variety + block", totals).fit()
    own = tk.mixed.fit_lmm("pods ~ variety + block", totals)
    assert own.fixed.to_numpy() == pytest.approx(peer.params.to_numpy())
    assert np.sqrt(np.diagonal(own.cov_fixed)) == pytest.approx(peer.bse.to_numpy())


def test_every_result_is_shown_in_jupyter_and_in_a_terminal(trial, found):
    for one in (trial, found, found["pods"], tk.season(several_trials()[:2])):
        assert "<" in one._repr_html_()
        assert len(repr(one)) < 4000
        assert " object at 0x" not in repr(one)


def test_names_are_escaped_where_they_are_shown(trial):
    from dataclasses import replace

    records = trial.records
    rough = replace(records, trial=replace(records.trial, title="<script>alert(1)</script>"))
    assert "<script>" not in tk.Trial(rough)._repr_html_()


def test_a_plan_and_every_refusal_is_one_family(tmp_path):
    bed = tk.plan(["Alder", "Birch", "Cedar"], blocks=4, seed=1)
    assert len(bed.planting.request.varieties) == 3
    with pytest.raises(tk.TrialkitError):
        tk.read(tmp_path / "nowhere")
    with pytest.raises(tk.TrialkitError):
        tk.plan(["Alder"], blocks=4)
    with pytest.raises(tk.TrialkitError):
        tk.mixed.fit_lmm("y ~ x", pd.DataFrame({"y": [1.0, 2.0]}))
    (tmp_path / "trial.toml").write_text("title = ", encoding="utf-8")
    with pytest.raises(tk.TrialkitError):
        tk.read(tmp_path)


@pytest.mark.usefixtures("no_paper")
def test_a_plan_that_would_write_over_records_is_refused_and_says_so(tmp_path):
    folder = tmp_path / "bed"
    tk.plan(["Alder", "Birch"], blocks=4, seed=1, folder=folder)
    (folder / "picks.csv").write_text("date,plant,count,weight\n2026-07-01,P001,3,\n")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    with pytest.raises(tk.TrialkitError, match="Nothing was written"):
        tk.plan(["Alder", "Birch"], blocks=4, seed=1, folder=folder)
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before


def test_a_report_is_written_and_a_notebook_that_stops_is_of_the_family(tmp_path):
    from trialkit.engine.run import NotebookStopped

    assert issubclass(NotebookStopped, tk.TrialkitError)
    folder = smalltrial.write(tmp_path / "trial", picks=3)
    done = tk.write_report(folder, tmp_path / "page.html")
    assert done.page == tmp_path / "page.html"
    page = done.page.read_text(encoding="utf-8")
    assert tk.analyse(folder).answer.split(".")[0] in page
    (folder / "picks.csv").write_text("date,plant,count\n2026-07-01,P001,many\n")
    with pytest.raises(tk.TrialkitError):
        tk.write_report(folder, tmp_path / "page.html")
    assert done.page.read_text(encoding="utf-8") == page
