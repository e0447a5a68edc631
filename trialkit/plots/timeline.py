"""Pictures along the days of a season: how the answer grew, curves in small panels, weather and
events beside the rate, what each pick brought, and when each variety bore."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.dates import date2num
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

from trialkit.plots.style import (
    COLOURS,
    FAINT,
    INK,
    MARKERS,
    MUTED,
    STYLE,
    WIDTH,
    Picture,
    TypedRow,
    ranged,
    short,
    specks,
)
from trialkit.wording import capital, counted, rounded, short_day

Spell = tuple[pd.Timestamp, pd.Timestamp]
"""The first and the last day of a hot spell."""


def day_ticks(axes: Axes, dates: pd.Series, most: int) -> None:
    """A few days along the bottom, the first and the last among them."""
    first, last = dates.min(), dates.max()
    span = max((last - first).days, 1)
    axes.set_xlim(first - pd.Timedelta(days=max(span * 0.05, 1)),
                  last + pd.Timedelta(days=max(span * 0.07, 1)))
    many = min(most, span + 1)
    ticks = [first + pd.Timedelta(days=round(span * k / max(many - 1, 1))) for k in range(many)]
    axes.set_xticks(ticks, [capital(short_day(t)) for t in ticks])
    week_ticks(axes, first, last)

WEEKS = 30
"""More weeks than this and they have no ticks of their own."""


def week_ticks(axes: Axes, first: pd.Timestamp, last: pd.Timestamp) -> None:
    """A small tick a week between the days that are written."""
    if 14 <= (last - first).days <= 7 * WEEKS:
        axes.set_xticks(pd.date_range(first, last, freq="7D").to_numpy(), minor=True)


def _hot(axes: Axes, spells: Sequence[Spell]) -> None:
    """A grey column for each hot spell."""
    for first, last in spells:
        ends = [float(date2num(day)) for day in (first, last)]  # type: ignore[no-untyped-call]
        axes.axvspan(ends[0], ends[1], color=FAINT, linewidth=0)

# ------------------------------------------------------------------------------------------------
# How the answer grew: the leading comparison after every pick.
# ------------------------------------------------------------------------------------------------

LEAST, MOST = 1.9, 8.0
"""Times either way that are drawn at least and at most: a range beyond is cut off at the edge, as
it says little yet."""


def history(
    looks: pd.DataFrame, first: str, second: str, what: str, check: str | None = None
) -> Picture:
    """What one variety had given over another after every pick, with its likely range.

    looks : date, ratio, low, high (missing where it was too early), clear (bool: the range left
    out a tie).  what : what was counted.
    """
    known = looks.dropna(subset=["ratio"])
    edge = _edge(known)
    low, high = (known[c].clip(1 / edge, edge) for c in ("low", "high"))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 1.9))
        axes = figure.add_axes((0.1, 0.14, 0.86, 0.78))
        dates = pd.to_datetime(known["date"])
        axes.vlines(dates, low, high, color=COLOURS[0], linewidth=1.6, alpha=0.6)
        clear = known["clear"].astype(bool)
        axes.plot(dates, known["ratio"], color=COLOURS[0], linewidth=1)
        axes.plot(dates[clear], known["ratio"][clear], color=COLOURS[0], marker="o",
                  linestyle="none", markersize=5.5)
        axes.plot(dates[~clear], known["ratio"][~clear], color=COLOURS[0], marker="o",
                  linestyle="none", markersize=5, markerfacecolor="#fefefe")
        axes.axhline(1.0, color=INK, linewidth=1, linestyle=(0, (4, 3)))
        axes.set_yscale("log")
        _powers(axes, float(np.nanmin([*low, *known["ratio"]])),
                float(np.nanmax([*high, *known["ratio"]])))
        axes.annotate("level", (1, 1), xycoords=("axes fraction", "data"), xytext=(0, -3),
                      textcoords="offset points", color=MUTED, ha="right", va="top")
        day_ticks(axes, dates, 4)
    names = short([first, second], 22)
    title = f"How the answer grew: {names[first]} beside {names[second]}"
    last = known.iloc[-1]
    said = f"After the newest pick {first} had given {rounded(last['ratio'])} times the {what} of "
    said += f"{second}{', the check' if second == check else ''}"
    if pd.notna(last["low"]) and last["high"] < 100 * last["low"]:
        said += f", likely range {rounded(last['low'])} to {rounded(last['high'])}"
    since = _since(known)
    verdict = (f" Clear since {short_day(since)}." if since is not None else
               " After the newest pick a tie is still within the range."
               if pd.notna(last["low"]) else "")
    caption = (f"How many times as much {first} had given as {second}, after each pick. Line up "
               "and down: likely range. Full dot: the range left out a tie. Open dot: it didn't.")
    return Picture(figure, f"{title}. {said}.{verdict}", caption + verdict, title)


def _edge(known: pd.DataFrame) -> float:
    """How many times either way are drawn: as far as the later half of the ranges and every
    estimate go."""
    later = known.iloc[len(known) // 2:]
    logs = np.log(np.concatenate([
        later[["low", "high"]].to_numpy(float).ravel(), known["ratio"].to_numpy(float)]))
    logs = np.abs(logs[np.isfinite(logs)])
    return float(np.clip(np.exp(logs.max(initial=0.0)), LEAST, MOST))


def _since(known: pd.DataFrame) -> pd.Timestamp | None:
    """From when every pick has been clear; None where the newest is not."""
    clear = known["clear"].astype(bool).to_numpy()
    if not clear[-1]:
        return None
    bad = np.flatnonzero(~clear)
    return pd.Timestamp(known["date"].iloc[int(bad[-1]) + 1 if bad.size else 0])


def _powers(axes: Axes, low: float, high: float) -> None:
    """Ticks a gardener reads: 1/4, 1/2, 1, 2, 4, with 1.5 where little else is in sight."""
    low, high = min(low, 1.0) / 1.08, max(high, 1.0) * 1.08
    axes.set_ylim(low, high)
    ladder = {1 / 16: "1/16", 1 / 8: "1/8", 1 / 4: "1/4", 0.5: "1/2", 1.0: "1", 2.0: "2", 4.0: "4",
              8.0: "8", 16.0: "16"}
    if high / low < 6:
        ladder |= {1.5: "1.5", 3.0: "3", 0.75: "3/4"}
    if high / low < 2:
        ladder |= {1.25: "1.25", 0.9: "0.9"}
    shown = {at: label for at, label in sorted(ladder.items()) if low <= at <= high}
    axes.yaxis.set_major_locator(FixedLocator(list(shown)))
    axes.set_yticklabels(list(shown.values()))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_minor_formatter(NullFormatter())

# ------------------------------------------------------------------------------------------------
# Curves over the season: small panels on shared axes, one a variety, the others behind in grey.
# ------------------------------------------------------------------------------------------------

PANELS = 12
"""More varieties than this and a figure shows the leading ones and the check only; its caption says
so."""

ALL_PRINTED, PRINTED = 6, 4
"""Of more varieties than the first, paper has so many panels, as many sheets are not pinned up."""

BEYOND = 3.0
"""Nothing is drawn above so many times the largest estimate: a range that wide says nothing, and
would press all curves flat."""


def totals(
    curve: pd.DataFrame, what: str, band: str, check: str | None = None, most: int = PANELS
) -> Picture:
    """Yield so far, one panel a variety, the others behind it in grey.

    curve : variety, date, estimate, low, high (`low` and `high` may be missing).
    what : what is counted, as the axis says it ("pods a plant").
    band : what the band is, as the caption says it.  most : panels at most.
    """
    figure, alt = _panels(curve, check, most, from_zero=True)
    caption = f"{_each(curve)}{band}".strip()
    title = f"{capital(what)} so far"
    return Picture(figure, f"{title}. {alt}", caption + _left_out(curve, check, most), title)


def rates(
    curve: pd.DataFrame,
    what: str,
    band: str,
    check: str | None = None,
    hot: Sequence[Spell] = (),
    enough: float | None = None,
    most: int = PANELS,
) -> Picture:
    """Rate over the season, one panel a variety.

    hot : (first day, last day) of each hot spell, shaded.
    enough : the rate below which the grower finds picking not worth while, a dashed line.
    most : panels at most.
    """
    figure, alt = _panels(curve, check, most, from_zero=True, hot=hot, line=enough)
    notes = [f"{_each(curve)}{band}".strip()]
    if len(hot):
        notes.append("Grey columns: hot spells.")
    if enough is not None:
        notes.append("Dashed line: below this rate picking isn't worth while.")
    said = [f"hot from {short_day(a)} to {short_day(b)}" for a, b in hot]
    heat = f" {capital(', '.join(said))}." if said else ""
    return Picture(
        figure, f"{capital(what)} over the season. {alt}{heat}",
        " ".join(filter(None, notes)) + _left_out(curve, check, most), capital(what),
    )


def heights(
    curve: pd.DataFrame,
    seen: pd.DataFrame,
    unit: str,
    band: str,
    reach: float | None = None,
    check: str | None = None,
    most: int = PANELS,
) -> Picture:
    """Height over time with the line of an arm's reach.

    curve : variety, date, estimate, low, high; seen : variety, date, height (one dot a plant);
    most : panels at most.
    A variety's curve runs from its own first reading to its own last one: beyond them it would be
    drawn from the other varieties' dates.
    """
    curve = between_readings(curve, seen)
    figure, alt = _panels(curve, check, most, dots=seen, line=reach, from_zero=True)
    notes = ["Dots: plants as measured. " + band]
    if reach is not None:
        notes.insert(0, "Dashed line: as high as an arm reaches.")
        alt += f" Reach is {reach:.3g} {unit}."
    caption = " ".join(notes) + _left_out(curve, check, most)
    return Picture(figure, f"Height in {unit}. {alt}", caption, f"Height, {unit}")


def _each(curve: pd.DataFrame) -> str:
    """What a panel is; nothing of a variety alone."""
    return ("Each panel: one variety in colour, the others in grey. "
            if curve["variety"].nunique() > 1 else "")


def between_readings(curve: pd.DataFrame, seen: pd.DataFrame) -> pd.DataFrame:
    """The rows of `curve` between the first and the last reading of their own variety.

    curve, seen : variety, date and more.  A variety without a reading has no curve.
    """
    dates = pd.to_datetime(seen["date"]).groupby(seen["variety"].astype(str))
    name, when = curve["variety"].astype(str), pd.to_datetime(curve["date"])
    return curve[(when >= name.map(dates.min())) & (when <= name.map(dates.max()))]


def _panels(
    curve: pd.DataFrame,
    check: str | None,
    most: int,
    *,
    from_zero: bool,
    dots: pd.DataFrame | None = None,
    line: float | None = None,
    hot: Sequence[Spell] = (),
) -> tuple[Figure, str]:
    """Small multiples on shared axes, two abreast; returns the figure and the ends in words."""
    curve = curve.assign(date=pd.to_datetime(curve["date"]))
    varieties = list(pd.unique(curve["variety"]))
    shown = _leading(varieties, check, most)
    abreast = 1 if len(shown) == 1 else 2
    names = short(shown)
    if check in shown and abreast > 1:  # room for the word behind the name
        names[check] = short(shown, 12)[check]
    rows = -(-len(shown) // abreast)
    height = 0.4 + (1.9 if abreast == 1 else 1.38) * rows
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        panels = list(figure.subplots(
            rows, abreast, sharex=True, sharey=True, squeeze=False).flat)
        figure.subplots_adjust(
            left=0.115, right=0.975, top=1 - 0.22 / height, bottom=0.3 / height,
            hspace=0.36, wspace=0.1,
        )
        lines = {v: part.sort_values("date") for v, part in curve.groupby("variety", sort=False)}
        for place, variety in enumerate(shown):
            axes = panels[place]
            _hot(axes, hot)
            if line is not None:
                axes.axhline(line, color=INK, linewidth=1, linestyle=(0, (4, 3)))
            for other in shown:
                if other != variety:
                    part = lines[other]
                    axes.plot(part["date"], part["estimate"], color=FAINT, linewidth=1)
            _panel(axes, lines[variety], place, dots)
            axes.set_title(f"{names[variety]} (check)" if variety == check else names[variety])
        for spare in panels[len(shown):]:
            spare.set_axis_off()
        _dates(panels, curve["date"], len(shown), abreast)
        largest = float(np.nanmax([1e-9, *curve["estimate"].astype(float),
                                *(() if dots is None else dots["height"].astype(float))]))
        if from_zero:
            panels[0].set_ylim(0, min(max(axes.get_ylim()[1], 1e-9), BEYOND * largest))
        panels[0].locator_params(axis="y", nbins=4)
    ends, newest = [], curve["date"].max()
    for variety in varieties:
        own = lines[variety].dropna(subset=["estimate"])
        if own.empty:
            continue
        last = own.iloc[-1]
        day = "" if last["date"] == newest else f" on {short_day(last['date'])}"
        said = "" if last["high"] > BEYOND * largest else ranged(last["low"], last["high"])
        ends.append(f"{variety} {rounded(last['estimate'])}{said}{day}")
    said = f"On {short_day(newest)}: {'; '.join(ends)}." if ends else "Nothing yet."
    return figure, said


def _panel(axes: Axes, part: pd.DataFrame, place: int, dots: pd.DataFrame | None) -> None:
    """One variety in its own colour and marker: dots behind, then the band, then the line."""
    colour = COLOURS[place % len(COLOURS)]
    if dots is not None:
        seen = dots[dots["variety"] == part["variety"].iloc[0]]
        specks(axes, pd.to_datetime(seen["date"]), seen["height"], colour)
    banded = part.dropna(subset=["low", "high"])
    if len(banded):
        axes.fill_between(banded["date"], banded["low"], banded["high"], color=colour, alpha=0.22,
                          linewidth=0)
    axes.plot(part["date"], part["estimate"], color=colour, linewidth=1.8)
    end = part.dropna(subset=["estimate"]).tail(1)
    axes.plot(end["date"], end["estimate"], color=colour, marker=MARKERS[place % len(MARKERS)],
              markersize=5, linestyle="none", clip_on=False)


def _dates(panels: list[Axes], dates: pd.Series, shown: int, abreast: int) -> None:
    """A few dates under each panel that has none below it."""
    first, last = dates.min(), dates.max()
    span = (last - first).days
    if span < 8:
        shares: tuple[float, ...] = (0, 1)
    else:
        shares = (0, 0.25, 0.5, 0.75, 1) if abreast == 1 else (0.14, 0.5, 0.86)
    ticks = [first + pd.Timedelta(days=round(span * share)) for share in shares]
    axes = panels[0]
    axes.set_xlim(first - pd.Timedelta(days=max(span, 1) * 0.03),
                  last + pd.Timedelta(days=max(span, 1) * 0.06))
    axes.set_xticks(ticks, [short_day(t) for t in ticks])
    week_ticks(axes, first, last)
    for place in range(shown):
        lowest = place + abreast >= shown
        panels[place].tick_params(labelbottom=lowest)
        panels[place].tick_params(which="minor", bottom=lowest)


def _leading(varieties: list[str], check: str | None, most: int) -> list[str]:
    """The first varieties, the check among them."""
    if len(varieties) <= most or check not in varieties[most:]:
        return varieties[:most]
    return [*varieties[: most - 1], check]


def _left_out(curve: pd.DataFrame, check: str | None, most: int) -> str:
    varieties = list(pd.unique(curve["variety"]))
    more = len(varieties) - most
    if more <= 0:
        return ""
    which = f"leading {most - 1} and the check" if check in varieties[most:] else (
        f"leading {most} varieties")
    return f" The {which} are drawn; the other {more} are in the table."

# ------------------------------------------------------------------------------------------------
# What befell the bed, along the rate of picking: heat, rain and events on one row of days.
# ------------------------------------------------------------------------------------------------

ALONG = 3
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
    hot: Sequence[Spell] = (),
) -> Picture:
    """Rate of picking, rain and events under one another.

    rate : variety, date, estimate, at most ALONG varieties.  events : date, event.
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
            _hot(axes, hot)
            if kind == "rate":
                _rate_lines(axes, rate, names, tall)
            elif kind == "rain":
                axes.bar(rain["date"], rain["rain"], width=1.0, color=COLOURS[0], linewidth=0)
                axes.locator_params(axis="y", nbins=2)
                axes.annotate(f"rain, {wet}", (0, 1), xycoords="axes fraction", xytext=(3, 0),
                              textcoords="offset points", va="top")
            else:
                _event_marks(axes, events, kinds, cut)
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


def _rate_lines(axes: Axes, rate: pd.DataFrame, names: dict[str, str], tall: float) -> None:
    """A line a variety, its name at its end.  names : as cut for the drawing.  tall : inches."""
    highest = max(float(rate["estimate"].max()), 1e-9) * 1.06
    axes.set_ylim(0, highest)
    ends = []
    for k, (_, part) in enumerate(rate.groupby("variety", sort=False)):
        part = part.sort_values("date").dropna(subset=["estimate"])
        axes.plot(part["date"], part["estimate"], color=COLOURS[k], linewidth=1.8)
        end = part.tail(1)
        axes.plot(end["date"], end["estimate"], color=COLOURS[k], marker=MARKERS[k],
                  markersize=5, clip_on=False)
        ends.append(float(end["estimate"].iloc[0]) / highest)
    places = spread(ends, LETTER / (72 * tall))
    for k, (name, at) in enumerate(zip(names.values(), places, strict=True)):
        axes.annotate(name, (1, at), xycoords="axes fraction", xytext=(5, 0),
                      textcoords="offset points", va="center", color=COLOURS[k],
                      annotation_clip=False)
    axes.locator_params(axis="y", nbins=4)


def _event_marks(
    axes: Axes, events: pd.DataFrame, kinds: Sequence[str], cut: dict[str, str]
) -> None:
    """A line for each kind of event, a mark on each of its days."""
    axes.set_yticks(range(len(kinds)), [cut[k] for k in kinds])
    axes.set_ylim(len(kinds) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)
    for line, event in enumerate(kinds):
        when = events.loc[events["event"] == event, "date"]
        axes.plot(when, [line] * len(when), color=INK, marker=MARKERS[line],
                  linestyle="none", markersize=5)

# ------------------------------------------------------------------------------------------------
# The season by variety: what each pick brought, and from when to when each bore.
# ------------------------------------------------------------------------------------------------

COLUMNS = 9
"""More picks than this share columns, so that figures stay readable on a phone."""

LINES = 12
"""More varieties than this and the leading ones are drawn."""

EACH = 0.24
"""Inches of a variety's line."""


def calendar(picked: pd.DataFrame, what: str, check: str | None = None) -> Picture:
    """What each pick, or a few picks together, brought per plant planted: shade and number.

    picked : a row a pick (index: its day), a column a variety, in order; not running totals.
    """
    together = -(-len(picked) // COLUMNS)
    group = np.arange(len(picked)) // together
    days = [pd.Timestamp(part.index[0]) for _, part in picked.groupby(group)]
    table = picked.groupby(group).sum(min_count=1).T
    shown = table.iloc[:LINES]
    cut = short([str(v) for v in shown.index], 16)
    top, height = 0.42, 0.42 + EACH * len(shown) + 0.05
    most = max(float(np.nanmax(table.to_numpy(float))), 1e-9)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        left = (0.12 + 0.072 * max(map(len, cut.values()))) / WIDTH
        axes = figure.add_axes((left, 0.05 / height, 0.99 - left, 1 - (top + 0.05) / height))
        axes.set_xlim(0, len(days))
        axes.set_ylim(len(shown), 0)
        axes.set_xticks([])
        axes.set_yticks([k + 0.5 for k in range(len(shown))],
                        [cut[str(v)] for v in shown.index])
        axes.tick_params(length=0)
        axes.spines[["left", "bottom"]].set_visible(False)
        for line, (_, row) in enumerate(shown.iterrows()):
            for column, value in enumerate(row):
                if pd.isna(value):
                    continue
                share = float(value) / most
                axes.add_patch(Rectangle((column + 0.04, line + 0.06), 0.92, 0.88, linewidth=0,
                                         facecolor=to_rgb(COLOURS[0]), alpha=0.05 + 0.5 * share))
                axes.text(column + 0.5, line + 0.52, _in_cell(float(value)), ha="center",
                          va="center", color=INK)
        month = ""
        for column, day in enumerate(days):
            if f"{day:%b}" != month:
                month = f"{day:%b}"
                axes.text(column + 0.5, -0.82, month, ha="center", va="bottom", color=MUTED)
            axes.text(column + 0.5, -0.12, str(day.day), ha="center", va="bottom")
    title = f"{capital(what)} per plant planted, pick by pick"
    each = "" if together == 1 else f" Each column: {together} picks, from the day above it."
    more = _more(len(table) - len(shown))
    said = "; ".join(
        f"{name}{', the check,' if name == check else ''} most from {short_day(days[int(at)])}, "
        f"{rounded(row.iloc[int(at)])}"
        for name, row in table.iterrows() if row.notna().any()
        for at in [int(np.nanargmax(row.to_numpy(float)))]
    )
    return Picture(figure, f"{title}. {said}.", f"The darker, the more.{each}{more}", title)


def _in_cell(value: float) -> str:
    return rounded(value) if value >= 10 or value < 0.05 else f"{value:.1f}".removesuffix(".0")


@dataclass(frozen=True)
class Bore(TypedRow):
    """When a variety bore: first and last pick, and the day half its crop was in, NaT until its
    season is over."""

    variety: str
    first: pd.Timestamp
    half: pd.Timestamp
    last: pd.Timestamp


def bearing(days: pd.DataFrame, check: str | None = None) -> Picture:
    """From the first pick to the last, and the day half the crop was in.

    days : variety, first, half, last (days), in order; missing for a variety that bore nothing,
    half until the season is over.
    """
    known = days.dropna(subset=["first", "last"])
    shown = known.head(LINES)
    cut = short([str(v) for v in shown["variety"]], 16)
    height = 0.32 + EACH * len(shown)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        left = (0.12 + 0.072 * max(map(len, cut.values()))) / WIDTH
        right = 0.52 / WIDTH
        axes = figure.add_axes((left, 0.26 / height, 1 - left - right, 1 - 0.28 / height))
        lines = np.arange(len(shown))
        axes.hlines(lines, shown["first"], shown["last"], color=COLOURS[0], linewidth=2.2,
                    alpha=0.5, capstyle="butt")
        axes.plot(shown["first"], lines, ">", color=COLOURS[0], markersize=6)
        axes.plot(shown["last"], lines, "|", color=COLOURS[0], markersize=9, markeredgewidth=2)
        axes.plot(shown["half"], lines, "D", color=INK, markersize=5)
        for line, half in zip(lines, shown["half"], strict=True):
            if pd.notna(half):
                axes.annotate(short_day(half), (1, line), xycoords=("axes fraction", "data"),
                              xytext=(36, 0), textcoords="offset points", ha="right",
                              va="center")
        axes.set_ylim(len(shown) - 0.5, -0.5)
        axes.set_yticks(range(len(shown)), [cut[str(v)] for v in shown["variety"]])
        axes.tick_params(axis="y", length=0)
        day_ticks(axes, pd.concat([shown["first"], shown["last"]]), 3)
        axes.spines["left"].set_visible(False)
    title = "When each variety bore"
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} from "
        f"{short_day(row.first)} to {short_day(row.last)}"
        + (f", half by {short_day(row.half)}" if over else "")
        for row, over in zip(Bore.of(known), known["half"].notna(), strict=True))
    caption = "Triangle: first pick with a crop. Bar across: last one. " + (
        "Diamond, and the day on the right: half the crop was in, its plots on average."
        if known["half"].notna().any() else
        "The day half the crop was in is known once the season is over.")
    return Picture(figure, f"{title}. {said}.", caption + _more(len(known) - len(shown)), title)


def _more(more: int) -> str:
    return f" The leading varieties are drawn; the other {more} are in the table." if more else ""
