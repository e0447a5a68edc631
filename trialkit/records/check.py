"""Checks across the tables: errors that stop, doubts that are shown and never acted on."""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd

from trialkit.records.problems import Findings
from trialkit.trial import Trial

# Taller than any garden crop on canes (common practice, no source).
TALLEST_CM = 600.0
SHRINK = 0.25
# A pick this many times the trial's upper quartile, and above this count, is asked about.
LARGE_TIMES = 8.0
LARGE_COUNT = 60.0

Frames = dict[str, pd.DataFrame]
Lines = dict[str, pd.Series]


def check_all(
    trial: Trial, frames: Frames, lines: Lines, names: dict[str, str], findings: Findings
) -> None:
    """Run every check; ``names`` gives each table's file name."""
    plants = frames["plants"]
    file = {table: names.get(table, f"{table}.csv") for table in frames}
    _plants(trial, plants, lines["plants"], file["plants"], findings)
    known = set(plants["plant"].dropna())
    for table in ("picks", "heights", "harvest", "events"):
        _known_plants(frames[table], lines[table], file[table], known, findings)
    _known_plots(frames["events"], plants, lines["events"], file["events"], findings)
    _picks(plants, frames["picks"], lines["picks"], file["picks"], findings)
    _heights(plants, frames["heights"], lines["heights"], file["heights"], findings)
    _weather(frames["weather"], lines["weather"], file["weather"], findings)


def _plants(
    trial: Trial, plants: pd.DataFrame, lines: pd.Series, file: str, findings: Findings
) -> None:
    twice = plants["plant"].notna() & plants["plant"].duplicated()
    findings.errors_at(file, lines[twice], "plant", plants["plant"][twice],
                       "This plant is listed already.", "each plant once")
    names = trial.variety_names
    wrong = plants["variety"].notna() & ~plants["variety"].isin(names)
    for line, value in zip(lines[wrong], plants["variety"][wrong], strict=True):
        near = difflib.get_close_matches(value, names, n=1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        findings.error(file, int(line), "variety", value, f"trial.toml does not name it.{hint}",
                       ", ".join(names))
    missing = [n for n in names if n not in set(plants["variety"].dropna())]
    if len(plants):
        for name in missing:
            findings.doubt(file, None, "variety", name, "named in trial.toml, but no plant has it")
    reason = plants["lost_reason"].notna() & plants["lost"].isna()
    findings.doubts_at(file, lines[reason], "lost", plants["lost_reason"][reason],
                       "a reason for a loss, but no date: taken as not lost")
    spot = plants[["row", "column"]].notna().all(axis=1)
    same = spot & plants.duplicated(["row", "column"], keep=False)
    findings.doubts_at(file, lines[same], "column", plants["plant"][same],
                       "shares its row and column with another plant")
    varieties = plants.groupby("plot")["variety"].nunique()
    mixed = plants["plot"].isin(varieties.index[varieties > 1])
    if mixed.any():
        first = plants.index[mixed][0]
        findings.doubt(file, int(lines[first]), "plot", plants["plot"][first],
                       "a plot with more than one variety")


def _known_plants(
    frame: pd.DataFrame, lines: pd.Series, file: str, known: set[str], findings: Findings
) -> None:
    values = frame["plant"]
    wrong = values.notna() & ~values.isin(known)
    if not wrong.any():
        return
    hints: dict[str, str] = {}
    for value in values[wrong].unique():
        near = difflib.get_close_matches(value, sorted(known), n=1) if len(hints) < 50 else []
        hints[value] = f" Did you mean '{near[0]}'?" if near else ""
    for line, value in zip(lines[wrong], values[wrong], strict=True):
        findings.error(file, int(line), "plant", value,
                       f"No such plant in plants.csv.{hints[value]}", "a plant listed in plants.csv")


def _known_plots(
    events: pd.DataFrame, plants: pd.DataFrame, lines: pd.Series, file: str, findings: Findings
) -> None:
    wrong = events["plot"].notna() & ~events["plot"].isin(set(plants["plot"].dropna()))
    findings.errors_at(file, lines[wrong], "plot", events["plot"][wrong],
                       "No such plot in plants.csv.", "a plot listed in plants.csv")


def _after_loss(plants: pd.DataFrame, frame: pd.DataFrame) -> pd.Series:
    lost = plants.dropna(subset=["plant"]).drop_duplicates("plant").set_index("plant")["lost"]
    return frame["date"] > frame["plant"].map(lost)


def _picks(
    plants: pd.DataFrame, picks: pd.DataFrame, lines: pd.Series, file: str, findings: Findings
) -> None:
    if picks.empty:
        return
    codes_day = pd.factorize(picks["date"])[0].astype(np.int64)
    codes_plant = pd.factorize(picks["plant"])[0].astype(np.int64)
    key = pd.Series(codes_day * (codes_plant.max() + 2) + codes_plant, index=picks.index)
    twice = key.duplicated() & picks["plant"].notna() & picks["date"].notna()
    findings.doubts_at(file, lines[twice], "plant", picks["plant"][twice],
                       "the same plant twice on one date; both are kept")
    late = _after_loss(plants, picks) & (picks["count"] > 0)
    findings.doubts_at(file, lines[late], "date", picks["date"][late].dt.date,
                       "picked after the plant was lost")
    some = picks["count"] > 0
    usual = float(picks["count"][some].quantile(0.75)) if some.any() else 0.0
    large = picks["count"] > max(LARGE_COUNT, LARGE_TIMES * usual)
    findings.doubts_at(file, lines[large], "count", picks["count"][large],
                       f"far above the usual pick (three in four are {usual:g} or fewer)")
    alone = picks["count"].isna() & (picks["weight_g"] > 0)
    findings.doubts_at(file, lines[alone], "weight", picks["weight_g"][alone],
                       "a weight without a count: the count stays not looked at")
    empty = (picks["count"] == 0) & (picks["weight_g"] > 0)
    findings.doubts_at(file, lines[empty], "weight", picks["weight_g"][empty],
                       "a weight for a count of zero")


def _heights(
    plants: pd.DataFrame, heights: pd.DataFrame, lines: pd.Series, file: str, findings: Findings
) -> None:
    if heights.empty:
        return
    tall = heights["height_cm"] > TALLEST_CM
    findings.doubts_at(file, lines[tall], "height", heights["height_cm"][tall].round(1),
                       f"over {TALLEST_CM / 100:g} m (in cm here): is the unit right?")
    below = heights["height_cm"] <= 0
    findings.errors_at(file, lines[below], "height", heights["height_cm"][below],
                       "A height is above zero.", "a height, or blank for not measured")
    twice = heights.duplicated(["date", "plant"])
    findings.doubts_at(file, lines[twice], "plant", heights["plant"][twice],
                       "the same plant measured twice on one date; both are kept")
    seen = heights.dropna(subset=["date", "plant", "height_cm"]).sort_values("date", kind="stable")
    before = seen.groupby("plant")["height_cm"].shift()
    shrank = seen.index[(seen["height_cm"] < (1.0 - SHRINK) * before).to_numpy()]
    findings.doubts_at(file, lines[shrank], "height", heights["height_cm"][shrank].round(1),
                       "much shorter (cm) than when last measured: topped, or a slip?")
    late = _after_loss(plants, heights) & heights["height_cm"].notna()
    findings.doubts_at(file, lines[late], "date", heights["date"][late].dt.date,
                       "measured after the plant was lost")


def _weather(weather: pd.DataFrame, lines: pd.Series, file: str, findings: Findings) -> None:
    wrong = weather["low_c"] > weather["high_c"]
    findings.errors_at(file, lines[wrong], "low", weather["low_c"][wrong].round(1),
                       "The day's low is above its high.", "low at most high")
    twice = weather["date"].duplicated() & weather["date"].notna()
    findings.doubts_at(file, lines[twice], "date", weather["date"][twice].dt.date,
                       "the same day twice")
    odd = (weather["high_c"] > 60) | (weather["low_c"] < -60)
    findings.doubts_at(file, lines[odd], "high", weather["high_c"][odd].round(1),
                       "beyond any weather on record (degrees Celsius): is the unit right?")
