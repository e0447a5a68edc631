"""The season's answer, its table, what links the gardens and where an order turns round."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import trialkit
from trialkit import wording
from trialkit.gardens import words
from trialkit.gardens.interaction import HOLDS, RISES
from trialkit.report.answered import Cell, Row
from trialkit.report.blocks import Block, bullets, isolate, paragraphs, part, tabled
from trialkit.report.season_opened import OpenSeason
from trialkit.wording import few

SHOWN = 40
"""Trials a table lists; more are counted."""
TURNED = 8
"""Gardens named where the order looked reversed."""
UNTOLD = "too little to say within what limits"
BEST_HERE = "Chance of being best on average here"


def heading(season: OpenSeason) -> Block:
    """The title, and under it how many trials, where and when."""
    found = season.answer
    one = len(found.trials) == 1
    crop = wording.capital(found.crop)
    title = f"{crop}: " + ("one garden" if one else "several gardens together")
    if len({f.place for f in found.trials}) == 1 and not one:
        title = f"{crop}: one garden, several trials"
    years = sorted({f.year for f in found.trials})
    when = (wording.listed([str(y) for y in years]) if len(years) < 4
            else f"{years[0]} to {years[-1]}")
    under = " · ".join([wording.capital(words.scope(found)), when])
    notes = []
    if any(f.invented for f in found.trials):
        notes.append("Invented data: made up to show what a report looks like.")
    sources = {f.source for f in found.trials if f.source and not f.invented}
    if len(sources) == 1:
        notes.append(f"Published data: {sources.pop()}.")
    if season.until is not None:
        notes.append(f"As of {wording.day(season.until, year=True)}: what was recorded later is "
                     "left out.")
    html = part("heading", title=title, under=under, notes=notes)
    footer = (f"Made with trialkit {trialkit.__version__} from records with the fingerprint "
              f"{found.fingerprint}.")
    return Block(html, "\n".join([title, under, *notes]), {"title": title, "footer": footer})


def answer(season: OpenSeason) -> Block:
    """The answer in two sentences, and how sure it is."""
    found = season.answer
    html = part("answer", sentence=isolate(found.answer, season.names),
                sure=isolate(found.how_sure, season.names))
    facts = {"answer": found.answer, "sure": found.how_sure, "state": found.state}
    return Block(html, f"{found.answer}\n{found.how_sure}", facts)


def varieties(season: OpenSeason) -> Block:
    """The small table: one line a variety, best first."""
    found = season.answer
    columns = _columns(season)
    lines: list[Row] = []
    for row in found.overall.itertuples(index=False):
        lines.append(Row(str(row.variety), bool(row.check), [show(row) for _, show in columns]))
    heads = [head for head, _ in columns]
    caption = "Best first. In bold the best estimate"
    if found.supported:
        caption += (", below it the range it may well lie in (95 % interval, for all varieties at "
                    "once)")
    if found.new_supported:
        caption += "; for another garden the range alone"
    caption += "." + _alike(season)
    html = part("cards", caption=caption, heads=heads, rows=lines)
    plain = ["  ".join([line.name, *(f"{c.value} {c.range}".strip() for c in line.cells)])
             for line in lines]
    return Block(html, "\n".join(["  ".join(["Variety", *heads]), *plain]))


def _columns(season: OpenSeason) -> list[tuple[str, Callable[[Any], Cell]]]:
    found = season.answer
    gardens = len({one.place for one in found.trials})
    stable = found.stability.set_index("variety")["words"].to_dict()
    against = "the check" if found.check else "the average"
    head = f"{wording.capital(found.trials[0].counted)} against {against}"
    if found.scale == "linear":
        head = f"More or less than {against}, {found.unit}"
    columns: list[tuple[str, Callable[[Any], Cell]]] = [(head, lambda row: _value(season, row))]
    if found.new_supported:
        columns.append(("In another garden", lambda row: _elsewhere(season, row)))
    if found.overall["best"].notna().any():
        columns.append(("Chance of being best there", lambda row: Cell(_chance(row.best))))
    elif found.overall["best_here"].notna().any():
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
    return season.answer.stability["words"].isin([RISES, HOLDS]).any().item()


def _alike(season: OpenSeason) -> str:
    """What holds for every variety, and so needs no column."""
    found = season.answer
    said = ""
    if _everywhere(season) and len(found.trials) > 1:
        gardens = len({one.place for one in found.trials})
        said += f" Each was grown in {'both' if gardens == 2 else 'all'} " * (gardens > 1)
        said += f"{wording.counted(gardens, 'garden')}." * (gardens > 1)
    if not _uneven(season) and found.stability["slope"].notna().any():
        said += " None shows a liking for good or for poor gardens."
    return said


def _value(season: OpenSeason, row: Any) -> Cell:
    ratio = season.answer.scale == "log"
    if row.check:
        return Cell("1, the check" if ratio else "0, the check")
    if wording.missing(row.estimate):
        return Cell(wording.NONE, remark=f"cannot be set against {season.to}: no garden links them")
    told = words.within(season.answer, row.low, row.high)
    remark = UNTOLD if season.answer.supported and not told else ""
    if ratio:
        span = wording.interval(row.low, row.high) if told else ""
        return Cell(f"{wording.number(row.estimate)} times", span, remark)
    return Cell(wording.signed(row.estimate), _between(row.low, row.high), remark)


def _elsewhere(season: OpenSeason, row: Any) -> Cell:
    if not words.within(season.answer, row.new_low, row.new_high):
        return Cell(wording.NONE)
    if season.answer.scale == "log":
        return Cell("", f"{wording.interval(row.new_low, row.new_high)} times")
    return Cell("", _between(row.new_low, row.new_high))


def _between(low: Any, high: Any) -> str:
    return "" if wording.missing(low) else f"{wording.signed(low)} to {wording.signed(high)}"


def _chance(value: Any) -> str:
    return wording.NONE if wording.missing(value) else wording.percent(float(value))


def _grown(row: Any, gardens: int) -> Cell:
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
    found = season.answer
    if len(found.trials) < 2 or found.flips.empty:
        return Block("", "")
    own = found.flips.dropna(subset=["low"])
    told = [f"{row.garden} ({row.year}): {row.variety}" for row in
            own[own["supported"]].itertuples()]
    texts = ["The order truly turns round in " + few(told, TURNED) + "." if told else
             "No garden shows by itself that the order turns round there."]
    if len(own) < len(found.flips):
        texts.append(f"{wording.counted(len(found.flips) - len(own), 'time')} a variety was on the "
                     f"other side of {season.to} in a garden with one row of each; that can be the "
                     "row as well as the garden.")
    block = paragraphs(texts, season.names)
    items = [
        f"{row.variety} in {row.garden}, {row.year}: {_size(season, row)}; {row.words} (chance "
        f"{_chance(row.chance)})." for row in own.head(TURNED).itertuples()
    ]
    if len(own) > TURNED:
        items.append(f"{wording.counted(len(own) - TURNED, 'more case')} like these.")
    more = bullets(items, season.names)
    return Block(f"{block.html}\n{more.html}", f"{block.plain}\n{more.plain}")


def _size(season: OpenSeason, row: Any) -> str:
    if season.answer.scale == "log":
        return (f"{wording.number(row.estimate)} times {season.to} "
                f"({wording.interval(row.low, row.high)})")
    return (f"{wording.signed(row.estimate)} {season.answer.unit} against {season.to} "
            f"({_between(row.low, row.high)})")


def shared(season: OpenSeason) -> Block:
    """Who shares varieties with whom: what links the gardens."""
    found = season.answer
    if len(found.trials) < 2:
        return Block("", "")
    if _everywhere(season):
        many = wording.counted(len(found.overall), "variety", "varieties")
        count = len(found.trials)
        trials = "Both trials" if count == 2 else f"All {count} trials"
        return paragraphs([f"{trials} grew the same {many}, so that every two are compared "
                           "directly in every trial."])
    if len(found.groups) == 1:
        lead = "All trials are linked: every two varieties can be compared, some through others."
    else:
        lead = ("Not all trials are linked. These can be compared only among themselves: "
                + "; ".join(wording.listed(list(group)) for group in found.groups) + ".")
    rows = [(f"{row.garden} {row.year}", str(row.varieties), str(row.shared),
             *(("yes" if row.check else "no",) if found.check else ()))
            for row in found.shared.head(SHOWN).itertuples()]
    more = f"; the first {SHOWN} of {len(found.shared)}" if len(found.shared) > SHOWN else ""
    heads = ("Garden", "Varieties", "Grown elsewhere too", *(("Check",) if found.check else ()))
    table = tabled(f"What links the gardens{more}", heads, rows)
    block = paragraphs([lead], season.names)
    return Block(f"{block.html}\n{table.html}", f"{block.plain}\n{table.plain}")


def left_out(season: OpenSeason) -> Block:
    """Folders that gave nothing or could not be put together with the others, and why."""
    gone = [*season.answer.failed, *season.answer.aside]
    if not gone:
        return Block("", "")
    rows = [(one.folder, _reason(one.reason)) for one in gone[:SHOWN]]
    more = f"; the first {SHOWN} of {len(gone)}" if len(gone) > SHOWN else ""
    return tabled(f"Left out{more}; trialkit check FOLDER tells more", ("Folder", "Why"), rows)


def _reason(text: str) -> str:
    """A reason on one line, cut where it is a long table."""
    line = " ".join(text.split())
    return line if len(line) <= 300 else line[:300].rsplit(" ", 1)[0] + " …"
