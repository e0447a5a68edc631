"""The season answers what its trials ask for: yield, within reach, early, or a trait of one's own,
by two stages as yields are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.decide import conclude
from trialkit.gardens import season as season_module
from trialkit.gardens.season import season
from trialkit.records import read_records
from trialkit.report import cells, handout
from trialkit.report import season as season_report
from trialkit.report.figures import compared_rows


def _folder(root: Path, garden: int, kind: str, extra: str, values: dict[str, list[str]]) -> Path:
    """A garden of three varieties in as many blocks as there are values."""
    folder = root / f"g{garden}"
    folder.mkdir(parents=True)
    names = list(values)
    (folder / "trial.toml").write_text(
        f'title = "T{garden}"\ngarden = "Garden {garden}"\ncrop = "beans"\nplanted = 2026-05-01\n'
        'invented = true\n[layout]\ndesign = "randomised complete blocks"\n'
        + "".join(f'[[varieties]]\nname = "{v}"\n' + ("check = true\n" if v == names[0] else "")
                  for v in names)
        + f'[[traits]]\nname = "mildew"\nkind = "{kind}"\n{extra}')
    rows, seen = [], []
    for block in range(len(values[names[0]])):
        for place in range(len(names)):
            v = names[(place + block) % len(names)]
            rows.append(f"{v}{block},{v},{block},{block},{place}")
            seen.append(f"2026-07-01,{v}{block},mildew,{values[v][block]}")
    (folder / "plants.csv").write_text("plant,variety,block,row,column\n" + "\n".join(rows) + "\n")
    (folder / "traits.csv").write_text("date,plant,trait,value\n" + "\n".join(seen) + "\n")
    return folder


def test_a_measure_over_gardens_is_the_weighted_mean_of_gardens(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    folders, sums = [], []
    for garden in range(4):
        values = {v: [f"{m + garden + x:.2f}" for x in rng.normal(0, 1, 4)]
                  for v, m in (("A", 10.0), ("B", 13.0), ("C", 10.5))}
        folders.append(_folder(tmp_path, garden, "measure", 'unit = "mm"\n', values))
        sums.append({v: np.mean([float(x) for x in xs]) for v, xs in values.items()})
    answer = season(folders, trait="mildew")
    assert (answer.unit, answer.scale) == ("mm", "linear")
    assert "Mildew, against A: B 2.6 mm (1.4 to" in answer.answer
    table = answer.overall.set_index("variety")
    each = pd.DataFrame(sums)
    # Equal layouts: near the plain mean of the gardens' differences, whatever the weights.
    assert table.loc["B", "estimate"] == pytest.approx((each["B"] - each["A"]).mean(), abs=0.35)
    assert table.loc["B", "low"] > 0 > table.loc["C", "low"]


def test_a_single_garden_is_worked_out_once(tmp_path: Path, monkeypatch) -> None:
    """Also by a trait that it does not ask for, of which its report has no answer of its own."""
    folder = _folder(tmp_path, 0, "measure", 'unit = "mm"\n',
                     {"A": ["10", "12", "11"], "B": ["14", "13", "15"], "C": ["9", "11", "10"]})
    works, work = [], season_module.trial_means

    def counted(*args, **kwargs):
        works.append(kwargs["trait"])
        return work(*args, **kwargs)

    monkeypatch.setattr(season_module, "trial_means", counted)
    answer = season([folder], trait="mildew")
    assert len(answer.trials) == 1
    assert works == ["mildew"]


def test_a_share_over_gardens_is_told_as_odds(tmp_path: Path) -> None:
    folders = [_folder(tmp_path, g, "share", 'better = "less"\n', {
        "A": [f"{4 + (b + g) % 3}/20" for b in range(4)],
        "B": [f"{12 + (b + g) % 2}/20" for b in range(4)],
        "C": [f"{5 + (b * g) % 3}/20" for b in range(4)]}) for g in range(3)]
    answer = season(folders, trait="Mildew")
    table = answer.overall.set_index("variety")
    assert answer.scale == "log"
    # 62.5 % against 25 %: odds of 1.667 over 0.333.
    assert table.loc["B", "estimate"] == pytest.approx(5.0, rel=0.25)
    assert table.loc["B", "low"] > 1 > table.loc["C", "low"]
    assert answer.overall["variety"].iloc[-1] == "B"  # less is better


def test_a_garden_without_the_trait_is_left_out_and_said(tmp_path: Path) -> None:
    values = {"A": ["3.1", "3.4", "3.0"], "B": ["4.2", "4.0", "4.4"], "C": ["3.0", "3.3", "3.6"]}
    folders = [_folder(tmp_path, g, "measure", "", values) for g in range(2)]
    other = tmp_path / "g1" / "trial.toml"
    other.write_text(other.read_text().replace("mildew", "rust"))
    (tmp_path / "g1" / "traits.csv").unlink()
    answer = season(folders, trait="mildew")
    assert [one.folder for one in answer.failed] == ["g1"]
    assert "declares no trait 'mildew'" in answer.failed[0].reason
    assert len(answer.trials) == 1


def _picked(root: Path, garden: int, question: str, *, lose: str = "", extra: str = "") -> Path:
    """A garden of A (the check), B nine days earlier with three quarters of the crop, and C;
    four blocks of two plants a plot, a pick every third day, the season over."""
    rng = np.random.default_rng(garden)
    folder = root / f"g{garden}"
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(
        f'title = "T{garden}"\ngarden = "Garden {garden}"\ncrop = "beans"\nplanted = 2026-05-01\n'
        f'ended = 2026-08-30\ninvented = true\nquestion = "{question}"\n{extra}'
        '[layout]\ndesign = "randomised complete blocks"\n'
        '[[varieties]]\nname = "A"\ncheck = true\n[[varieties]]\nname = "B"\n'
        '[[varieties]]\nname = "C"\n')
    start = pd.Timestamp("2026-06-20")
    plants, picks = ["plant,variety,block,plot,row,column,lost,lost_reason"], ["date,plant,count"]
    for block in range(4):
        for place in range(3):
            v = "ABC"[(place + block * 2 + garden) % 3]
            for n in range(2):
                name = f"{block}{place}{n}"
                gone = v == lose and n == 0
                plants.append(f"{name},{v},{block},{block}{place},{block},{2 * place + n},"
                              + ("2026-06-15,wind" if gone else ","))
                for k in range(0 if gone else 22):
                    day = start + pd.Timedelta(days=3 * k)
                    middle, size = {"A": (33, 9), "B": (24, 6.75), "C": (33, 9)}[v]
                    mean = size * np.exp(-0.5 * ((3 * k - middle) / 12) ** 2)
                    picks.append(f"{day.date()},{name},{rng.poisson(mean)}")
    (folder / "plants.csv").write_text("\n".join(plants) + "\n")
    (folder / "picks.csv").write_text("\n".join(picks) + "\n")
    return folder


def test_a_season_of_trials_that_ask_for_earliness_answers_that(tmp_path: Path) -> None:
    folders = [_picked(tmp_path, g, "early" if g else "yield") for g in range(4)]
    answer = season(folders)
    assert answer.trait == "halfway"
    assert answer.overall["variety"].iloc[0] == "B"  # fewer days first
    row = answer.overall.set_index("variety").loc["B"]
    assert row["estimate"] == pytest.approx(-9, abs=1)
    assert row["low"] < row["estimate"] < row["high"] < 0
    assert answer.state == "settled"
    assert "gardens B was " in answer.answer
    assert "earlier than A, the check, by the day half its crop was in" in answer.answer
    assert row["best"] > 0.9
    assert any("Which variety gives most: Garden 0 2026 asked that" in line
               for line in answer.cannot_tell)
    # The same trials asked for their yields give those, and the other variety leads.
    yields = season(folders, trait="yield")
    assert yields.trait == "yield"
    assert yields.overall["variety"].iloc[-1] == "B"


def test_gaps_count_over_gardens_as_they_do_in_one(tmp_path: Path) -> None:
    """Half of C's plants are lost: what a living plant gave is the check's, what the ground gave
    is half of it."""
    folders = [_picked(tmp_path, g, "yield", lose="C") for g in range(3)]
    c = season(folders).overall.set_index("variety").loc["C"]
    assert c["estimate"] == pytest.approx(0.5, abs=0.05)
    living = season(folders, trait="pods").overall.set_index("variety").loc["C"]
    assert living["estimate"] == pytest.approx(1.0, abs=0.1)


def test_one_trial_alone_has_its_reports_answer_whatever_it_asks(tmp_path: Path) -> None:
    folder = _picked(tmp_path, 1, "early")
    own = conclude(read_records(folder))
    answer = season([folder])
    assert answer.answer == own.verdict.answer
    assert list(answer.overall["variety"]) == list(own.table["variety"])
    days = own.analysis.halfway.against_check.set_index("variety")
    table = answer.overall.set_index("variety")
    for name in ("B", "C"):
        assert table.loc[name, "estimate"] == pytest.approx(days.loc[name, "estimate"])


def test_a_clubs_page_of_a_trial_that_asks_for_earliness_shows_days(tmp_path: Path) -> None:
    """Its chart and its rows in the club's table are of what it asks for, the earliest first."""
    trial = cells.open_trial(str(_picked(tmp_path, 1, "early")))
    drawn, label, ranged = compared_rows(trial)
    assert (drawn["variety"].iloc[0], label, ranged) == (
        "B", "days from planting to half of the season's harvest", True)
    rows = handout.results(trial)
    assert [row["variety"] for row in rows] == list(drawn["variety"])
    assert {row["unit"] for row in rows} == {"days"}
    b = rows[0]
    assert (b["against"], b["finding"]) == ("difference", "settled")
    assert b["against_low"] < b["against_check"] < b["against_high"] < 0
    asked = [plain["answers"] for plain in handout.handed_on(trial)["means"]]
    assert asked == ["early", "yield"]


def test_a_trait_with_a_better_end_has_a_winner(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    folders = [_folder(tmp_path, g, "measure", 'unit = "mm"\nbetter = "less"\n', {
        v: [f"{m + g + x:.2f}" for x in rng.normal(0, 0.5, 4)]
        for v, m in (("A", 10.0), ("B", 13.0), ("C", 6.0))}) for g in range(4)]
    for folder in folders:
        told = folder / "trial.toml"
        told.write_text('question = "mildew"\n' + told.read_text())
    answer = season(folders)
    assert list(answer.overall["variety"]) == ["C", "A", "B"]
    assert "C had 3.7 mm (3.0 to 4.3) less" in answer.answer
    assert "less than A, the check, for mildew (less is better)" in answer.answer
    assert answer.state == "settled"
    assert answer.overall.set_index("variety").loc["C", "best_here"] > 0.95
    assert "yield" not in " ".join(answer.cannot_tell)


def test_the_seasons_page_compares_the_trait_that_was_asked_for(tmp_path: Path) -> None:
    values = {"A": ["3.1", "3.4", "3.0"], "B": ["4.2", "4.0", "4.4"], "C": ["3.0", "3.3", "3.6"]}
    folders = [str(_folder(tmp_path, g, "measure", 'unit = "mm"\n', values)) for g in range(3)]
    one = Path(folders[1]) / "trial.toml"
    one.write_text(one.read_text() + '[[traits]]\nname = "rust"\nkind = "yes or no"\n')
    opened = season_report.open_season(folders, trait=" Mildew ")
    parts = {name: getattr(season_report, name)(opened).plain for name in season_report.__all__
             if name[0].islower() and name != "open_season"}
    assert "mildew" in parts["heading"].lower()
    assert "mm" in parts["varieties"]
    assert "nan" not in " ".join(parts.values()).split()
    with pytest.raises(season_report.CellStop) as told:
        season_report.open_season(folders, trait="vigour")
    assert "Write: yield, within reach, early, mildew. Only some folders have rust." in str(
        told.value)
