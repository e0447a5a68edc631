"""The studies' short way and the report's own route give the same looks."""

from __future__ import annotations

import numpy as np
import pytest
from looks_records import LOOKS, Bed, plot_looks, season, until
from route_study import by_totals, first_claims, short_way

from trialkit.decide.conclude import Conclusion


@pytest.mark.parametrize("kind", [Bed(3, 2, 0.1), Bed(4, 3, 0.1, 1.5)])
def test_the_short_way_gives_the_looks_of_the_route(kind):
    lots = [[5, one] for one in range(2)]
    short = short_way(kind, [np.random.default_rng(lot) for lot in lots])
    for found, lot in zip(short, lots, strict=True):
        whole = season(kind, np.random.default_rng(lot))
        assert found == pytest.approx(by_totals(whole, kind), rel=1e-9, abs=1e-12)


def test_the_study_claims_what_the_report_claims():
    """First claim of the study = first report that says settled, and it stays said."""
    kind = Bed(4, 2, 0.05, 1.5, lost=0.1, missed=0.05)
    whole = season(kind, np.random.default_rng([2, 0]))
    look, sign = first_claims(by_totals(whole, kind), kind)["planned"][0].astype(int)
    assert 1 < look < LOOKS
    for at in (look - 1, look, LOOKS):
        part = until(whole, at)
        found = Conclusion(part.records, part).looks.results["B", "A"]
        assert (found.state == "settled") == (at >= look)
    dates = [one.date for one in plot_looks(whole)["B", "A"]]
    assert (found.settled_on, found.direction) == (dates[look - 1], sign)
