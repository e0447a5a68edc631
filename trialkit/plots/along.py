"""What befell the bed, along the rate of picking: heat, rain and events on one row of days."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import matplotlib as mpl
import pandas as pd
from matplotlib.figure import Figure

from trialkit.plots.history import day_ticks
from trialkit.plots.style import COLOURS, FAINT, INK, MARKERS, STYLE, WIDTH, Picture, short
from trialkit.wording import capital, counted, short_day

LINES = 3
"""Varieties drawn: the leading ones and the check."""

KINDS = 6
"""Kinds of events with a line each; what is rarer shares the last one."""


LETTER = 11.0
"""Points from one line's name to the next at least."""


def spread(at: Sequence[float], gap: float) -> list[float]:
    """Heights from 0 to 1, moved apart until none is nearer to the next than `gap`."""
    order = sorted(range(len(at)), key=lambda k: at[k])
    out = [min(max(value, 0.0), 1.0) for value in at]
    for low, high in pairwise(order):
        out[high] = max(out[high], out[low] + gap)
    if order:
        out[order[-1]] = min(out[order[-1]], 1.0)
    for high, low in pairwise(reversed(order)):
        out[low] = min(out[low], out[high] - gap)
    return out


def along(
    rate: pd.DataFrame, what: str, events: pd.DataFrame, rain: pd.DataFrame, wet: str,
    hot: Sequence[tuple[Any, Any]] = (),
) -> Picture:
    """Rate of picking, rain and events under one another.

    rate : variety, date, estimate, at most LINES varieties.  events : date, event.
    rain : date, rain (in the unit `wet`), both may be empty.  hot : first and last day of a spell.
    """
    kinds = list(events["event"].value_counts().index[:KINDS])
    if events["event"].nunique() > KINDS:
        kinds[-1] = "other"
        events = events.assign(event=events["event"].where(events["event"].isin(kinds), "other"))
    parts = [("rate", 1.25)] + ([("rain", 0.5)] if len(rain) else []) + (
        [("events", 0.12 + 0.19 * len(kinds))] if kinds else [])
    gap, below = 0.2, 0.28
    height = sum(tall for _, tall in parts) + gap * (len(parts) - 1) + below + 0.1
    dates = pd.concat([rate["date"], events["date"]])
    names = short(list(pd.unique(rate["variety"])), 12)
    right = 1 - (0.14 + 0.078 * max(map(len, names.values()))) / WIDTH
    cut = short(kinds, 12)
    left = max(0.4, 0.1 + 0.072 * max(map(len, cut.values()), default=0)) / WIDTH
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        top = height - 0.1
        for place, (kind, tall) in enumerate(parts):
            axes = figure.add_axes((left, (top - tall) / height, right - left, tall / height))
            top -= tall + gap
            for first, last in hot:
                spell: Any = (pd.Timestamp(first), pd.Timestamp(last))
                axes.axvspan(*spell, color=FAINT, linewidth=0)
            if kind == "rate":
                top_rate = max(float(rate["estimate"].max()), 1e-9) * 1.06
                axes.set_ylim(0, top_rate)
                ends = []
                for k, (_, part) in enumerate(rate.groupby("variety", sort=False)):
                    part = part.sort_values("date").dropna(subset=["estimate"])
                    axes.plot(part["date"], part["estimate"], color=COLOURS[k], linewidth=1.8)
                    end = part.tail(1)
                    axes.plot(end["date"], end["estimate"], color=COLOURS[k], marker=MARKERS[k],
                              markersize=5, clip_on=False)
                    ends.append(float(end["estimate"].iloc[0]) / top_rate)
                places = spread(ends, LETTER / (72 * tall))
                for k, (name, at) in enumerate(zip(names.values(), places, strict=True)):
                    axes.annotate(name, (1, at), xycoords="axes fraction", xytext=(5, 0),
                                  textcoords="offset points", va="center", color=COLOURS[k],
                                  annotation_clip=False)
                axes.locator_params(axis="y", nbins=4)
            elif kind == "rain":
                axes.bar(rain["date"], rain["rain"], width=1.0, color=COLOURS[0], linewidth=0)
                axes.locator_params(axis="y", nbins=2)
                axes.annotate(f"rain, {wet}", (0, 1), xycoords="axes fraction", xytext=(3, 0),
                              textcoords="offset points", va="top")
            else:
                axes.set_yticks(range(len(kinds)), [cut[k] for k in kinds])
                axes.set_ylim(len(kinds) - 0.5, -0.5)
                axes.tick_params(axis="y", length=0)
                for line, event in enumerate(kinds):
                    when = events.loc[events["event"] == event, "date"]
                    axes.plot(when, [line] * len(when), color=INK, marker=MARKERS[line],
                              linestyle="none", markersize=5)
            day_ticks(axes, dates, 3)
            axes.tick_params(labelbottom=place == len(parts) - 1)
    title = "Rate, weather and events on the same days"
    said = [f"hot from {short_day(a)} to {short_day(b)}" for a, b in hot]
    said += [f"{event} {counted(int((events['event'] == event).sum()), 'time')}" for event in kinds]
    wettest = rain.sort_values("rain").tail(1)
    said += [f"most rain on {short_day(d)}" for d in wettest["date"]]
    caption = f"Top: {what}."
    if len(hot):
        caption += " Grey columns: hot spells."
    return Picture(figure, f"{title}. {capital('; '.join(said) or 'nothing noted')}.", caption,
                   title)
