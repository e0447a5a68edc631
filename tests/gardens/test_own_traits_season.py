"""Traits of one's own over several gardens, by two stages as yields are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.gardens.season import season


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
