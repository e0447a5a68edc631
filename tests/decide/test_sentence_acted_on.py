"""The finished page of awkward seasons, read as by somebody in a hurry who acts on it.

Each page is laid out in this process: the report notebook's own cells, pictures and the folded
part left out, without a kernel.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from functools import cache

import nbformat
import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from nbformat.v4 import new_output
from test_question import DAYS, bed, bell, day, grown, records

from trialkit import shipped
from trialkit.decide.verdict import _later, _Told
from trialkit.engine.page import render
from trialkit.report import cells
from trialkit.report.opentrial import OpenTrial

CONCLUDE, FROM_PICKS = (sys.modules[f"trialkit.decide.{name}"] for name in (
    "conclude", "verdict"))
SHOWN = ("heading", "answer", "next_step", "how_sure", "cannot_tell")
CELL = re.compile(r"cells\.(\w+)\(trial\)")
EVEN = {"A": 40, "B": 40, "C": 40}
NONE_LATE = dict.fromkeys("ABCD", 0)


@pytest.fixture(autouse=True)
def _only_what_the_answer_needs(monkeypatch):
    """The models of place, rate and height take seconds and say nothing of these answers."""
    for name in ("_place", "_missing"):
        monkeypatch.setattr(CONCLUDE, name, lambda *_: [])
    monkeypatch.setattr(FROM_PICKS, "_place", lambda *_: ("", False))


def page(found, *more: str) -> dict[str, str]:
    """What stands on the finished page: headline, mark, sentence, next, and sections by heading."""
    trial = OpenTrial(found, None)
    notebook = nbformat.read(shipped.notebook("report"), as_version=4)
    for cell in notebook.cells:
        asked = CELL.fullmatch(cell.source)
        cell.outputs = [] if cell.cell_type == "code" else None
        if asked and asked[1] in (*SHOWN, *more):
            data = getattr(cells, asked[1])(trial)._repr_mimebundle_()
            cell.outputs = [new_output("display_data", data=data)]
    soup = BeautifulSoup(render(notebook), "html.parser")

    def text(tag) -> str:
        return re.sub(r"\s+([.,:;])", r"\1", " ".join(tag.get_text(" ").split()))

    out = {name: text(soup.select_one(f".answer .{name}"))
           for name in ("leader", "mark", "sentence")}
    for section in soup.find_all("section"):
        out[text(section.find(["h1", "h2"]))] = text(section)
    out["next"] = out["The answer"].partition("Next: ")[2]
    return out


def season(late=NONE_LATE, total=EVEN, until=105, **more):
    plants = bed("ABC", blocks=4, plants=2)
    picks = bell(plants, late, total)
    return records(plants, picks[picks["date"] <= day(until)], looks=len(DAYS), **more)


def ended(found):
    return replace(found, trial=replace(found.trial, ended=day(105).date()))


# -- what could still turn the order, or does not follow from it --------------------------------

def test_a_variety_that_has_only_begun_is_named_beside_the_leader():
    said = page(season({"A": 0, "B": 16, "C": 0}, until=75))
    assert said["leader"].endswith("leads so far")
    assert "B has only begun to bear and may still pass" in said["next"]
    assert "B has only begun to bear." in said["sentence"]
    assert re.search(r"Over the last \d picks B gave [\d.]+ pods per plant planted a week and",
                     said["How sure, and why"])
    # It is not called close: its range is too wide for that.
    assert "too close" not in said["The answer"] + said["How sure, and why"]


def test_after_the_last_planned_pick_a_late_variety_is_not_done_with():
    said = page(season({"A": 0, "B": 16, "C": 0}))
    assert "B has only begun to bear and may still pass" in said["next"]
    assert "to the end" in said["next"]


def test_a_late_check_too():
    said = page(season({"A": 16, "B": 0, "C": 0}, until=89))
    assert re.search("A (bears later|has only begun to bear) and may still pass", said["next"])


def later(found, leader):
    about = OpenTrial(found, None).conclusion
    return _later(_Told(about.analysis, about.looks, about.totals,
                        about.table.set_index("variety"), about.quantity), leader)


def test_none_is_called_late_where_all_bear_at_once_or_the_season_is_over():
    plants = bed("ABC", blocks=4, plants=2)
    said = 0
    for seed in range(6):
        picks = bell(plants, NONE_LATE, {"A": 40, "B": 60, "C": 30}, seed=seed)
        said += bool(later(records(plants, picks, looks=len(DAYS) + 5), "B").short)
    assert said <= 1  # one-sided 2.5 % a variety, and a tenth of the crop at least
    late = season({"A": 0, "B": 16, "C": 0})
    assert later(late, "A").short
    assert not later(ended(late), "A").short


def test_a_late_check_that_was_beaten_is_told_as_late():
    """Not as one that was harmed alone: its crop came in the last picks."""
    late = ended(season({"A": 16, "B": 0, "C": 0}, {"A": 20, "B": 40, "C": 40}))
    said = page(late)
    assert said["mark"].startswith("Firm")
    assert re.search(r"A bore later than [BC]\.", said["sentence"])
    parts = re.search(r"Of what A gave (\d+) % came in the last (\d+) picks, of what [BC] gave "
                      r"(\d+) %", said["How sure, and why"])
    picks = late.picks.merge(late.plants[["plant", "variety"]], on="plant")
    days = sorted(picks["date"].unique())[-int(parts[2]):]
    of = picks[picks["variety"] == "A"]
    share = of.loc[of["date"].isin(days), "count"].sum() / of["count"].sum()
    assert int(parts[1]) == pytest.approx(100 * share, abs=2)
    assert int(parts[3]) < int(parts[1])
    assert "may still pass" not in said["next"]
    even = page(ended(season(total={"A": 20, "B": 40, "C": 40})))
    assert "bore later" not in even["sentence"] + even["How sure, and why"]


@cache
def tall():
    plants = bed("AB", blocks=4, plants=2)
    picks = bell(plants, NONE_LATE, {"A": 40, "B": 60})
    heights = grown(plants, {"A": 150.0, "B": 320.0}, range(20, 105, 7), half=50, speed=12)
    return records(plants, picks, heights, looks=len(DAYS), reach=200.0, bears=None)


def test_a_variety_that_outgrew_the_picker_is_named_with_its_day():
    said = page(tall(), "pick_by_pick")
    out = OpenTrial(tall(), None).conclusion.table.set_index("variety").loc["B", "out_of_reach"]
    assert f"B outgrew your reach on {out.day} {out:%B}." in said["sentence"]
    before = said["Pick by pick"].split("Pick 1 of")[1].split("Pick 2 of")[0]
    assert "outgrew" not in before


def test_to_have_beaten_the_check_is_not_to_be_the_best():
    said = page(ended(season(total={"A": 40, "B": 76, "C": 78})))
    assert (said["leader"], said["mark"]) == (
        "Both beat the check", "Firm: better than the check; which is best is open")
    assert re.search(r"Grow [BC] and [BC] and A|Grow [BC], [BC] and A", said["next"])
    assert "is best: each was compared with the check only" in said["What this cannot tell you"]
    alone = page(ended(season(total={"A": 30, "B": 66, "C": 30})))
    assert (alone["leader"], alone["mark"]) == (
        "B beat the check", "Firm: better than the check, you can act on it")


def test_a_check_that_did_badly_is_suspected():
    said = page(ended(season(total={"A": 6, "B": 50, "C": 48})))
    assert said["leader"] == "Both beat the check"
    assert "Something may have harmed A." in said["sentence"]
    assert "another check" in said["next"]
    assert "harmed it" in said["next"]
    assert "harmed" not in str(page(ended(season(total={"A": 40, "B": 76, "C": 78}))))


def test_losses_that_could_turn_the_order_stand_in_the_first_screen():
    plants = bed("ABC", blocks=4, plants=2)
    gone = plants[plants["variety"] == "B"].groupby("block").head(1).index
    plants.loc[gone, "lost"] = day(70)
    picks = bell(plants, NONE_LATE, {"A": 40, "B": 60, "C": 44})
    left = picks[~(picks["plant"].isin(plants.loc[gone, "plant"]) & (picks["date"] >= day(70)))]
    said = page(ended(records(plants, left, looks=len(DAYS))), "pick_by_pick")
    assert "B lost 4 of 8 plants" in said["sentence"]
    assert len(said["sentence"].split()) <= 27
    # A pick before that day says nothing of it.
    assert "lost" not in said["Pick by pick"].split("Pick 6 of")[0]


# -- layouts and records that carry no comparison: no winner, no range, and what to do -----------

def whole_rows():
    """A variety a row right through, its stretches called blocks."""
    plants = bed("ABC", blocks=4, plants=2)
    plants["row"] = plants["variety"].map({"A": 1.0, "B": 2.0, "C": 3.0})
    plants["column"] = plants.groupby("variety").cumcount() + 1.0
    return plants, {}


def one_column():
    plants, _ = whole_rows()
    return plants.rename(columns={"row": "column", "column": "row"}), {}


def nowhere():
    """Without positions, and no layout declared."""
    plants = bed("ABC", blocks=4, plants=2)
    return plants.assign(row=np.nan, column=np.nan), {}


def one_number():
    """One plot number holds all varieties, and where each plant stood is not known."""
    return bed("ABC", blocks=4, plants=2).assign(plot="1", block=pd.NA, row=np.nan,
                                                 column=np.nan), {}


def plants_called_plots():
    plants, _ = whole_rows()
    return plants.assign(plot=plants["plant"], block=pd.NA), {}


def contradicted():
    """Declared in blocks, which never hold two varieties."""
    plants, _ = whole_rows()
    return plants.assign(block=plants["variety"]), {"design": "randomised complete blocks"}


@pytest.mark.parametrize("lay", [
    whole_rows, one_column, nowhere, one_number, plants_called_plots, contradicted])
def test_a_layout_that_carries_no_comparison_names_no_winner(lay):
    plants, how = lay()
    picks = bell(plants, NONE_LATE, {"A": 30, "B": 90, "C": 40})
    said = page(ended(records(plants, picks, looks=len(DAYS), **how)))
    assert said["mark"] == "No comparison: this layout can't tell"
    assert said["leader"] in ("Rows can't be compared", "No fair comparison")
    assert "soil or light may explain" in said["sentence"]
    first = said["The answer"] + said["How sure, and why"]
    assert not re.search(r"times \([\d.]+ to|won|beat|Firm|leads", first)
    assert re.search(r"[Nn]ext year|Write|row and column", said["next"]), said["next"]


def test_days_of_their_own_are_no_comparison_until_a_common_day():
    """Dates aliased with varieties: totals up to a common day are compared, and a doubt told."""
    plants = bed("ABC", blocks=4, plants=2)
    picks = bell(plants, NONE_LATE, EVEN)
    own = picks.merge(plants[["plant", "variety"]], on="plant")
    turn = {"A": 0, "B": 1, "C": 2}
    own["date"] = own["date"] + pd.to_timedelta(own["variety"].map(turn), unit="D")
    said = page(ended(records(plants, own[picks.columns], looks=len(DAYS))))
    assert said["leader"] == "Too close to call"


def test_blanks_that_may_be_zeros_wait_for_the_growers_word():
    plants = bed("ABC", blocks=4, plants=2)
    picks = bell(plants, NONE_LATE, {"A": 40, "B": 12, "C": 40})
    left_out = ended(records(plants, picks[picks["count"] > 0], looks=len(DAYS)))
    said = page(left_out)
    assert (said["leader"], said["mark"]) == (
        "Not comparable yet", "No comparison: one question to answer first")
    assert 'zeros = "left out"' in said["next"]
    told = replace(left_out, trial=replace(left_out.trial, zeros="left out"))
    assert "B gave less than A" in page(told)["How sure, and why"]


def test_heights_that_stop_at_the_stick_give_no_answer_within_reach():
    found = tall()
    capped = found.heights.assign(height_cm=found.heights["height_cm"].clip(upper=180.0))
    stick = replace(found, heights=capped,
                    trial=replace(found.trial, question="within reach", bears="top"))
    said = page(stick)
    assert said["leader"] == "Heights stop short"
    assert "longer stick" in said["next"]
