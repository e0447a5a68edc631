"""What a trial's report hands on to a club's pages: its answer, its results, a small picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from trialkit import plots, wording
from trialkit.gardens.stage_one import Failed, TrialMeans, means_of
from trialkit.models.results import ALPHA
from trialkit.models.window import EarlyResult
from trialkit.report.answer import table_rows
from trialkit.report.blocks import Block
from trialkit.report.figures import compared_picture
from trialkit.report.handout import front
from trialkit.report.opentrial import OpenTrial, told
from trialkit.trial import EARLY, QUESTIONS

HOME = "../index.html"


def handed_on(trial: OpenTrial) -> dict[str, Any]:
    """Facts of plain JSON: see `results` for the rows, one a variety, best first.

    front : the first screen, to be drawn as a picture (`handout.Front`).
    picture : SVG for the middle of an HTML page, "" where there is nothing to compare.
    means : the trial's means for the season's answer, of its own question first, then of those
    that other gardens may ask; empty where it has none.
    updated : the day of the last record, the planting day before there is any.
    """
    about, verdict = trial.records.trial, trial.conclusion.verdict
    drawn = compared_picture(trial)
    return {
        "home": HOME,
        "unlisted": True,
        "garden": about.garden,
        "crop": about.crop,
        "planted": about.planted.isoformat(),
        "updated": last_day(trial),
        "invented": about.invented,
        "fingerprint": trial.records.fingerprint,
        "answer": verdict.answer,
        "sure": verdict.how_sure,
        "state": verdict.state,
        "names": list(trial.names),
        "results": results(trial),
        "means": [plain for asked in dict.fromkeys((about.question, *QUESTIONS))
                  if (plain := to_json(means_of(trial.conclusion.analysis, about.garden, asked)))],
        "front": _plain_front(trial),
        "picture": "" if drawn is None else plots.vector(drawn, "small"),
    }


@told
def for_club(trial: OpenTrial) -> Block:
    """Nothing to see: what the club's pages need of this report, where it goes onto them."""
    return Block("", "", handed_on(trial) if trial.shared else {})


def _plain_front(trial: OpenTrial) -> dict[str, Any]:
    one = front(trial)
    rows = None if one.rows is None else _without_nan(one.rows.to_dict("records"))
    return {**one._asdict(), "rows": rows}


def last_day(trial: OpenTrial) -> str:
    """The day of the newest record of any kind but the weather's, year first."""
    records = trial.records
    frames = (records.picks, records.heights, records.harvest, records.events)
    days = [frame["date"].max() for frame in frames if frame["date"].notna().any()]
    days += [records.plants["lost"].max()] if records.plants["lost"].notna().any() else []
    return max(days).date().isoformat() if days else records.trial.planted.isoformat()


def results(trial: OpenTrial) -> list[dict[str, Any]]:
    """One row a variety: the headline trait, how it stands to the check, reach and losses.

    None where a number is not known or the layout cannot support it.
    """
    days = trial.conclusion.analysis.earliness
    if trial.conclusion.question == EARLY and isinstance(days, EarlyResult):
        return _days(trial, days)
    conclusion, main = trial.conclusion, trial.conclusion.quantity
    label, unit, supported = "", "", False
    if main is not None:
        label, unit, supported = main.label, main.unit, main.supported
    rows = []
    for row in table_rows(conclusion.table):
        rows.append(
            {
                "variety": row.variety,
                "check": bool(row.check),
                "trait": label,
                "unit": unit,
                "estimate": _number(row.gave),
                "low": _number(row.gave_low),
                "high": _number(row.gave_high),
                "against": conclusion.ratio_is if _number(row.ratio) is not None else "",
                "against_check": _number(row.ratio),
                "against_low": _number(row.ratio_low),
                "against_high": _number(row.ratio_high),
                "finding": row.state,
                "out_of_reach": _day(row.out_of_reach),
                "out_earliest": _day(row.out_low),
                "out_latest": _day(row.out_high),
                "plants": int(row.planted),
                "lost": int(row.lost),
                "compared": supported,
            }
        )
    return rows


def _days(trial: OpenTrial, days: EarlyResult) -> list[dict[str, Any]]:
    """The rows of a trial that asks which variety is early: days, the fewest first."""
    table = trial.conclusion.table[["variety", "check", "out_of_reach", "out_low", "out_high",
                                    "planted", "lost"]]
    gaps = days.against_check.set_index("variety")
    means = days.means.set_index("variety")
    rows = []
    for row in table_rows(table):
        gap = gaps.loc[row.variety] if row.variety in gaps.index else None
        own = means.loc[row.variety] if row.variety in means.index else None
        told = {"against_check": 0.0 if row.check else None} | {
            f"against_{end}": None for end in ("low", "high")}
        if gap is not None:
            told = {"against_check": _number(gap["estimate"]),
                    "against_low": _number(gap["low"]), "against_high": _number(gap["high"])}
        rows.append({
            "variety": row.variety, "check": bool(row.check), "trait": days.label, "unit": "days",
            **{name: None if own is None else _number(own[name])
               for name in ("estimate", "low", "high")},
            "against": "" if told["against_check"] is None else "difference", **told,
            "finding": "settled" if gap is not None and gap["p"] < ALPHA else "",
            "out_of_reach": _day(row.out_of_reach), "out_earliest": _day(row.out_low),
            "out_latest": _day(row.out_high), "plants": int(row.planted), "lost": int(row.lost),
            "compared": days.supported,
        })
    return rows


def _number(value: Any) -> float | None:
    """To six figures, as plain JSON; None for NaN and for an end without limit."""
    if wording.missing(value) or value in (float("inf"), float("-inf")):
        return None
    return float(f"{float(value):.6g}")


def _day(value: Any) -> str | None:
    return None if wording.missing(value) else pd.Timestamp(value).date().isoformat()


def to_json(first: TrialMeans | Failed) -> dict[str, Any] | None:
    """A trial's means as plain JSON, NaN as None; None for a trial without any."""
    if isinstance(first, Failed):
        return None
    plain = asdict(first)
    plain["estimates"] = first.estimates.tolist()
    plain["covariance"] = None if first.covariance is None else first.covariance.tolist()
    facts: dict[str, Any] = _without_nan(plain)
    return facts


def from_json(plain: Mapping[str, Any]) -> TrialMeans:
    """Back from `to_json`.  Raises TypeError, ValueError or LookupError for anything else."""
    values: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value
                              for name, value in plain.items()}  # fmt: skip
    joint = values["covariance"]
    values["covariance"] = None if joint is None else np.array(joint, dtype=np.float64)
    values["estimates"] = np.array(values["estimates"], dtype=np.float64)
    values["df"] = _nan(values["df"])
    return TrialMeans(**values)


def _nan(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value
