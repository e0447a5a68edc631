"""A published factorial in blocks, entered as a user would, beside R."""

from pathlib import Path

import pandas as pd
import pytest

from trialkit.design.audit import audit
from trialkit.models import analyse
from trialkit.records import read_records

DATA = Path(__file__).parent / "data"


@pytest.mark.parametrize("plots", [True, False])
def test_turnips_in_an_eight_by_two_factorial_agree_with_r(plots, tmp_path):
    """McConway, Jones & Taylor 1999 (see SOURCES.md). R 4.2.2, anova(lm(yield ~ block + trt *
    gen)): trt F 12.7925 on 7 and 45, gen F 8.7528 on 1 and 45 (p 0.004914), trt:gen F 0.9398."""
    table = pd.read_csv(DATA / "mcconway_turnip.csv")
    (tmp_path / "trial.toml").write_text(
        'title = "Turnips"\ncrop = "turnip"\nplanted = 1990-08-21\n[units]\nharvest = "kg a plot"\n'
        '[layout]\ndesign = "randomised complete blocks"\n'
        '[[varieties]]\nname = "Barkant"\ncheck = true\n[[varieties]]\nname = "Marco"\n'
    )
    treatment = table["date"] + " at " + table["density"].astype(str)
    plants = pd.DataFrame({
        "plant": [f"p{n}" for n in range(64)], "variety": table["gen"], "block": table["block"],
        "treatment": treatment,
    })  # fmt: skip
    if plots:
        plants.insert(3, "plot", plants["plant"])
    plants.to_csv(tmp_path / "plants.csv", index=False)
    pd.DataFrame({
        "date": "1990-11-20", "plant": plants["plant"], "weight": table["yield"],
    }).to_csv(tmp_path / "harvest.csv", index=False)  # fmt: skip
    records = read_records(tmp_path)
    assert audit(records).strata["df"].tolist() == [3, 7, 1, 7, 45]
    tests = analyse(records).harvest.tests.set_index("term")
    assert tests.loc["variety", "F"] == pytest.approx(8.7528, abs=5e-4)
    assert tests.loc["variety", "den_df"] == pytest.approx(45, abs=1e-6)
    assert tests.loc["variety", "p"] == pytest.approx(0.004914, abs=2e-6)
    assert tests.loc["treatment", "F"] == pytest.approx(12.7925, abs=5e-4)
    assert tests.loc["variety:treatment", "F"] == pytest.approx(0.9398, abs=5e-4)
