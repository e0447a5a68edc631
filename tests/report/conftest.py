"""A report of names that could break a page, made once and shared by every test of this folder."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hostile import NAMES

from trialkit import shipped


@pytest.fixture(scope="session")
def hostile_report(published):
    """The same season under names that could break a page."""
    return published("hostile", _hostile, handout="Letter", address="https://example.org/b.html")


def _hostile(folder):
    shipped.copy_trial(shipped.demo(), folder)
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    plants = (folder / "plants.csv").read_text(encoding="utf-8")
    old = [line.split('"')[1] for line in toml.split("[[varieties]]", 1)[1].splitlines()
           if line.startswith("name")]  # fmt: skip
    for name, new in zip(old, NAMES, strict=False):
        quoted = new.replace("\\", "\\\\").replace('"', '\\"')
        toml = toml.replace(f'name = "{name}"', f'name = "{quoted}"')
        plants = plants.replace(f",{name},", ',"' + new.replace('"', '""') + '",')
    title = "<b>Beans</b> & <script>alert(3)</script> $x_1$"
    toml = toml.replace(toml.split('title = "')[1].split('"')[0], title)
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    (folder / "plants.csv").write_text(plants, encoding="utf-8")


@pytest.fixture(scope="session")
def thirty_report(published):
    """Thirty varieties with names of 60 letters, invented: the names differ in their last letters,
    so that one cut short would be another's."""
    names = [f"Climbing bean, selection of the upper meadow, garden wall {k}"
             for k in range(10, 40)]
    assert {len(name) for name in names} == {60}
    return published("thirty", lambda folder: _thirty(folder, names)), names


def _thirty(folder, names):
    folder.mkdir()
    rng = np.random.default_rng(7)
    plants = pd.DataFrame([
        {"plant": f"P{block}-{2 * at + n}", "variety": names[kind], "block": block,
         "plot": f"{block}.{at}", "row": block, "column": 2 * at + n}
        for block in (1, 2, 3) for at, kind in enumerate(rng.permutation(30)) for n in (1, 2)])
    level = plants["variety"].map(dict(zip(names, np.linspace(9, 2, 30), strict=True)))
    plants.to_csv(folder / "plants.csv", index=False)
    days = pd.date_range("2025-07-10", periods=8, freq="5D")
    hot = [20.0] * 20 + [36.0] * 6 + [22.0] * 34
    tables = {
        "picks": pd.concat([plants[["plant"]].assign(date=day, count=rng.poisson(level))
                            for day in days]),
        "heights": pd.concat([
            plants[["plant"]].assign(date=day, height=60 + 45 * at + rng.integers(0, 20, 180))
            for at, day in enumerate(pd.date_range("2025-06-15", periods=4, freq="12D"))]),
        "weather": pd.DataFrame({"date": pd.date_range("2025-07-01", periods=60), "low": 12.0,
                                 "high": hot}),
    }
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d")
    (folder / "events.csv").write_text("date,plant,plot,event,note\n2025-07-20,,,watered,hose\n")
    varieties = "\n".join(f'[[varieties]]\nname = "{name}"' + "\ncheck = true" * (name == names[19])
                          for name in names)
    (folder / "trial.toml").write_text(f"""title = "Climbing beans, 30 varieties"
crop = "climbing bean"
planted = 2025-05-24
counted = "pods"
reach = "150 cm"
looks = 8
invented = true
[layout]
design = "randomised complete blocks"
row_spacing = "120 cm"
plant_spacing = "30 cm"
{varieties}
""", encoding="utf-8")
