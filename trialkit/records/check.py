"""Errors between the tables and the trial: what cannot be true, whatever the season was."""

from __future__ import annotations

from datetime import date

import numpy as np
import numpy.typing as npt

from trialkit.reading.spelling import did_you_mean, folded
from trialkit.records.findings import LISTED, Findings, Located
from trialkit.records.plots import PlotNames, basket_names, called_plots, with_baskets
from trialkit.records.schema import TABLES
from trialkit.trial import SOME_DAY, Trial

CROP_TABLES = {table.name for table in TABLES if table.crop}
# A record so long after planting is a slip in the year.
MOST_YEARS = 10
# Of so many names not known the nearest known one is looked for.
HINTED = 20
NO_PLOTS = PlotNames()

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
    plot goes under the name of its basket (see `records.plots`).
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
    events = plots.full(events, findings)
    _plots(plants, events, findings)
    return events


def _listed(
    rows: Located, column: str, known: tuple[str, ...] | list[str], where: str, what: str,
    findings: Findings,
) -> Located:
    """The rows with the names of a column as they are listed."""
    if not len(rows.frame):
        return rows
    codes, found = rows.coded(column)
    names = [str(name) for name in found]
    listed = set(known)
    missing = [i for i, name in enumerate(names) if name not in listed]
    if not missing:
        return rows
    alike: dict[str, str | None] = {}
    for one in known:
        key = folded(one)
        alike[key] = None if alike.get(key, one) != one else one
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


def _plots(plants: Located, rows: Located, findings: Findings) -> None:
    """Plots that events name are plots of plants.csv."""
    known = plants.frame["plot"].dropna().unique()
    plots = rows.frame["plot"]
    wrong = np.flatnonzero((plots.notna() & ~plots.isin(known)).to_numpy())
    values = list(plots.iloc[wrong[: LISTED + 1]])
    problems = [
        f"No plant in {plants.file} stands in it.{did_you_mean(str(v), map(str, known))}"
        for v in values
    ]
    findings.errors_at(rows, wrong, "plot", values, problems, f"a plot of {plants.file}")


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
