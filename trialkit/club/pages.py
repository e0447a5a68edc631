"""The index of a club's pages, and the small files beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

import trialkit
from trialkit import wording
from trialkit.club import feed, table
from trialkit.club.folder import Placed
from trialkit.club.season import CropSeason
from trialkit.report.blocks import isolate, whole

if TYPE_CHECKING:
    from trialkit.gardens.answer import SeasonAnswer

NEEDED = ("title", "garden", "crop", "planted", "updated", "invented", "answer", "sure", "state",
          "names", "results", "picture", "first", "fingerprint")  # fmt: skip


@dataclass(frozen=True)
class Look:
    """title : of the index and the feed.  findable : search engines may list the pages.
    address : where on the web they will lie, "" where it does not matter."""

    title: str = "Side-by-side variety trials"
    findable: bool = False
    address: str = ""


def pages(
    feed_id: str, placed: Sequence[Placed], crops: Sequence[CropSeason], look: Look
) -> dict[str, bytes]:
    """File name -> content of everything but the reports."""
    shown = [one for one in placed if one.facts]
    robots = "User-agent: *\n" + ("Allow: /\n" if look.findable else "Disallow: /\n")
    return {
        "index.html": _index(placed, crops, look).encode(),
        feed.FEED: feed.feed_xml(
            feed_id, look.title, [_entry(one) for one in shown], look.address
        ),
        table.TABLE: table.table_csv(_rows(shown)).encode(),
        table.METADATA: table.metadata_json(look.title).encode(),
        table.DICTIONARY: table.dictionary_csv().encode(),
        "robots.txt": robots.encode(),  # RFC 9309; read only at the root of a host
    }


def _index(placed: Sequence[Placed], crops: Sequence[CropSeason], look: Look) -> str:
    shown = [one for one in placed if one.facts]
    newest = max((str(one.facts["updated"]) for one in shown), default="")
    gardens = len({one.garden_number for one in shown})
    under = f"{wording.counted(len(shown), 'trial')} in {wording.counted(gardens, 'garden')}"
    if newest:
        under += f", newest record {wording.day(newest, year=True)}"
    return whole(
        "club",
        title=look.title,
        under=under,
        findable=look.findable,
        invented=[one for one in shown if one.facts["invented"]],
        all_invented=all(one.facts["invented"] for one in shown),
        crops=[_crop(one) for one in crops],
        behind=[_behind(one) for one in placed if one.reason],
        columns=table.COLUMNS,
        files={"table": table.TABLE, "dictionary": table.DICTIONARY,
               "metadata": table.METADATA, "feed": feed.FEED},
        footer=f"Made with trialkit {trialkit.__version__}.",
    )  # fmt: skip


def _crop(one: CropSeason) -> dict[str, Any]:
    answer = one.answer
    season: dict[str, Any] | None = None
    if isinstance(answer, str):
        season = {"answer": answer, "sure": "", "head": "", "rows": []}
    elif answer is not None:
        names = [str(name) for name in answer.overall["variety"]]
        season = {
            "answer": isolate(answer.answer, names),
            "sure": isolate(answer.how_sure, names),
            "head": _season_head(answer),
            "rows": [_season_row(row) for row in answer.overall.itertuples(index=False)],
        }
    if season and one.without:
        season["without"] = (f"{wording.counted(one.without, 'trial')} of the {len(one.placed)} "
                             "not in it, for want of means to put in.")  # fmt: skip
    return {
        "name": wording.capital(one.crop),
        "season": season,
        "trials": [_trial(placed) for placed in one.placed],
    }


def _season_head(answer: SeasonAnswer) -> str:
    """What the season's estimates are of: ratios or differences, and to what."""
    other = "the average variety" if answer.check is None else "the check"
    return f"Times {other}" if answer.scale == "log" else wording.capital(
        f"{answer.unit} more than {other}")


def _season_row(row: Any) -> dict[str, Any]:
    return {
        "variety": row.variety, "check": bool(row.check), "gardens": int(row.gardens),
        "value": wording.number(row.estimate), "range": wording.interval(row.low, row.high),
        "new": wording.interval(row.new_low, row.new_high),
    }  # fmt: skip


def _trial(one: Placed) -> dict[str, Any]:
    facts = one.facts
    names = [str(name) for name in facts["names"]]
    # Several drawings share the page, and an id may stand on it once.
    drawing = str(facts["picture"]).replace("small-", f"trial-{one.number}-")
    return {
        "anchor": f"trial-{one.number}",
        "title": facts["title"],
        "page": one.page,
        "answer": isolate(str(facts["answer"]), names),
        "sure": isolate(str(facts["sure"]), names),
        "picture": Markup(drawing),
        "under": _under(facts),
        "reason": one.reason,
    }


def _under(facts: dict[str, Any]) -> str:
    """When planted, and how far recorded where the records have days at all."""
    planted = f"Planted {wording.day(facts['planted'], year=True)}"
    if facts["updated"] == facts["planted"]:
        return planted
    return f"{planted}, newest record {wording.day(facts['updated'], year=True)}"


def _behind(one: Placed) -> dict[str, str]:
    """A trial that is not up to date, or not there at all."""
    old = f" Its report of {wording.day(one.facts['updated'], year=True)} is kept." \
        if one.facts else ""
    title = str(one.facts.get("title", one.garden))
    return {"title": title, "text": f"{wording.capital(one.reason)}.{old}"}


def _entry(one: Placed) -> feed.Entry:
    facts = one.facts
    return feed.Entry(
        one.id, str(facts["title"]), str(facts["updated"]), one.page,
        f"{facts['answer']} {facts['sure']}", str(facts["crop"]),
    )  # fmt: skip


def _rows(shown: Sequence[Placed]) -> list[dict[str, Any]]:
    rows = []
    for one in shown:
        facts = one.facts
        about = {
            "trial": one.number, "garden": facts["garden"], "crop": facts["crop"],
            "planted": facts["planted"], "last_record": facts["updated"],
            "invented": facts["invented"], "report": one.page,
            "fingerprint": facts["fingerprint"],
        }  # fmt: skip
        rows += [{**about, **row} for row in facts["results"]]
    return rows


