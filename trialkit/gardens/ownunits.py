"""Weights of a season in the gardeners' own unit, where they all have the same one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trialkit.gardens.first import FirstStage
from trialkit.reading.units import own_weight


def in_own_unit(firsts: Sequence[FirstStage]) -> list[FirstStage]:
    """Trials weighed in one unit told in it; in grams where gardeners use different ones.

    Ratios need no unit and stay.  A change of scale alters no test: estimates are divided by it,
    their covariance by its square.
    """
    weighed = {one.weight_unit for one in firsts if one.scale == "linear"}
    if len(weighed) != 1:
        return list(firsts)
    (unit,) = weighed
    return [_scaled(one, *own_weight(one.unit, unit)) for one in firsts]


def _scaled(first: FirstStage, scale: float, unit: str) -> FirstStage:
    if first.scale != "linear" or scale == 1.0:
        return first
    s, joint = first.spreads, first.covariance
    return replace(
        first, unit=unit, estimates=first.estimates / scale,
        covariance=None if joint is None else joint / scale**2,
        spreads=replace(s, block=s.block / scale, plot=s.plot / scale, plant=s.plant / scale),
    )
