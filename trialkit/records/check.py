"""What is wrong with the records and what is odd: tables against the trial and each other.

Errors are what cannot be true, whatever the season was; they stop.  Doubts are what is hard to
believe; those records are listed and kept, for the grower to say whether they are wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.reading.spelling import did_you_mean, folded
from trialkit.records.findings import LISTED, Findings, Located
from trialkit.records.plots import (
    HINTED,
    NO_PLOTS,
    PlotNames,
    as_plots,
    basket_names,
    basket_plots,
    called_plots,
    with_baskets,
)
from trialkit.records.schema import TABLES, Table
from trialkit.trial import SOME_DAY, Trial

# ------------------------------------------------------------------------------------------------
# Errors between the tables and the trial: what cannot be true, whatever the season was.
# ------------------------------------------------------------------------------------------------

CROP_TABLES = {table.name for table in TABLES if table.crop}
# A record so long after planting is a slip in the year.
MOST_YEARS = 10

def check_plants(trial: Trial, rows: Located, findings: Findings) -> Located:
    """Note what is wrong with the list of plants; return it with varieties as trial.toml has them.

    A name that differs from the listed one in case or spaces alone is read as that one, with a
    doubt; any other name that is not listed is an error.
    """
    if trial.varieties:
        rows = _listed(rows, "variety", trial.variety_names, "trial.toml", "a variety", findings)
    _plants(rows, findings)
    _dates(trial, "plants", rows, findings)
    return rows


def check_records(
    trial: Trial, plants: Located, name: str, rows: Located, findings: Findings,
    plots: PlotNames = NO_PLOTS,
) -> Located:
    """Note what is wrong with the rows of a table; return them with plants as plants.csv has them.

    Names of plants are read as those of varieties are (see `check_plants`).  A record of a whole
    plot goes under the name of its basket (see `records.check`).
    """
    known = plants.frame["plant"].dropna().to_list()
    if known and "plant" in rows.frame and name in CROP_TABLES:
        rows = with_baskets(plants, plots, rows, findings)
        called = called_plots(plants.frame, rows.frame["plant"])
        if called:
            rows = rows.having(plant=rows.frame["plant"].replace(called))
        known += list(basket_names(plants.frame))
    if known and "plant" in rows.frame:
        rows = _listed(rows, "plant", known, plants.file, "a plant", findings)
    _dates(trial, name, rows, findings)
    if name == "weather":
        _weather(rows, findings)
    return rows


def check_plots(
    plants: Located, plots: PlotNames, events: Located, findings: Findings
) -> Located:
    """Note events in plots that are not there; return them with plots' full names."""
    return as_plots(plants, plots, events, findings)[0]


def _listed(
    rows: Located, column: str, known: tuple[str, ...] | list[str], where: str, what: str,
    findings: Findings,
) -> Located:
    """The rows with the names of a column as they are listed."""
    if not len(rows.frame):
        return rows
    codes, levels = rows.coded(column)
    names = [str(name) for name in levels]
    listed = set(known)
    missing = [i for i, name in enumerate(names) if name not in listed]
    if not missing:
        return rows
    alike: dict[str, str | None] = {}
    for listed_name in known:
        key = folded(listed_name)
        alike[key] = None if alike.get(key, listed_name) != listed_name else listed_name
    right = {names[i]: alike.get(folded(names[i])) for i in missing}
    wrong = np.zeros(len(names) + 1, dtype=bool)  # the last is for blanks, code -1
    wrong[[i for i in missing if right[names[i]] is None]] = True
    at = np.flatnonzero(wrong[codes])
    values = [names[c] for c in codes[at[: LISTED + 1]]]
    hints = {
        name: did_you_mean(name, known) if len(known) <= 2000 else ""
        for name in list(dict.fromkeys(values))[:HINTED]
    }
    problems = [f"It is not listed in {where}.{hints.get(name, '')}" for name in values]
    findings.errors_at(rows, at, column, values, problems, f"{what} listed in {where}")
    renamed = {name: to for name, to in right.items() if to is not None}
    for name, to in renamed.items():
        times = np.flatnonzero(codes == names.index(name))
        more = f" (and {len(times) - 1:,} more times)" if len(times) > 1 else ""
        findings.doubts_at(rows, times[:1], column, [name], f"read as '{to}'{more}")
    if not renamed:
        return rows
    return rows.having(**{column: rows.frame[column].replace(renamed)})


def _plants(rows: Located, findings: Findings) -> None:
    """Each plant once, each with its place on its own."""
    _, names = rows.coded("plant")
    keys = {name: folded(name) for name in names.tolist()}
    first: dict[str, int] = {}
    twice, problems = [], []
    for i, name in enumerate(rows.frame["plant"].to_list()):
        key = keys.get(name)
        if key is not None and first.setdefault(key, i) != i:
            twice.append(i)
            problems.append(f"It is listed already, on line {rows.lines[first[key]]}.")
    findings.errors_at(
        rows, np.array(twice, dtype=np.intp), "plant", rows.frame["plant"].iloc[twice].to_list(),
        problems, "each plant once",
    )


def _dates(trial: Trial, name: str, rows: Located, findings: Findings) -> None:
    """No record of the crop before it was planted, none ten years after."""
    column = "lost" if name == "plants" else "date"
    if trial.planted == SOME_DAY or not len(rows.frame):
        return
    codes, days = rows.coded(column)
    planted = np.datetime64(trial.planted, "ns")
    if name in CROP_TABLES or name == "plants":
        _dates_at(rows, column, codes, days < planted, f"It is before planting ({trial.planted}).",
                  f"a day from {trial.planted} on", findings)
    last = date(trial.planted.year + MOST_YEARS, 12, 31)
    _dates_at(rows, column, codes, days > np.datetime64(last, "ns"),
              f"It is more than {MOST_YEARS} years after planting ({trial.planted}).",
              "a day of the trial", findings)


def _dates_at(
    rows: Located, column: str, codes: npt.NDArray[np.intp], wrong: npt.NDArray[np.bool_],
    problem: str, accepted: str, findings: Findings,
) -> None:
    """wrong : for each distinct day, whether it is."""
    if wrong.any():
        at = np.flatnonzero(np.append(wrong, False)[codes])  # the last is for blanks, code -1
        values = list(rows.frame[column].iloc[at[:LISTED]])
        findings.errors_at(rows, at, column, values, problem, accepted)


def _weather(rows: Located, findings: Findings) -> None:
    low, high = rows.frame["low_c"], rows.frame["high_c"]
    at = np.flatnonzero((low > high).to_numpy())
    values = [f"{low.iloc[i]:.4g} to {high.iloc[i]:.4g}" for i in at[:LISTED]]
    findings.errors_at(rows, at, "low", values, "The low is above the high.",
                       "a low up to the high")


# ------------------------------------------------------------------------------------------------
# Doubts: what is hard to believe.
# ------------------------------------------------------------------------------------------------

# Taller than any vegetable on canes (common practice, no source).
TALLEST_CM = 600.0
# A plant that measures this much of what it did before, or less.
SHRUNK = 0.6
# Times as tall, or as short, as its variety that day; inches taken for centimetres are 2.54.
OFF_TIMES = 2.4
# A measure this many robust standard deviations (1.4826 median absolute deviations, Hampel 1974,
# JASA 69:383) from the middle.
FAR = 6.0
# Picks that are never asked about, and those that are where there is little to compare with.
USUAL_COUNT, LARGE_COUNT = 20, 200
ENOUGH = 20
# Varieties without a plant are named up to so many; the rest are counted.
_MOST_NAMED = 3
# A record so many days from every other of its table.
ALONE_DAYS = 200

Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


def doubt_tables(
    trial: Trial, tables: Mapping[str, Located], findings: Findings, today: date
) -> None:
    """Note every doubt."""
    plants = tables["plants"]
    _odd_plants(trial, plants, findings)
    lost = _by_name(plants.frame)["lost"]
    for name, rows in tables.items():
        _days(rows, "lost" if name == "plants" else "date", findings, today)
    _picks(trial, tables["picks"], lost, findings)
    _heights(tables["heights"], plants, tables["events"], lost, findings)
    _harvest(trial, tables["harvest"], lost, findings)
    for table in TABLES:
        if table.crop:
            _others(table, tables[table.name], lost, findings)
    _odd_weather(tables["weather"], findings)
    _season(trial, tables, findings)


# Measures with rules of their own, below.
_OWN_RULES = frozenset({"count", "weight_g", "height_cm"})


def _others(table: Table, rows: Located, lost: pd.Series, findings: Findings) -> None:
    """Of any other measure: far from the rest, or of a plant that was lost by then."""
    for column in table.measured:
        if column.field in _OWN_RULES or not len(rows.frame):
            continue
        values = rows.frame[column.field].to_numpy()
        low, high = usual_range(values[~np.isnan(values)])
        _at(rows, (values < low) | (values > high), column.name,
            "far from all other values: the right unit?", findings, column.field)
        _at(rows, _after_loss(rows, lost, ~np.isnan(values)), "plant",
            f"{column.name} noted after the plant was lost", findings)


def _by_name(plants: pd.DataFrame) -> pd.DataFrame:
    """Variety and day of loss of every plant, and of every plot as a basket."""
    about = plants.dropna(subset=["plant"]).drop_duplicates("plant")
    whole = basket_plots(about, basket_names(plants))
    both = pd.concat([about, whole]) if len(whole) else about
    return both.set_index("plant")[["variety", "lost"]]


def _at(rows: Located, mask: Mask | pd.Series, column: str, doubt: str, findings: Findings,
        field: str = "") -> None:
    at = np.flatnonzero(np.asarray(mask, dtype=bool))
    if len(at):
        findings.doubts_at(rows, at, column, list(rows.frame[field or column].iloc[at]), doubt)


def _odd_plants(trial: Trial, rows: Located, findings: Findings) -> None:
    plants = rows.frame
    if not len(plants):
        return
    there = set(plants["variety"].dropna().unique())
    without = [name for name in trial.variety_names if name not in there]
    for name in without[:_MOST_NAMED]:
        findings.doubt(rows.file, None, "variety", name, "in trial.toml, but no plants listed",
                       rows.table)
    if len(without) > _MOST_NAMED:
        findings.doubt(rows.file, None, "variety", "", f"{len(without) - _MOST_NAMED:,} more "
                       "varieties of trial.toml have no plant", rows.table)
    _at(rows, plants["lost_reason"].notna() & plants["lost"].isna(), "lost_reason",
        "a reason for a loss, but no date: taken as not lost", findings)
    spot = plants[["block", "row", "column"]]
    known = plants[["row", "column"]].notna().all(axis=1) & plants["plants"].isna()
    _at(rows, known & spot.duplicated(keep=False), "plant",
        "another plant has the same row and column", findings)
    plots = plants.groupby(["block", "plot"], dropna=False)["variety"].transform("nunique")
    _at(rows, plants["plot"].notna() & (plots > 1), "plot",
        "a plot with more than one variety", findings)


def _days(rows: Located, column: str, findings: Findings, today: date) -> None:
    """Days to come, and days far from all the others."""
    if not len(rows.frame):
        return
    codes, values = rows.coded(column)
    days = values.astype("datetime64[D]")

    def doubt(odd: Mask, what: str) -> None:
        if odd.any():
            _at(rows, np.append(odd, False)[codes], column, what, findings)

    # A day's grace: the garden may be in a later time zone than this computer.
    doubt(days > np.datetime64(today + timedelta(days=1)),
          f"in the future, by this computer's clock ({today})")
    there = np.sort(days)
    if len(there) < 3:
        return
    gaps = np.diff(there).astype(int)
    alone = there[np.minimum(np.append(gaps, 10**9), np.append(10**9, gaps)) > ALONE_DAYS]
    if len(alone) < len(there) / 2:
        doubt(np.isin(days, alone), "far from all other days: the right year?")


def _twice(rows: Located, columns: list[str]) -> Mask:
    """Second and later rows that agree in these columns."""
    key = np.zeros(len(rows.frame), dtype=np.int64)
    most = 1
    for column in columns:
        codes, values = rows.coded(column)
        key = key * (len(values) + 1) + (codes + 1)
        most *= len(values) + 1
    if most < 50 * len(key) and np.bincount(key, minlength=1).max() == 1:
        return np.zeros(len(key), dtype=bool)
    return pd.Series(key).duplicated().to_numpy()


def _after_loss(rows: Located, lost: pd.Series, mask: Mask) -> Mask:
    """Which of the rows are of a plant lost before their day."""
    codes, names = rows.coded("plant")
    gone = lost.dropna()
    last = gone.reindex(names).to_numpy().astype("datetime64[ns]")
    out = np.zeros(len(rows.frame), dtype=bool)
    if len(gone) and len(names):
        at = np.flatnonzero(np.append(~np.isnat(last), False)[codes] & mask)
        out[at] = rows.frame["date"].to_numpy()[at] > last[codes[at]]
    return out


def usual_range(values: Floats) -> tuple[float, float]:
    """Bounds that are `FAR` robust standard deviations below and above the median.

    Of very many values some ten thousand, evenly spaced, are looked at.  Infinite where there
    are fewer than twenty.
    """
    there = values[:: max(1, len(values) // 10_000)]
    if len(values) < ENOUGH:
        return -np.inf, np.inf
    middle = np.median(there)
    spread = 1.4826 * np.median(np.abs(there - middle))
    if spread == 0:  # more than half alike
        spread = there.std()
    return float(middle - FAR * spread), float(middle + FAR * spread)


def _large(counts: Floats) -> Mask:
    """Counts far above the others.  Square roots, on which counts vary about alike (Anscombe 1948,
    Biometrika 35:246)."""
    above_zero = counts[counts > 0]
    if len(above_zero) < ENOUGH:
        return counts >= LARGE_COUNT
    if above_zero.max() < USUAL_COUNT:
        return np.zeros(len(counts), dtype=bool)
    root = usual_range(np.sqrt(above_zero))[1]
    return (counts >= USUAL_COUNT) & (counts > max(root, 0.0) ** 2)


def _picks(trial: Trial, rows: Located, lost: pd.Series, findings: Findings) -> None:
    picks = rows.frame
    if not len(picks):
        return
    _at(rows, _twice(rows, ["date", "plant"]), "plant",
        "the same plant twice on one date; both are kept", findings)
    count = picks["count"].to_numpy()
    weight = picks["weight_g"].to_numpy()
    _at(rows, _after_loss(rows, lost, (count > 0) | (weight > 0)), "plant",
        "picked after the plant was lost", findings)
    whole = picks["plot"].notna().to_numpy()
    large = np.zeros(len(count), dtype=bool)
    for of_kind in (whole, ~whole):
        large[of_kind] = _large(count[of_kind])
    _at(rows, large, "count", f"far more {trial.counted} than the other picks", findings)
    _weights(rows, count, weight, findings)


def _weights(rows: Located, count: Floats, weight: Floats, findings: Findings) -> None:
    """Weights against counts."""
    heavy = weight > 0
    if not (heavy | (weight == 0)).any():
        return
    counted = ~np.isnan(count)
    for odd, what in (
        (heavy & ~counted & counted.any(), "a weight, but the count is blank: for the count the "
                                           "plant stays not looked at"),
        (heavy & (count == 0), "a weight for a count of 0"),
        ((count > 0) & (weight == 0), "a weight of 0 for a count above 0"),
    ):
        _at(rows, odd, "weight", what, findings, "weight_g")
    both = heavy & (count > 0)
    each = weight[both] / count[both]
    if len(each) < ENOUGH:
        return
    low, high = np.exp(usual_range(np.log(each[:: max(1, len(each) // 10_000)])))
    middle = np.median(each[:: max(1, len(each) // 10_000)])
    odd = np.zeros(len(count), dtype=bool)
    odd[both] = (each > max(high, 4 * middle)) | (each < min(low, middle / 4))
    _at(rows, odd, "weight", "too heavy or too light for the count: the right unit?", findings,
        "weight_g")


def _heights(
    rows: Located, plants: Located, events: Located, lost: pd.Series, findings: Findings
) -> None:
    heights = rows.frame
    if not len(heights):
        return
    _at(rows, _twice(rows, ["date", "plant"]), "plant",
        "the same plant measured twice on one date; both are kept", findings)
    _at(rows, _after_loss(rows, lost, heights["height_cm"].notna().to_numpy()), "plant",
        "measured after the plant was lost", findings)
    tall = (heights["height_cm"] > TALLEST_CM).to_numpy()
    odd = _unlike_variety(heights, plants.frame) & ~tall
    shorter = _shorter(heights, tall | odd, events.frame, plants.frame)
    for mask, what in (
        (tall, f"over {TALLEST_CM / 100:g} m: the right unit?"),
        (shorter, "much shorter than when last measured"),
        (odd & ~shorter, "unlike the others of its variety that day: the right unit?"),
    ):
        _at(rows, mask, "height", f"in cm; {what}", findings, "height_cm")


def _unlike_variety(heights: pd.DataFrame, plants: pd.DataFrame) -> Mask:
    """Heights far from the others of the variety on the day, by the ratio to their median."""
    variety = heights["plant"].map(_by_name(plants)["variety"])
    value = heights["height_cm"].where(heights["height_cm"] > 0)
    log = np.log(value)
    groups = log.groupby([heights["date"], variety])
    off = (log - groups.transform("median")).abs()
    spread = 1.4826 * off.groupby([heights["date"], variety]).transform("median")
    enough = groups.transform("count") >= 5
    unlike = enough & (off > np.log(OFF_TIMES)) & (off > FAR * spread)
    return np.asarray(unlike, dtype=bool)


def _shorter(
    heights: pd.DataFrame, odd: Mask, events: pd.DataFrame, plants: pd.DataFrame
) -> Mask:
    """Plants much shorter than when last measured, and not topped since."""
    seen = heights[heights[["date", "plant", "height_cm"]].notna().all(axis=1).to_numpy()]
    seen = seen.sort_values("date", kind="stable")
    trusted = seen["height_cm"].mask(odd[seen.index.to_numpy()])
    plant_of = seen["plant"]
    before = trusted.groupby(plant_of).ffill().groupby(plant_of).shift()
    days = seen["date"].where(trusted.notna())
    when = days.groupby(plant_of).ffill().groupby(plant_of).shift()
    fell = (seen["height_cm"] <= SHRUNK * before).to_numpy()
    out = np.zeros(len(heights), dtype=bool)
    rows = seen.index.to_numpy()
    cut = events[events["event"].fillna("").str.contains("topped|cut back|pruned|pinched")]
    plot = plants.drop_duplicates("plant").set_index("plant")["plot"]
    for at in np.flatnonzero(fell):
        row = seen.iloc[at]
        own = (cut["plant"] == row["plant"]) | (cut["plot"] == plot.get(row["plant"]))
        own |= cut["plant"].isna() & cut["plot"].isna()
        if not (own & (cut["date"] >= when.iloc[at]) & (cut["date"] <= row["date"])).any():
            out[rows[at]] = True
    return out


def _harvest(trial: Trial, rows: Located, lost: pd.Series, findings: Findings) -> None:
    harvest = rows.frame
    if not len(harvest):
        return
    _at(rows, _twice(rows, ["date", "plant", "grade"]), "plant",
        "the same plant and grade twice on one date; both are kept", findings)
    count, weight = harvest["count"].to_numpy(), harvest["weight_g"].to_numpy()
    _at(rows, _after_loss(rows, lost, (count > 0) | (weight > 0)), "plant",
        "harvested after the plant was lost", findings)
    _at(rows, _large(count), "count", f"far more {trial.counted} than the others", findings)
    if (count > 0).any() and (weight > 0).any():
        _weights(rows, count, weight, findings)


def _odd_weather(rows: Located, findings: Findings) -> None:
    _at(rows, _twice(rows, ["date"]), "date", "the same day twice; both are kept", findings)
    _at(rows, (rows.frame["high_c"] > 50) | (rows.frame["low_c"] > 40), "high",
        "in degrees Celsius; hotter than almost anywhere: Fahrenheit?", findings, "high_c")


# Blanks where others of the bed were counted, above which it is asked what a blank means.
_PASSED_OVER = 0.02
# Share of the days on which one variety alone was picked, above which days and varieties are one.
_OWN_DAYS = 0.5
# A height that so many plants stop at, at so many readings each, is the length of the stick.
_STUCK_PLANTS, _STUCK_READINGS = 3, 2


def _season(trial: Trial, tables: Mapping[str, Located], findings: Findings) -> None:
    """What is odd about the records as a whole, not about any one of them."""
    rows, plants = tables["picks"], tables["plants"].frame
    counts = rows.frame.dropna(subset=["date", "plant", "count"])
    about = plants.dropna(subset=["plant"]).drop_duplicates("plant").set_index("plant")
    if len(counts) and len(about):
        variety = counts["plant"].map(about["variety"])
        seen = counts.assign(variety=variety).dropna(subset=["variety"])
        if own_days(seen):
            findings.doubt(rows.file, None, "date", "", "on most days only one variety was "
                           "picked: the day and the variety cannot be separated, so totals up to "
                           "a common day are compared", rows.table)
        if trial.zeros is None and not (counts["count"] == 0).any():
            dates = counts["date"].nunique()
            alive = about.index.isin(counts["plant"]) & about["lost"].isna().to_numpy()
            looks = seen[seen["plant"].isin(about.index[alive])].drop_duplicates(["plant", "date"])
            share = 1.0 - len(looks) / max(int(alive.sum()) * dates, 1)
            if dates > 1 and share > _PASSED_OVER and not own_days(seen):
                findings.doubt(rows.file, None, "count", "", "no zero is written although plants "
                               'were passed over: zeros = "written" or "left out" in trial.toml '
                               "says what a blank means", rows.table)
    stick = stick_length(tables["heights"].frame)
    if stick is not None:
        findings.doubt(tables["heights"].file, None, "height", f"{stick:g} cm", "many plants stop "
                       "at this one height: if it is the stick's length, leave the height of a "
                       "taller plant blank", tables["heights"].table)


def own_days(seen: pd.DataFrame) -> bool:
    """Whether on most days only one variety was picked. seen: date, variety."""
    if seen["variety"].nunique() < 2 or seen["date"].nunique() < 4:
        return False
    return bool((seen.groupby("date")["variety"].nunique() == 1).mean() > _OWN_DAYS)


def stick_length(heights: pd.DataFrame) -> float | None:
    """The largest height in cm, where so many plants stop at it that it is the stick's length.

    heights: plant, date, height_cm. None where they do not.
    """
    measured = heights.dropna(subset=["plant", "height_cm"])
    if measured.empty:
        return None
    top = float(measured["height_cm"].max())
    stuck = measured[measured["height_cm"] == top].groupby("plant").size()
    return top if int((stuck >= _STUCK_READINGS).sum()) >= _STUCK_PLANTS else None
