"""Balanced layouts: REML must give the answer of the classical analysis of variance, exactly.

The F of each analysis of variance is worked out here from sums of squares, as a textbook lays the
table out, and compared with the Kenward-Roger F of the mixed model; the variance components follow
from the expected mean squares.  Printed figures are checked too where they are known:

* split plot: oats, Yates 1935, J. R. Stat. Soc. Suppl. 2:181-247, table also in Venables & Ripley
  2002, Modern Applied Statistics with S, 4th ed., section 10.2: mean squares of error
  601.33 (10 df) and 177.08 (45 df), F of varieties 1.49, of nitrogen 37.69 (from memory).
* randomised blocks: ergonomic stools, Pinheiro & Bates 2000, section 1.2, F 22.36 on 3 and 24 df
  (from memory); data in reference/data.
* Latin square: millet, Snedecor & Cochran 1989, Statistical Methods, 8th ed., section 14.10 (7th
  ed. 1980, table 14.10.1), spacing of rows 2 to 10 inches, yields from memory; printed
  sums of squares: rows 13 601, columns 6 146, treatments 4 157 (from memory).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import fit_lmm

DATA = Path(__file__).parent / "reference" / "data"

# rows of the square; letter = spacing, A 2 inches to E 10 inches
MILLET = """B257 E230 A279 C287 D202
D245 A283 E245 B280 C260
E182 B252 C280 D246 A250
A203 C204 D227 E193 B259
C231 D271 B266 A334 E338"""


def millet() -> pd.DataFrame:
    cells = [
        {"row": f"r{i}", "column": f"c{j}", "spacing": cell[0], "weight": float(cell[1:])}
        for i, line in enumerate(MILLET.splitlines())
        for j, cell in enumerate(line.split())
    ]
    return pd.DataFrame(cells)


def squares(data: pd.DataFrame, response: str, *factors: str) -> float:
    """Sum of squares of a table of means about the grand mean, summed over records."""
    y = data[response]
    means = data.groupby(list(factors))[response].transform("mean")
    return float(((means - y.mean()) ** 2).sum())


def total(data: pd.DataFrame, response: str) -> float:
    return float(((data[response] - data[response].mean()) ** 2).sum())


def test_randomised_blocks() -> None:
    data = pd.read_csv(DATA / "ergostool.csv")
    response, treatment, block = "effort", "type_", "subject"
    b, t = data[block].nunique(), data[treatment].nunique()
    of_treatments = squares(data, response, treatment) / (t - 1)
    of_blocks = squares(data, response, block) / (b - 1)
    rest = total(data, response) - (t - 1) * of_treatments - (b - 1) * of_blocks
    error = rest / ((t - 1) * (b - 1))
    model = fit_lmm(f"{response} ~ {treatment}", data, groups=[block])
    found = model.f_test(treatment)
    assert found["F"] == pytest.approx(of_treatments / error, rel=1e-7)
    assert found["F"] == pytest.approx(22.36, abs=0.005)
    assert (found["num_df"], found["den_df"]) == pytest.approx((t - 1, (t - 1) * (b - 1)))
    assert model.residual_sd**2 == pytest.approx(error, rel=1e-6)
    assert model.group_sd[block] ** 2 == pytest.approx((of_blocks - error) / t, rel=1e-5)
    pairs = model.compare(treatment).table
    assert pairs["se"].to_numpy() == pytest.approx(np.sqrt(2 * error / b), rel=1e-6)
    assert pairs["df"].to_numpy() == pytest.approx((t - 1) * (b - 1), rel=1e-6)


def test_latin_square() -> None:
    data = millet()
    parts = {f: squares(data, "weight", f) for f in ("row", "column", "spacing")}
    rest = total(data, "weight") - sum(parts.values())
    assert parts["row"] == pytest.approx(13_601, abs=1)
    assert parts["column"] == pytest.approx(6_146, abs=1)
    assert parts["spacing"] == pytest.approx(4_157, abs=1)
    error = rest / 12
    model = fit_lmm("weight ~ spacing", data, groups=["row", "column"])
    found = model.f_test("spacing")
    assert found["F"] == pytest.approx(parts["spacing"] / 4 / error, rel=1e-7)
    assert (found["num_df"], found["den_df"]) == pytest.approx((4, 12))
    for name in ("row", "column"):
        expected = (parts[name] / 4 - error) / 5
        assert model.group_sd[name] ** 2 == pytest.approx(expected, rel=1e-5)


def test_split_plot() -> None:
    data = pd.read_csv(DATA / "oats.csv").astype({"nitro": str})
    y, b, v, s = "yield_", 6, 3, 4
    blocks, varieties = squares(data, y, "block"), squares(data, y, "variety")
    whole = squares(data, y, "block", "variety") - blocks - varieties
    nitrogen = squares(data, y, "nitro")
    both = squares(data, y, "variety", "nitro") - varieties - nitrogen
    sub = total(data, y) - blocks - varieties - whole - nitrogen - both
    error_a, error_b = whole / ((b - 1) * (v - 1)), sub / (v * (b - 1) * (s - 1))
    assert error_a == pytest.approx(601.33, abs=0.01)
    assert error_b == pytest.approx(177.08, abs=0.01)
    model = fit_lmm(f"{y} ~ variety * nitro", data, groups=["block", "block:variety"])
    expected = {
        "variety": (varieties / 2 / error_a, 2, 10),
        "nitro": (nitrogen / 3 / error_b, 3, 45),
        "variety:nitro": (both / 6 / error_b, 6, 45),
    }
    for term, (f, num, den) in expected.items():
        found = model.f_test(term)
        assert found["F"] == pytest.approx(f, rel=1e-6)
        assert (found["num_df"], found["den_df"]) == pytest.approx((num, den), rel=1e-5)
    assert expected["variety"][0] == pytest.approx(1.49, abs=0.005)
    assert expected["nitro"][0] == pytest.approx(37.69, abs=0.005)
    between = (blocks / (b - 1) - error_a) / (v * s)
    assert model.group_sd["block"] ** 2 == pytest.approx(between, rel=1e-5)
    assert model.group_sd["block:variety"] ** 2 == pytest.approx((error_a - error_b) / s, rel=1e-5)
    assert model.residual_sd**2 == pytest.approx(error_b, rel=1e-6)
