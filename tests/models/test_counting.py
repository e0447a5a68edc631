"""Looks, blanks and days, counted by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, records

from trialkit.models.totals import Tally, counted_looks, log_index


def _picks(rows):
    return pd.DataFrame([(day(d), p, c, np.nan) for d, p, c in rows],
                        columns=["date", "plant", "count", "weight_g"])


def test_days_since_the_plants_own_last_look():
    plants = bed("AB", blocks=1, plants=1)
    one, two = plants["plant"]
    looks = counted_looks(records(plants, _picks([
        (50, one, 2), (54, one, 0), (57, one, 3), (61, one, 1),
        (50, two, 1), (54, two, np.nan), (57, two, 5), (61, two, 2),
    ])))
    by_plant = {p: part.sort_values("date") for p, part in looks.groupby("plant")}
    # Usual interval: median of 4 3 4 and 7 4 is 4; it stands for each plant's first look.
    assert list(by_plant[one]["days"]) == [4, 4, 3, 4]  # the zero is a look
    assert list(by_plant[two]["days"]) == [4, 7, 4]  # the blank is not
    assert by_plant[two]["pods"].sum() == 8
    assert list(by_plant[two]["first"]) == [True, False, False]


def test_a_plant_twice_on_a_date_is_one_look():
    plants = bed("AB", blocks=1, plants=1)
    one = plants["plant"].iloc[0]
    looks = counted_looks(records(plants, _picks([(50, one, 2), (50, one, 3), (54, one, 1)])))
    assert list(looks["pods"]) == [5, 1]


def test_an_empty_look_after_the_plant_was_lost_is_no_look():
    plants = bed("AB", blocks=1, plants=1)
    one = plants["plant"].iloc[0]
    plants.loc[plants["plant"] == one, "lost"] = day(52)
    looks = counted_looks(records(plants, _picks([(50, one, 2), (54, one, 0), (57, one, 1)])))
    assert list(looks["pods"]) == [2, 1]


def test_index_by_hand():
    """Two plants, one missed at the rich pick: it is set against the poor picks only."""
    plants = bed("AB", blocks=1, plants=1)
    one, two = plants["plant"]
    looks = counted_looks(records(plants, _picks([
        (50, one, 2), (54, one, 2), (58, one, 20), (50, two, 2), (54, two, 2), (58, two, np.nan)])))
    index = Tally(looks.assign(unit=looks["plant"])).by_plant.set_index("plant")
    # Pace of each date: 4/8, 4/8, 20/4 a plant-day. Expected: one 2 + 2 + 20, two 2 + 2.
    assert index.loc[one, "expected"] == pytest.approx(24)
    assert index.loc[two, "expected"] == pytest.approx(4)
    assert log_index(index).to_numpy() == pytest.approx([0, 0])
