"""The analysis of the real trials gives the published figures."""

from __future__ import annotations

from pathlib import Path

import pytest

from trialkit.models import analyse
from trialkit.models.harvest import HarvestResult
from trialkit.reading.amounts import GRAMS
from trialkit.records import read_records


def harvest_of(folder: Path) -> HarvestResult:
    result = analyse(read_records(folder)).harvest
    assert isinstance(result, HarvestResult), result
    return result


def test_oats_as_published(data: Path) -> None:
    """Yates (1935), Complex experiments: the split plot of oats.

    Variety F 1.4853 on 2 and 10 df (against main plots), nitrogen 37.686 on 3 and 45, their
    interaction 0.30282 on 6 and 45: 1786.4/2 over 6013.3/10, and so on, from the analysis of
    variance in Venables & Ripley, Modern Applied Statistics with S, section 10.2.  Means in
    quarter pounds a sub-plot; the differences of variety means have standard error 7.079 =
    sqrt(2 x 601.33 / 24), and no variety stands out.
    """
    result = harvest_of(data / "oats-1935")
    assert result.supported
    assert result.unit == "quarter lb a sub-plot"
    tests = result.tests.set_index("term")
    assert tests.loc["variety", "F"] == pytest.approx(1.4853, abs=5e-5)
    assert tests.loc["treatment", "F"] == pytest.approx(37.686, abs=5e-4)
    assert tests.loc["variety:treatment", "F"] == pytest.approx(0.30282, abs=5e-6)
    assert tests["num_df"].tolist() == pytest.approx([2, 3, 6])
    assert tests["den_df"].tolist() == pytest.approx([10, 45, 45], abs=1e-3)
    means = result.means.set_index("variety")["estimate"]
    assert means.to_dict() == pytest.approx(
        {"Golden Rain": 104.5, "Marvellous": 109.7917, "Victory": 97.625}, abs=1e-4
    )
    pairs = result.pairs.set_index(["left", "right"])
    assert pairs["estimate"].abs().tolist() == pytest.approx([5.2917, 6.875, 12.1667], abs=1e-4)
    assert pairs["df"].tolist() == pytest.approx([10, 10, 10])
    # Studentised range for 3 means, 10 df, 5 %: 3.877 (Tukey's table, as any textbook prints it)
    half = 3.877 * 7.0789 / 2**0.5
    assert ((pairs["high"] - pairs["low"]) / 2).tolist() == pytest.approx([half] * 3, rel=1e-3)
    assert len(set(result.letters.values())) == 1
    nitrogen = result.treatments["estimate"].tolist()
    assert nitrogen == pytest.approx([79.3889, 98.8889, 114.2222, 123.3889], abs=1e-4)


def test_strawberries_without_regard_to_the_hedge(data: Path) -> None:
    """The plain randomised block analysis of Mead's strawberries: R's lm gives F 3.6856 on 7 and
    21 df; variety R1, twice under the hedge, has the lowest mean, 3.5 pounds a plot.
    """
    result = harvest_of(data / "strawberries")
    row = result.tests.set_index("term").loc["variety"]
    assert row["F"] == pytest.approx(3.6856, abs=5e-5)
    assert (row["num_df"], row["den_df"]) == (pytest.approx(7), pytest.approx(21))
    pounds = result.means.set_index("variety")["estimate"] / GRAMS["lb"]
    assert pounds.idxmin() == "R1"
    assert pounds["R1"] == pytest.approx(3.5)


@pytest.mark.slow
def test_one_barley_trial_alone_supports_no_comparison(data: Path) -> None:
    """Means of the blocks are all there is: estimates are shown, intervals and letters are not."""
    folders = sorted((data / "barley-minnesota").iterdir())
    assert len(folders) == 12
    for folder in folders:
        result = harvest_of(folder)
        assert not result.supported
        assert result.why_not
        assert result.letters == {}
        assert result.pairs[["low", "high", "p"]].isna().all().all()
