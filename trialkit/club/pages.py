"""The index of a club's pages, and the small files beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

import trialkit
from trialkit import wording
from trialkit.club import sharing
from trialkit.club.folder import Placed
from trialkit.club.season import CropSeason, picture
from trialkit.report.blocks import isolate, whole

NEEDED = ("title", "garden", "crop", "planted", "updated", "invented", "answer", "sure", "state",
          "names", "results", "picture", "means", "fingerprint", "front", "leader", "mark",
          "sentence")
NEWEST = 6
"""Answers on the front page with their pictures; every trial has its line below."""
SHARED = ("square", "wide")
"""Shapes of the pictures to share, which are their names, too."""


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
    shown = [trial for trial in placed if trial.facts]
    robots = "User-agent: *\n" + ("Allow: /\n" if look.findable else "Disallow: /\n")
    return {
        "index.html": _index(placed, crops, look).encode(),
        sharing.FEED: sharing.feed_xml(
            feed_id, look.title, [_entry(trial) for trial in shown], look.address
        ),
        sharing.TABLE: sharing.table_csv(_rows(shown)).encode(),
        sharing.METADATA: sharing.metadata_json(look.title).encode(),
        sharing.DICTIONARY: sharing.dictionary_csv().encode(),
        "robots.txt": robots.encode(),  # RFC 9309; read only at the root of a host
    }


def line(one: Placed) -> str:
    """The answer in one line."""
    return str(one.facts.get("sentence") or one.facts["answer"])


def words(one: Placed) -> str:
    """What its pictures show."""
    return one.pictures.get(sharing.WORDS, b"").decode().strip()


def season_title(crop: CropSeason) -> str:
    """What the season's page is called."""
    return f"{wording.capital(crop.crop)}: all gardens together"


def newest(placed: Sequence[Placed]) -> list[Placed]:
    """The trials of the front page, the one recorded last first."""
    shown = [one for one in placed if one.facts]
    return sorted(shown, key=lambda one: (str(one.facts["updated"]), -one.number),
                  reverse=True)[:NEWEST]


def _index(placed: Sequence[Placed], crops: Sequence[CropSeason], look: Look) -> str:
    shown = [entry for entry in placed if entry.facts]
    first = newest(placed)
    gardens = len({entry.garden_number for entry in shown})
    under = f"{wording.counted(len(shown), 'trial')} in {wording.counted(gardens, 'garden')}"
    if first:
        under += f", newest record {wording.day(first[0].facts['updated'], year=True)}"
    html = whole(
        "club",
        title=look.title,
        under=under,
        findable=look.findable,
        invented=[entry for entry in shown if entry.facts["invented"]],
        all_invented=all(entry.facts["invented"] for entry in shown),
        newest=[_trial(entry) for entry in first],
        crops=[_crop(entry, first) for entry in crops],
        behind=[_behind(entry) for entry in placed if entry.reason],
        columns=sharing.COLUMNS,
        files={"table": sharing.TABLE, "dictionary": sharing.DICTIONARY,
               "metadata": sharing.METADATA, "feed": sharing.FEED},
        footer=f"Made with trialkit {trialkit.__version__}.",
    )  # fmt: skip
    if not first:
        return html
    picture = first[0].picture("wide.png") if first[0].pictures else ""
    said = f"{first[0].facts['title']}: {line(first[0])}"
    return sharing.tagged(html, sharing.tags(look.title, said, look.address, "", picture,
                                             words(first[0]), "website"))


def _crop(crop: CropSeason, first: Sequence[Placed]) -> dict[str, Any]:
    """A crop: what its gardens say together, and a line a trial unless all stand above."""
    answer = crop.answer
    season: dict[str, Any] | None = None
    if isinstance(answer, str):
        season = {"answer": answer, "page": "", "picture": ""}
    elif answer is not None:
        season = {"answer": isolate(answer.answer, crop.names),
                  "page": crop.page if crop.html else "", "picture": Markup(picture(crop))}
    if season and crop.without:
        season["without"] = (f"{wording.counted(crop.without, 'trial')} of the {len(crop.placed)} "
                             "left out: no usable averages.")
    above = {trial.number for trial in first}
    lines = [] if {trial.number for trial in crop.placed} <= above else [
        _line(trial) for trial in crop.placed]
    return {"name": wording.capital(crop.crop), "season": season, "lines": lines}


def _line(one: Placed) -> dict[str, Any]:
    facts = one.facts
    leader = str(facts.get("leader") or facts["answer"])
    return {
        "title": facts["title"], "page": one.page, "mark": facts.get("mark", ""),
        "leader": isolate(leader, [str(name) for name in facts["names"]]),
        "day": _under(facts), "reason": one.reason,
    }  # fmt: skip


def _trial(trial: Placed) -> dict[str, Any]:
    facts = trial.facts
    names = [str(name) for name in facts["names"]]
    # Several drawings share the page, and an id may stand on it once.
    drawing = str(facts["picture"]).replace("small-", f"trial-{trial.number}-")
    mark = str(facts.get("mark", ""))
    return {
        "anchor": f"trial-{trial.number}",
        "title": facts["title"],
        "page": trial.page,
        "leader": isolate(str(facts.get("leader", "")), names),
        "mark": mark,
        "shape": mark.lower().replace(" ", "-"),
        "line": isolate(line(trial), names),
        "picture": Markup(drawing),
        "label": wording.capital(str((facts.get("front") or {}).get("label", ""))),
        "share": [(shape, trial.picture(f"{shape}.png")) for shape in SHARED
                  if f"{shape}.png" in trial.pictures],
        "under": _under(facts),
        "reason": trial.reason,
    }


def _under(facts: dict[str, Any]) -> str:
    """The day of the newest record; that of planting where no record has one."""
    day = wording.day(facts["updated"], year=True)
    return f"Planted {day}" if facts["updated"] == facts["planted"] else day


def _behind(trial: Placed) -> dict[str, str]:
    """A trial that is not up to date, or not there at all."""
    old = f" Its report of {wording.day(trial.facts['updated'], year=True)} is kept." \
        if trial.facts else ""
    title = str(trial.facts.get("title", trial.garden))
    return {"title": title, "text": f"{wording.capital(trial.reason)}.{old}"}


def _entry(trial: Placed) -> sharing.Entry:
    facts = trial.facts
    return sharing.Entry(
        trial.id, str(facts["title"]), str(facts["updated"]), trial.page,
        f"{facts['answer']} {facts['sure']}", str(facts["crop"]),
    )  # fmt: skip


def _rows(shown: Sequence[Placed]) -> list[dict[str, Any]]:
    rows = []
    for trial in shown:
        facts = trial.facts
        about = {
            "trial": trial.number, "garden": facts["garden"], "crop": facts["crop"],
            "planted": facts["planted"], "last_record": facts["updated"],
            "invented": facts["invented"], "report": trial.page,
            "fingerprint": facts["fingerprint"],
        }  # fmt: skip
        rows += [{**about, **row} for row in facts["results"]]
    return rows


