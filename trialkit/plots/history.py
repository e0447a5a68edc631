"""How the answer grew: the leading comparison after every pick."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

from trialkit.plots.style import COLOURS, INK, MUTED, STYLE, WIDTH, Picture, short
from trialkit.wording import capital, rounded, short_day

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
