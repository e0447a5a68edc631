"""Several gardens or years, for the cells of a notebook: one call, one piece of the report.

    season = open_season(folders, until)
    answer(season)

Every number comes from the `SeasonAnswer`; nothing is worked out here but how to say it.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit
from trialkit import plots, shipped, wording
from trialkit.gardens.answer import AVERAGE, SeasonAnswer, bare_everywhere, scope, within
from trialkit.gardens.gathered import GatheredProblem
from trialkit.gardens.interaction import HOLDS, RISES
from trialkit.gardens.season import combine
from trialkit.gardens.season import season as work_out
from trialkit.gardens.workers import ClusterProblem, mapper
from trialkit.reading.spelling import folded
from trialkit.report.answer import Cell, Row
from trialkit.report.blocks import (
    Block,
    bullets,
    isolate,
    paragraphs,
    part,
    show,
    tabled,
    titled,
)
from trialkit.report.handout import HOME, from_json
from trialkit.report.method import LIBRARIES, version_of
from trialkit.report.opentrial import CellStop, RecordsCellStop
from trialkit.trial import EARLY, QUESTIONS, WITHIN_REACH, YIELD, draft_trial
from trialkit.wording import few


@dataclass(frozen=True)
class OpenSeason:
    """Trials worked out together."""

    answer: SeasonAnswer
    until: date | None
    shared: bool = False
    """The report goes onto a club's pages."""

    @property
    def names(self) -> tuple[str, ...]:
        """Variety names, to be fenced off wherever they stand in a sentence."""
        return tuple(self.answer.overall["variety"]) if len(self.answer.overall) else ()

    @property
    def to(self) -> str:
        """What varieties are set against, in words."""
        return self.answer.check or AVERAGE

    @property
    def facts(self) -> dict[str, object]:
        """What a club's page of it needs beside its own content."""
        return {"home": HOME, "unlisted": True} if self.shared else {}

    def __repr__(self) -> str:
        return f"{wording.counted(len(self.answer.trials), 'trial')} together"


def open_season(
    folders: Sequence[str] = (), until: str = "", cluster: str = "", means: str = "",
    trait: str = "",
) -> OpenSeason:
    """Work out the trials in `folders` (twelve published barley trials if none are given).

    cluster: address of a running Dask scheduler; else this machine.  means: a file of trials' means
    as a club's pages keep them, in place of the folders.  trait: a question, such as
    "early", or a trait of the gardeners' own; "" is what the trials' question asks.
    Raises RecordsCellStop where no folder gave anything because of its records, CellStop where the
    cluster is not to be had, gathered records are not whole or no folder has the trait.
    """
    if means:
        stored = json.loads(Path(means).read_text(encoding="utf-8"))
        return OpenSeason(combine([from_json(failure) for failure in stored]), None, True)
    places = [Path(folder) for folder in folders] or shipped.several_trials()
    try:
        day = date.fromisoformat(until) if until else None
    except ValueError:
        raise CellStop(f"until is {until!r}; write a date such as 2025-07-20, or leave it empty.") \
            from None
    try:
        result = work_out(places, until=day, mapper=mapper(cluster or None),
                          trait=trait.strip() or "auto")
    except (ClusterProblem, GatheredProblem, TimeoutError) as problem:
        raise CellStop(str(problem)) from None
    if not result.trials:
        if trait:
            raise CellStop(f"No folder can be compared by {trait!r}. {_shared_traits(places)}")
        why = "\n".join(f"{failure.folder}: {failure.reason}" for failure in result.failed)
        raise RecordsCellStop(f"No folder gave a result.\n{why}")
    return OpenSeason(result, day)


def _shared_traits(places: Sequence[Path]) -> str:
    """What --trait may be of these folders."""
    named: list[dict[str, str]] = []
    for place in places:
        try:
            about = draft_trial((place / "trial.toml").read_text(encoding="utf-8"))[0]
        except (OSError, UnicodeDecodeError):
            continue  # gathered records, or no trial
        named.append({folded(own.name): own.name for own in about.traits})
    every = [name for key, name in (named[0] if named else {}).items()
             if all(key in others for others in named)]
    some = dict.fromkeys(name for own in named for name in own.values())
    rest = [name for name in some if name not in every]
    shared = f"Write: {', '.join([*QUESTIONS, *every])}."
    return shared + (f" Only some folders have {wording.listed(rest)}." if rest else "")


# ------------------------------------------------------------------------------------------------
# The season's answer, its table, what links the gardens and where an order turns round.
# ------------------------------------------------------------------------------------------------

SHOWN = 40
"""Trials a table lists; more are counted."""
TURNED = 8
"""Gardens named where the order looked reversed."""
UNTOLD = "too few trials to give a range"
BEST_HERE = "Chance of being best on average here"


def heading(season: OpenSeason) -> Block:
    """The title, and under it how many trials, where and when."""
    result = season.answer
    single = len(result.trials) == 1
    crop = wording.capital(result.crop)
    title = f"{crop}: " + ("one garden" if single else "several gardens together")
    if len({f.place for f in result.trials}) == 1 and not single:
        title = f"{crop}: one garden, several trials"
    years = sorted({f.year for f in result.trials})
    when = (wording.listed([str(y) for y in years]) if len(years) < 4
            else f"{years[0]} to {years[-1]}")
    under = " · ".join([wording.capital(scope(result)), when])
    asked = result.trials[0].answers
    if asked != YIELD:
        under += f" · {wording.capital(asked)}: {result.label}" if asked == EARLY else (
            f" · {wording.capital(asked)}")
    notes = []
    if any(f.invented for f in result.trials):
        notes.append("Invented data: made up to show what a report looks like.")
    sources = {f.source for f in result.trials if f.source and not f.invented}
    if len(sources) == 1:
        notes.append(f"Published data: {sources.pop()}.")
    if season.until is not None:
        notes.append(f"As of {wording.day(season.until, year=True)}: what was recorded later is "
                     "left out.")
    html = part("heading", title=title, under=under, notes=notes)
    footer = (f"Made with trialkit {trialkit.__version__} from records with the fingerprint "
              f"{result.fingerprint}.")
    facts = {"title": title, "footer": footer, **season.facts}
    return Block(html, "\n".join([title, under, *notes]), facts)


def answer(season: OpenSeason) -> Block:
    """The answer in two sentences, and how sure it is."""
    result = season.answer
    html = part("answer", sentence=isolate(result.answer, season.names),
                sure=isolate(result.how_sure, season.names))
    facts = {"answer": result.answer, "sure": result.how_sure, "state": result.state}
    return Block(html, f"{result.answer}\n{result.how_sure}", facts)


def varieties(season: OpenSeason) -> Block:
    """The small table: one line a variety, best first."""
    result = season.answer
    columns = _columns(season)
    lines: list[Row] = []
    for row in _Variety.of(result.overall):
        lines.append(Row(row.variety, bool(row.check), [show(row) for _, show in columns]))
    heads = [head for head, _ in columns]
    caption = "Best first. In bold the best estimate"
    if result.supported:
        caption += "; below it the likely range (95 %, for all varieties at once)"
    if result.new_supported:
        caption += "; for another garden the range alone"
    caption += "." + _alike(season)
    html = part("cards", caption=caption, heads=heads, rows=lines)
    plain = ["  ".join([line.name, *(f"{c.value} {c.range}".strip() for c in line.cells)])
             for line in lines]
    return Block(html, "\n".join(["  ".join(["Variety", *heads]), *plain]))


@dataclass(frozen=True)
class _Variety(plots.Overall):
    """A variety's line of the answer; best, best_here: chances of being the best."""

    check: bool
    trials: float
    gardens: float
    best: float
    best_here: float


@dataclass(frozen=True)
class _Flip(plots.Estimate):
    """A variety on the other side of the check in one garden."""

    garden: str
    year: int
    supported: bool
    words: str
    chance: float


@dataclass(frozen=True)
class _Stability(plots.TypedRow):
    """How evenly a variety does from garden to garden."""

    variety: str
    trials: int
    slope: float
    slope_low: float
    slope_high: float
    deviation: float
    variance: float


def _columns(season: OpenSeason) -> list[tuple[str, Callable[[_Variety], Cell]]]:
    result = season.answer
    gardens = len({trial.place for trial in result.trials})
    stable = result.stability.set_index("variety")["words"].to_dict()
    against = "the check" if result.check else "the average"
    head = f"{wording.capital(result.trials[0].counted)} against {against}"
    about = result.trials[0]
    if about.answers == WITHIN_REACH:
        head = f"{wording.capital(about.counted)} within reach against {against}"
    elif about.better is not None and result.scale == "log":
        head = f"{wording.capital(about.label)}, {about.counted} against {against}"
    if result.scale == "linear":
        head = f"More or less than {against}, {result.unit}".rstrip(", ")
        if about.answers == EARLY:
            head = f"Days later (or earlier: \N{MINUS SIGN}) than {against}"
        elif about.better is not None:
            head = f"{wording.capital(about.label)}: {head[:1].lower()}{head[1:]}"
    columns: list[tuple[str, Callable[[_Variety], Cell]]] = [
        (head, lambda row: _value(season, row))]
    if result.new_supported:
        columns.append(("In another garden", lambda row: _elsewhere(season, row)))
    if result.overall["best"].notna().any():
        columns.append(("Chance of being best there", lambda row: Cell(_chance(row.best))))
    elif result.overall["best_here"].notna().any():
        columns.append((BEST_HERE, lambda row: Cell(_chance(row.best_here))))
    if not _everywhere(season):
        columns.append(("Grown in", lambda row: _grown(row, gardens)))
    if _uneven(season):
        columns.append(("From garden to garden",
                        lambda row: Cell("", remark=stable.get(row.variety, wording.NONE))))
    return columns


def _everywhere(season: OpenSeason) -> bool:
    """Whether every trial grew every variety."""
    trials = len(season.answer.trials)
    return bool((season.answer.overall["trials"] == trials).all())


def _uneven(season: OpenSeason) -> bool:
    """Whether a variety takes to good or poor gardens more than the others do."""
    return season.answer.trials[0].better is None and bool(
        season.answer.stability["words"].isin([RISES, HOLDS]).any())


def _alike(season: OpenSeason) -> str:
    """What holds for every variety, and so needs no column."""
    result = season.answer
    said = ""
    if _everywhere(season) and len(result.trials) > 1:
        gardens = len({trial.place for trial in result.trials})
        said += f" Each was grown in {'both' if gardens == 2 else 'all'} " * (gardens > 1)
        said += f"{wording.counted(gardens, 'garden')}." * (gardens > 1)
    of_yields = result.trials[0].better is None
    if of_yields and not _uneven(season) and result.stability["slope"].notna().any():
        said += " Good or poor garden made no clear difference."
    return said


def _value(season: OpenSeason, row: _Variety) -> Cell:
    ratio = season.answer.scale == "log"
    if row.check:
        return Cell("1, the check" if ratio else "0, the check")
    if wording.missing(row.estimate):
        return Cell(wording.NONE, remark=f"cannot be set against {season.to}: no garden links them")
    plausible = within(season.answer, row.low, row.high)
    remark = UNTOLD if season.answer.supported and not plausible else ""
    if ratio:
        span = wording.interval(row.low, row.high) if plausible else ""
        return Cell(f"{wording.number(row.estimate)} times", span, remark)
    return Cell(wording.signed(row.estimate), _between(row.low, row.high), remark)


def _elsewhere(season: OpenSeason, row: _Variety) -> Cell:
    if not within(season.answer, row.new_low, row.new_high):
        return Cell(wording.NONE)
    if season.answer.scale == "log":
        return Cell("", f"{wording.interval(row.new_low, row.new_high)} times")
    return Cell("", _between(row.new_low, row.new_high))


def _between(low: float, high: float) -> str:
    return "" if wording.missing(low) else f"{wording.signed(low)} to {wording.signed(high)}"


def _chance(value: float) -> str:
    return wording.NONE if wording.missing(value) else wording.percent(value)


def _grown(row: _Variety, gardens: int) -> Cell:
    years = f"{row.trials:.0f} trials" if row.trials > row.gardens else ""
    return Cell(f"{row.gardens:.0f} of {wording.counted(gardens, 'garden')}", years)


def next_step(season: OpenSeason) -> Block:
    """What to do next."""
    return paragraphs([season.answer.next_step], season.names)


def cannot_tell(season: OpenSeason) -> Block:
    """What these trials leave open."""
    return bullets(season.answer.cannot_tell, season.names)


def turned(season: OpenSeason) -> Block:
    """Gardens where a variety looked to be on the other side of the check (or the average)."""
    result = season.answer
    if len(result.trials) < 2 or result.flips.empty:
        return Block("", "")
    own = result.flips.dropna(subset=["low"])
    reversals = [f"{row.garden} ({row.year}): {row.variety}" for row in
                 _Flip.of(own[own["supported"]])]
    texts = ["The ranking flips in " + few(reversals, TURNED) + "." if reversals else
             "No garden shows by itself that the ranking flips there."]
    if len(own) < len(result.flips):
        others = wording.counted(len(result.flips) - len(own), "time")
        texts.append(f"{others} a variety was on the other side of {season.to} in a garden with "
                     "one row of each; that can be the row as well as the garden.")
    block = paragraphs(texts, season.names)
    items = [
        f"{row.variety} in {row.garden}, {row.year}: {_size(season, row)}; {row.words} (chance "
        f"{_chance(row.chance)})." for row in _Flip.of(own.head(TURNED))
    ]
    if len(own) > TURNED:
        items.append(f"{wording.counted(len(own) - TURNED, 'more case')} like these.")
    more = bullets(items, season.names)
    return Block(f"{block.html}\n{more.html}", f"{block.plain}\n{more.plain}")


def _size(season: OpenSeason, row: _Flip) -> str:
    if season.answer.scale == "log":
        return (f"{wording.number(row.estimate)} times {season.to} "
                f"({wording.interval(row.low, row.high)})")
    return (f"{wording.signed(row.estimate)} {season.answer.unit} against {season.to} "
            f"({_between(row.low, row.high)})")


def shared(season: OpenSeason) -> Block:
    """Who shares varieties with whom: what links the gardens."""
    result = season.answer
    if len(result.trials) < 2:
        return Block("", "")
    if _everywhere(season):
        return paragraphs([_same_varieties(result)], season.names)
    if len(result.groups) == 1:
        lead = "All trials are linked: every two varieties can be compared, some through others."
    else:
        lead = ("Not all trials are linked. These can be compared only among themselves: "
                + "; ".join(wording.listed(list(group)) for group in result.groups) + ".")
    rows = [(f"{row.garden} {row.year}", str(row.varieties), str(row.shared),
             *(("yes" if row.check else "no",) if result.check else ()))
            for row in result.shared.head(SHOWN).itertuples()]
    more = f"; the first {SHOWN} of {len(result.shared)}" if len(result.shared) > SHOWN else ""
    heads = ("Garden", "Varieties", "Grown elsewhere too", *(("Check",) if result.check else ()))
    table = tabled(f"What links the gardens{more}", heads, rows)
    block = paragraphs([lead], season.names)
    return Block(f"{block.html}\n{table.html}", f"{block.plain}\n{table.plain}")


def _same_varieties(answer: SeasonAnswer) -> str:
    """That every trial grew all varieties, those that gave nothing anywhere among them."""
    count, many = len(answer.trials), len(answer.overall)
    trials = "both trials" if count == 2 else f"all {count} trials"
    never = bare_everywhere(answer)
    planted = {frozenset(map(folded, (*trial.varieties, *trial.barren)))
               for trial in answer.trials}
    if never and len(planted) > 1:
        return (f"In {trials} the same {many} varieties gave something, so that every two of them "
                "are compared directly in every trial.")
    named = wording.counted(many + len(never), "variety", "varieties")
    same = f"{wording.capital(trials)} grew the same {named}"
    if not never:
        return f"{same}, so that every two are compared directly in every trial."
    others = "the other two" if many == 2 else f"every two of the other {many}"
    return (f"{same}. {wording.few(never)} gave nothing; {others} are compared directly in every "
            "trial.")


def left_out(season: OpenSeason) -> Block:
    """Folders that gave nothing or could not be put together with the others, and why."""
    gone = [*season.answer.failed, *season.answer.aside]
    if not gone:
        return Block("", "")
    rows = [(failure.folder, _reason(failure.reason)) for failure in gone[:SHOWN]]
    more = f"; the first {SHOWN} of {len(gone)}" if len(gone) > SHOWN else ""
    return tabled(f"Left out{more}; trialkit check FOLDER tells more", ("Folder", "Why"), rows)


def _reason(text: str) -> str:
    """A reason on one line, cut where it is a long table."""
    line = " ".join(text.split())
    return line if len(line) <= 300 else line[:300].rsplit(" ", 1)[0] + " …"


# ------------------------------------------------------------------------------------------------
# The season's pictures: each garden against the whole, and a variety against the gardens.
# ------------------------------------------------------------------------------------------------

GARDENS = 24
"""More trials than this and the drawing of one variety garden by garden is left out."""
VARIETIES = 16


def gardens_and_whole(season: OpenSeason) -> Block:
    """Every variety: each garden a dot, all together a bar."""
    result = season.answer
    rows = result.overall[~result.overall["check"] & result.overall["estimate"].notna()]
    if rows.empty or len(result.overall) < 2 or len(result.trials) < 2:
        return Block("", "")
    note = "Small dots: each trial by itself. Large dot: all together."
    if result.supported:
        note += " Thick bar: its likely range (95 %)."
    if result.new_supported:
        note += " Thin bar: the range to expect in another garden."
    note += f" Dashed line: {season.to}."
    if len(rows) > VARIETIES:
        note += f" The leading {VARIETIES} varieties are drawn; the others are in the table."
    shown = _told(season, rows.head(VARIETIES))
    picture = plots.gardens_and_whole(shown, result.by_garden, _axis(season), note,
                                      _none(season), result.scale == "log")
    return show(picture, "gardens-and-whole", season.names)


def garden_by_garden(season: OpenSeason) -> Block:
    """The leading variety, garden by garden, each with its own interval."""
    result = season.answer
    rows = result.overall[~result.overall["check"] & result.overall["estimate"].notna()]
    if rows.empty or not 2 <= len(result.trials) <= GARDENS:
        return Block("", "")
    best = str(rows["variety"].iloc[0])
    alone = result.by_garden[result.by_garden["variety"] == best]
    if alone.empty:
        return Block("", "")
    years = alone["year"].nunique() > 1
    if years:
        named = plots.short(list(dict.fromkeys(alone["garden"])), 17)
        alone = alone.assign(garden=alone["garden"].map(named) + " " + alone["year"].astype(str))
    alone = _told(season, alone)
    whole = plots.Estimate.of(_told(season, rows.head(1)))[0]
    note = f"{best}, garden by garden."
    if alone["low"].notna().any():
        note += " Bar: its likely range there (95 %)."
    if alone["low"].isna().any():
        note += " No bar: one row of each variety has no way to rule out luck."
    picture = plots.one_by_one(alone, whole, _axis(season, best), note,
                               _none(season), result.scale == "log")
    return show(picture, "garden-by-garden", season.names)


def against_gardens(season: OpenSeason) -> Block:
    """What each variety gave against what all varieties gave in that garden."""
    result = season.answer
    of_yields = bool(result.trials) and result.trials[0].better is None
    if not of_yields or len(result.trials) < 3 or result.overall["estimate"].notna().sum() < 2:
        return Block("", "")
    ratio = result.scale == "log"
    means = result.means.merge(result.levels[["trial", "level"]], on="trial")
    if ratio:
        means[["level", "y"]] = np.exp(means[["level", "y"]])
    order = {name: at for at, name in enumerate(result.overall["variety"])}
    means = means.sort_values("variety", key=lambda v: v.map(order), kind="stable")
    note = ("Each dot: one trial. Across: what all varieties gave there on average; up: what this "
            "one gave. Dashed: as the average variety. A steeper line gains most in good gardens.")
    picture = plots.against_gardens(means, result.stability, result.unit, note, ratio)
    return show(picture, "against-gardens", season.names)


def _told(season: OpenSeason, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows without the intervals that say nothing."""
    out = rows.copy()
    for low, high in (("low", "high"), ("new_low", "new_high")):
        if low in out:
            wide = [not within(season.answer, a, b)
                    for a, b in zip(out[low], out[high], strict=True)]
            out.loc[wide, [low, high]] = np.nan
    return out


def _axis(season: OpenSeason, variety: str = "") -> str:
    result = season.answer
    to = plots.short([season.to], 20)[season.to]
    if result.scale == "log":
        return f"{result.trials[0].counted}, times {to}"
    if result.trials[0].answers == EARLY:
        return f"days later than {to}"
    return f"{result.unit}, more than {to}"


def _none(season: OpenSeason) -> float:
    return 1.0 if season.answer.scale == "log" else 0.0


# ------------------------------------------------------------------------------------------------
# The folded part of the season's report: the trials, the method, the figures behind the words.
# ------------------------------------------------------------------------------------------------

TRIALS_SHOWN = 60


def method(season: OpenSeason) -> Block:
    """How the trials were put together, and how evenly each variety does."""
    result = season.answer
    note = result.method
    texts = [note.plain, note.full, *(f"{line}." for line in result.notes)]
    pairs = {"Model": note.formula, "terms": ", ".join(note.groups),
             "degrees of freedom": note.df_method}  # fmt: skip
    pairs |= {key: wording.number(value, 3) for key, value in note.figures.items()}
    fine = "; ".join(f"{key} {value}" for key, value in pairs.items() if value)
    blocks = [titled("How the trials were put together", texts, season.names)]
    if fine:
        scale = " (standard deviations of logarithms)" if result.scale == "log" else ""
        blocks.append(paragraphs([f"{fine}{scale}."], season.names, "fine"))
    if len(result.trials) > 2 and result.stability["slope"].notna().any():
        blocks.append(_evenness(season))
    return Block("\n".join(b.html for b in blocks), "\n\n".join(b.plain for b in blocks))


def _evenness(season: OpenSeason) -> Block:
    rows = [_even(row) for row in _Stability.of(season.answer.stability)]
    scale = "logarithms" if season.answer.scale == "log" else season.answer.unit
    heads = ("Variety", "Trials", "Slope on the garden's mean", "Spread about that line",
             "Own spread from garden to garden")
    return tabled(f"How evenly each does ({scale}); a slope of 1 rises as the average variety",
                  heads, rows)


def _even(row: _Stability) -> tuple[str, ...]:
    own = row.variance
    return (
        row.variety, str(row.trials),
        f"{wording.number(row.slope)} ({wording.signed(row.slope_low)} to "
        f"{wording.signed(row.slope_high)})",
        wording.number(row.deviation),
        wording.NONE if wording.missing(own) else wording.number(max(own, 0.0) ** 0.5),
    )


def trials(season: OpenSeason) -> Block:
    """Each trial: what it had, and what is behind it."""
    rows = []
    for trial in season.answer.trials[:TRIALS_SHOWN]:
        plots = str(min(trial.plots)) if min(trial.plots) == max(trial.plots) else \
            f"{min(trial.plots)} to {max(trial.plots)}"
        rows.append((trial.folder, f"{trial.garden}, {trial.year}", str(len(trial.varieties)),
                     plots, wording.degrees(trial.df), str(trial.doubts), trial.fingerprint))
    more = len(season.answer.trials) - TRIALS_SHOWN
    caption = "The trials" + (f"; the first {TRIALS_SHOWN}, {more} more" if more > 0 else "")
    heads = ("Folder", "Garden and year", "Varieties", "Plots of each", "Degrees of freedom",
             "Doubts", "Fingerprint")
    block = tabled(caption, heads, rows)
    notes = [f"{trial.garden}, {trial.year}: {note}."
             for trial in season.answer.trials[:TRIALS_SHOWN] for note in trial.notes]
    if not notes:
        return block
    said = paragraphs(notes, season.names)
    return Block(f"{block.html}\n{said.html}", f"{block.plain}\n{said.plain}")


def versions(season: OpenSeason) -> Block:
    """Fingerprint of the data and versions of the libraries, so that a run can be repeated."""
    pairs = [("Fingerprint of all records", season.answer.fingerprint),
             ("Python", platform.python_version()),
             *((name, version_of(name)) for name in LIBRARIES)]
    html = "<h3>To repeat this run</h3>\n" + part("pairs", pairs=pairs)
    return Block(html, "\n".join(f"{name}: {value}" for name, value in pairs))


__all__ = [
    "CellStop",
    "OpenSeason",
    "RecordsCellStop",
    "against_gardens",
    "answer",
    "cannot_tell",
    "garden_by_garden",
    "gardens_and_whole",
    "heading",
    "left_out",
    "method",
    "next_step",
    "open_season",
    "shared",
    "trials",
    "turned",
    "varieties",
    "versions",
]
