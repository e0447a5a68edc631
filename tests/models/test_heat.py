"""Growing degree days against printed worked examples; hot spells."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.models.rate import growing_degree_days, hot_from, hot_spells, warmth


def celsius(fahrenheit):
    return (np.asarray(fahrenheit, dtype=float) - 32.0) / 1.8


def fahrenheit_days(low, high, cap, method):
    found = growing_degree_days(celsius(low), celsius(high), 10.0, cap, method)
    return found * 1.8


def test_averaging_method_worked_example():
    # J. Nugent, Calculating Growing Degree Days, Michigan State University Extension: averaging
    # method, base 50 F: 65 and 40 give 2.5; 60 and 35 give 0.
    found = fahrenheit_days([40, 35], [65, 60], None, 1)
    assert found == pytest.approx([2.5, 0.0])


def test_capped_method_worked_examples():
    # Growing degree days for maize, 86/50 method, as printed by the Waushara Argus (25 April
    # 2018, county extension column): 90/65 gives 25.5, 72/46 gives 11, 63/42 gives 6.5.
    # Ohio State University Extension (2023, after the Ohio Agronomy Guide): 87/63 gives 24.5.
    # Iowa State University, Agronomy 541, lesson 2b: 70/50 gives 10, and no day more than 36.
    found = fahrenheit_days([65, 46, 42, 63, 50, 95], [90, 72, 63, 87, 70, 110], 30.0, 2)
    assert found == pytest.approx([25.5, 11.0, 6.5, 24.5, 10.0, 36.0])


def test_methods_differ_only_where_a_reading_passes_a_limit():
    # McMaster & Wilhelm 1997: where only the minimum is below the base, method 1 accumulates
    # fewer degree days than method 2; between the limits they agree.
    low, high = [2.0, 12.0, 20.0], [20.0, 28.0, 38.0]
    one = growing_degree_days(low, high, 10.0, 30.0, 1)
    two = growing_degree_days(low, high, 10.0, 30.0, 2)
    assert one == pytest.approx([1.0, 10.0, 19.0])
    assert two == pytest.approx([5.0, 10.0, 15.0])


def test_bad_requests_are_refused():
    with pytest.raises(ValueError, match="method"):
        growing_degree_days([1.0], [2.0], method=3)
    with pytest.raises(ValueError, match="cap"):
        growing_degree_days([1.0], [2.0], 10.0, 9.0)
    with pytest.raises(ValueError, match="low"):
        growing_degree_days([3.0], [2.0])


def season(highs, lows=None, start="2025-06-01"):
    dates = pd.date_range(start, periods=len(highs))
    lows = lows if lows is not None else np.asarray(highs, dtype=float) - 10.0
    return pd.DataFrame({"date": dates, "low_c": lows, "high_c": np.asarray(highs, dtype=float)})


def test_sum_starts_at_planting_and_bridges_short_gaps_only():
    weather = season([30.0] * 12)  # 15 degree days a day
    found = warmth(weather.drop(index=[3, 4]), "2025-06-02")
    assert found.on("2025-06-01") != found.on("2025-06-01")
    assert found.on("2025-06-02") == pytest.approx(15.0)
    assert found.bridged == 2
    assert found.on("2025-06-12") == pytest.approx(165.0)
    holed = warmth(weather.drop(index=[3, 4, 5]), "2025-06-02")
    assert holed.missing == 3
    assert np.isnan(holed.on("2025-06-12"))
    assert holed.on("2025-06-03") == pytest.approx(30.0)
    assert warmth(weather.iloc[:0], "2025-06-02") is None
    assert warmth(weather, "2026-01-01") is None


def test_hot_spells():
    highs = [34, 35, 36, 35, 30, 36, 36, 29, 38, 38, 38, 38, 20]
    found = hot_spells(season(highs).sample(frac=1, random_state=1), 35.0)
    assert found == (
        (pd.Timestamp("2025-06-02"), pd.Timestamp("2025-06-04")),
        (pd.Timestamp("2025-06-09"), pd.Timestamp("2025-06-12")),
    )
    assert len(hot_spells(season(highs), 35.0, days=2)) == 3
    assert hot_spells(season(highs), hot_c=40.0) == ()
    assert hot_spells(season([])) == ()


def test_a_day_without_a_reading_ends_a_spell():
    weather = season([36.0] * 7)
    weather.loc[3, "high_c"] = np.nan
    assert len(hot_spells(weather)) == 2
    assert hot_spells(weather.drop(index=[1, 5])) == ()


def test_what_is_hot_depends_on_the_place():
    cool = season([*[20.0] * 80, 31.0, 33.0, 34.0, *[21.0] * 20])
    assert hot_from(cool) == 30.0
    assert hot_spells(cool) == ((pd.Timestamp("2025-08-20"), pd.Timestamp("2025-08-22")),)
    warm = season([*np.linspace(33.0, 36.0, 90), *[41.0] * 12])
    assert hot_from(warm) == 41.0
    assert len(hot_spells(warm)) == 1
    assert hot_spells(season([22.0, 29.0, 29.5, 29.9, 25.0])) == ()
