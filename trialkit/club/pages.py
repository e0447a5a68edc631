"""A club's pages beside the reports: the index, the seasons of its crops, and the small files that
go along with them.

The index comes first; then trials of one crop taken together; then what is shared besides: tags
for previews, a feed, a table of results.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from xml.etree import ElementTree as ET

from markupsafe import Markup

import trialkit
from trialkit import shipped, wording
from trialkit.club.folder import REPORTS, Manifest, Placed
from trialkit.club.trial import KERNEL, WORDS, Facts, program_print
from trialkit.engine import page, run
from trialkit.gardens.stage_one import TrialMeans, common_question
from trialkit.reading.spelling import folded
from trialkit.records.files import csv_text
from trialkit.report.blocks import isolate, whole
from trialkit.report.handout import CARDS, from_json, to_json
from trialkit.report.season import OpenSeason, gardens_and_whole

if TYPE_CHECKING:
    from trialkit.gardens.answer import SeasonAnswer


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
        FEED: feed_xml(
            feed_id, look.title, [_entry(trial) for trial in shown], look.address
        ),
        TABLE: table_csv(_rows(shown)).encode(),
        METADATA: metadata_json(look.title).encode(),
        DICTIONARY: dictionary_csv().encode(),
        "robots.txt": robots.encode(),  # RFC 9309; read only at the root of a host
    }


def line(trial: Placed) -> str:
    """The answer in one line."""
    return str(trial.facts.get("sentence") or trial.facts["answer"])


def words(trial: Placed) -> str:
    """What its pictures show."""
    return trial.pictures.get(WORDS, b"").decode().strip()


def season_title(crop: CropSeason) -> str:
    """What the season's page is called."""
    return f"{wording.capital(crop.crop)}: all gardens together"


def newest(placed: Sequence[Placed]) -> list[Placed]:
    """The trials of the front page, the one recorded last first."""
    shown = [trial for trial in placed if trial.facts]
    return sorted(shown, key=lambda trial: (str(trial.facts["updated"]), -trial.number),
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
        columns=COLUMNS,
        files={"table": TABLE, "dictionary": DICTIONARY,
               "metadata": METADATA, "feed": FEED},
        footer=f"Made with trialkit {trialkit.__version__}.",
    )  # fmt: skip
    if not first:
        return html
    picture = first[0].picture("wide.png") if first[0].pictures else ""
    said = f"{first[0].facts['title']}: {line(first[0])}"
    return tagged(html, tags(look.title, said, look.address, "", picture,
                                             words(first[0]), "website"))


def _crop(crop: CropSeason, first: Sequence[Placed]) -> dict[str, object]:
    """A crop: what its gardens say together, and a line a trial unless all stand above."""
    answer = crop.answer
    season: dict[str, object] | None = None
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


def _line(trial: Placed) -> dict[str, object]:
    facts = trial.facts
    leader = str(facts.get("leader") or facts["answer"])
    return {
        "title": facts["title"], "page": trial.page, "mark": facts.get("mark", ""),
        "leader": isolate(leader, [str(name) for name in facts["names"]]),
        "day": _under(facts), "reason": trial.reason,
    }  # fmt: skip


def _trial(trial: Placed) -> dict[str, object]:
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


def _under(facts: Facts) -> str:
    """The day of the newest record; that of planting where no record has one."""
    day = wording.day(facts["updated"], year=True)
    return f"Planted {day}" if facts["updated"] == facts["planted"] else day


def _behind(trial: Placed) -> dict[str, str]:
    """A trial that is not up to date, or not there at all."""
    old = f" Its report of {wording.day(trial.facts['updated'], year=True)} is kept." \
        if trial.facts else ""
    title = str(trial.facts.get("title", trial.garden))
    return {"title": title, "text": f"{wording.capital(trial.reason)}.{old}"}


def _entry(trial: Placed) -> Entry:
    facts = trial.facts
    return Entry(
        trial.id, str(facts["title"]), str(facts["updated"]), trial.page,
        f"{facts['answer']} {facts['sure']}", str(facts["crop"]),
    )  # fmt: skip


def _rows(shown: Sequence[Placed]) -> list[dict[str, object]]:
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


# ------------------------------------------------------------------------------------------------
# The season's answer on a club's pages: trials of one crop taken together.
# ------------------------------------------------------------------------------------------------

class CropSeason(NamedTuple):
    """A crop, its trials, and what they say together: None with fewer than two, a sentence where
    it could not be worked out.  without : trials that are not in it, since they give no means.
    means : of the trials in it, to what most of them ask.  html : its own page, "" where there is
    none."""

    crop: str
    placed: tuple[Placed, ...]
    answer: SeasonAnswer | str | None
    without: int = 0
    means: tuple[TrialMeans, ...] = ()
    html: str = ""

    @property
    def page(self) -> str:
        """The place of its own page: named after its first trial, which keeps its number."""
        return f"{REPORTS}/season-{min(trial.number for trial in self.placed)}.html"

    @property
    def names(self) -> tuple[str, ...]:
        """Its varieties."""
        known = {str(name) for trial in self.placed for name in trial.facts["names"]}
        return tuple(sorted(known))


def seasons(placed: Sequence[Placed]) -> list[CropSeason]:
    """The trials by crop, crops in the order they are first met."""
    crops: dict[str, list[Placed]] = {}
    for trial in placed:
        crops.setdefault(folded(str(trial.facts["crop"])), []).append(trial)
    return [_together(group) for group in crops.values()]


def _together(group: Sequence[Placed]) -> CropSeason:
    crop = str(group[0].facts["crop"])
    known = [means for trial in group if (means := _means(trial))]
    asked = common_question([means[0].question for means in known])
    used = tuple(part for means in known for part in means if part.answers == asked)
    if len(used) < 2:
        return CropSeason(crop, tuple(group), None)
    try:
        from trialkit.gardens.season import combine

        answer: SeasonAnswer | str = combine(used)
    except Exception:  # a fault here must not take the reports of all trials with it
        answer = "What the gardens say together could not be worked out: a fault in trialkit."
    return CropSeason(crop, tuple(group), answer, len(group) - len(used), used)


def _means(trial: Placed) -> list[TrialMeans]:
    """The trial's means, of its own question first where it has them; none where they were kept
    by another trialkit."""
    try:
        return [replace(from_json(plain), folder=f"trial {trial.number}")
                for plain in trial.facts.get("means") or ()]
    except (TypeError, ValueError, LookupError):
        return []


def with_pages(
    crops: Sequence[CropSeason], old: Manifest
) -> tuple[list[CropSeason], dict[str, str]]:
    """The crops with the pages of their seasons, and each page's key for the next time.

    A season whose trials gave the same means as the last time keeps its page.  One whose page
    cannot be made has its answer on the index all the same.
    """
    whole, keys = [], {}
    for crop in crops:
        if crop.answer is None or isinstance(crop.answer, str):
            whole.append(crop)
            continue
        means = json.dumps([to_json(part) for part in crop.means])
        key = hashlib.sha256(f"{program_print()} {means}".encode()).hexdigest()[:32]
        if old.seasons.get(crop.page) == key and old.as_written(crop.page):
            html = (old.site / crop.page).read_text(encoding="utf-8")
        else:
            html = _made(means)
        if html:
            keys[crop.page] = key
        whole.append(crop._replace(html=html))
    return whole, keys


def _made(means: str) -> str:
    """The season's page, by its own notebook; "" where that stops."""
    with tempfile.TemporaryDirectory(prefix="trialkit-") as name:
        file = Path(name) / "means.json"
        file.write_text(means, encoding="utf-8")
        try:
            return page.render(KERNEL.execute(shipped.notebook("season"), {"means": str(file)}))
        except run.NotebookStopped:
            return ""


def picture(crop: CropSeason) -> str:
    """Every variety in every garden and over all, as SVG in a figure; "" where there is none."""
    if crop.answer is None or isinstance(crop.answer, str):
        return ""
    name = f"season-{min(trial.number for trial in crop.placed)}"
    return gardens_and_whole(OpenSeason(crop.answer, None)).html.replace("gardens-and-whole", name)


# ------------------------------------------------------------------------------------------------
# What goes along when a page of the club is passed on: its tags for previews.
#
# The tags are those of the Open Graph protocol (ogp.me), which chats and mail programs read; they
# need full addresses, so there are none until it is known where on the web the pages will lie.
# ------------------------------------------------------------------------------------------------

Tag = tuple[str, str]
_TAGS = re.compile(r'<meta property="og:[^>]*>\n')


def tags(
    title: str, said: str, address: str, page: str, picture: str = "", words: str = "",
    kind: str = "article",
) -> tuple[Tag, ...]:
    """The tags of a page: none without an address.

    page, picture : places on the pages, relative to the address.  words : what the picture shows.
    """
    if not address:
        return ()
    values = [("title", title), ("type", kind), ("url", address + page), ("description", said)]
    if picture:
        across, down = CARDS["wide"]
        values += [("image", address + picture), ("image:type", "image/png"),
                  ("image:width", str(across)), ("image:height", str(down)),
                  ("image:alt", words)]
    return tuple((f"og:{name}", value) for name, value in values)


def tagged(html: str, wanted: Iterable[Tag]) -> str:
    """The page with these tags, before its title, in place of any it had."""
    bare = _TAGS.sub("", html)
    lines = Markup("").join(
        Markup('<meta property="{}" content="{}">\n').format(name, " ".join(value.split()))
        for name, value in wanted)
    return bare.replace("<title>", f"{lines}<title>", 1) if lines else bare


# ------------------------------------------------------------------------------------------------
# The feed of a club: what changed in its trials, as Atom (RFC 4287).
# ------------------------------------------------------------------------------------------------

FEED = "feed.xml"
ATOM = "http://www.w3.org/2005/Atom"
# What XML 1.0 cannot hold even as a reference (fifth edition, production [2] Char).
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class Entry(NamedTuple):
    """A trial in the feed.  id: a URN that never changes (RFC 4287, section 4.2.6).  updated: the
    day of its newest record, year first.  page: its report, relative to the feed."""

    id: str
    title: str
    updated: str
    page: str
    summary: str
    crop: str


def feed_xml(id_: str, title: str, entries: Sequence[Entry], address: str = "") -> bytes:
    """The feed, newest first; the same entries give the same bytes.

    address : where the site will lie on the web; links are relative to it (RFC 4287, section 2:
    xml:base), and to the feed itself where it is "".
    """
    ET.register_namespace("", ATOM)
    feed = ET.Element(f"{{{ATOM}}}feed", {"{http://www.w3.org/XML/1998/namespace}lang": "en"})
    if address:
        feed.set("{http://www.w3.org/XML/1998/namespace}base", address)
    _add(feed, "id", id_)
    _add(feed, "title", title)
    _add(feed, "updated", _instant(max((e.updated for e in entries), default="1970-01-01")))
    # Every feed names an author unless all its entries do (section 4.1.1); no gardener is named.
    _add(_add(feed, "author"), "name", title)
    _add(feed, "link", rel="self", href=FEED, type="application/atom+xml")
    _add(feed, "link", rel="alternate", href="index.html", type="text/html")
    for item in sorted(entries, key=lambda e: (e.updated, e.id), reverse=True):
        entry = _add(feed, "entry")
        _add(entry, "id", item.id)
        _add(entry, "title", item.title)
        _add(entry, "updated", _instant(item.updated))
        _add(entry, "link", rel="alternate", href=item.page, type="text/html")
        if item.crop:
            _add(entry, "category", term=item.crop)
        _add(entry, "summary", item.summary)
    ET.indent(feed)
    return bytes(ET.tostring(feed, encoding="utf-8", xml_declaration=True)) + b"\n"


def _add(parent: ET.Element, name: str, text: str = "", **attributes: str) -> ET.Element:
    tidy = {key: _NOT_XML.sub("\ufffd", value) for key, value in attributes.items()}
    child = ET.SubElement(parent, f"{{{ATOM}}}{name}", tidy)
    if text:
        child.text = _NOT_XML.sub("\ufffd", text)
    return child


def _instant(day: str) -> str:
    """A day as RFC 3339 wants it (RFC 4287, section 3.3)."""
    return f"{day}T00:00:00Z"


# ------------------------------------------------------------------------------------------------
# The results of a club as one plain table: CSV, and what its columns mean for people and programs.
#
# CSV after RFC 4180; the description for programs after the W3C's Metadata Vocabulary for Tabular
# Data (Recommendation, 17 December 2015), under the name that a reader looks for beside the table
# ("{+url}-metadata.json", Model for Tabular Data and Metadata on the Web, section 5.3).
# ------------------------------------------------------------------------------------------------

TABLE = "results.csv"
METADATA = f"{TABLE}-metadata.json"
DICTIONARY = "results-columns.csv"


class Column(NamedTuple):
    """A column: its name, what it holds (CSVW datatype), its unit and what it means."""

    name: str
    datatype: str
    unit: str
    meaning: str


_OWN = "the row's own unit"
_TIMES = "times, or the row's own unit"
COLUMNS = (
    Column("trial", "integer", "", "The trial's number on these pages."),
    Column("garden", "string", "", "What the garden is called on these pages."),
    Column("crop", "string", "", "The crop."),
    Column("planted", "date", "", "The day the plants went out."),
    Column("last_record", "date", "", "The day of the newest record behind the row."),
    Column("invented", "boolean", "", "Whether the records are made up, to show what it is like."),
    Column("variety", "string", "", "The variety."),
    Column("check", "boolean", "", "Whether it is the check, which the others are set against."),
    Column("trait", "string", "", "What the estimate is of."),
    Column("unit", "string", "", "The unit of estimate, low and high."),
    Column("estimate", "number", _OWN, "Best estimate. Empty where there is none."),
    Column("low", "number", _OWN, "Lower end of its 95 % interval. Empty without one."),
    Column("high", "number", _OWN, "Upper end of its 95 % interval. Empty without one."),
    Column("against", "string", "", "What against_check is: ratio (times the check), "
           "difference (more than the check, in the row's own unit) or odds (a ratio of odds)."),
    Column("against_check", "number", _TIMES, "The estimate against the check's. "
           "Empty without a check."),
    Column("against_low", "number", _TIMES, "Lower end of its interval, which holds however often "
           "the trial was looked at. Empty where the layout supports none."),
    Column("against_high", "number", _TIMES, "Upper end of that interval."),
    Column("finding", "string", "", "Where that comparison stands: settled, keep picking, or will "
           "not be settled this season. Empty for the check and without a comparison."),
    Column("out_of_reach", "date", "", "The day the variety passes the picker's reach. Empty where "
           "it had not by the last measurement."),
    Column("out_earliest", "date", "", "Earliest end of that day's 95 % interval."),
    Column("out_latest", "date", "", "Latest end of that interval; empty without limit."),
    Column("plants", "integer", "plants", "Plants of the variety planted."),
    Column("lost", "integer", "plants", "Plants of it lost."),
    Column("compared", "boolean", "", "Whether the layout supports comparing varieties at all. "
           "Where false, no difference in this trial can be told from chance."),
    Column("report", "string", "", "The trial's report, relative to this table."),
    Column("fingerprint", "string", "", "Stands for the records the row was made from."),
)  # fmt: skip
NEVER_EMPTY = frozenset({"trial", "garden", "crop", "planted", "variety", "check", "plants"})


def table_csv(rows: Iterable[Mapping[str, object]]) -> str:
    """The table.  Text that a spreadsheet would run as a formula gets an apostrophe before it."""
    names = [column.name for column in COLUMNS]
    return csv_text(names, ([_cell(row.get(name)) for name in names] for row in rows))


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"  # XML Schema 1.1, part 2, section 3.3.2
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else value


def dictionary_csv() -> str:
    """The columns for people: name, type, unit, meaning."""
    rows = [(c.name, c.datatype, c.unit, c.meaning) for c in COLUMNS]
    return csv_text(("column", "type", "unit", "meaning"), rows)


def metadata_json(title: str) -> str:
    """The columns for programs, as CSV on the Web describes a table."""
    columns = [
        {
            "name": c.name,
            "titles": c.name,
            "datatype": c.datatype,
            "dc:description": c.meaning + (f" Unit: {c.unit}." if c.unit else ""),
            "required": c.name in NEVER_EMPTY,
        }
        for c in COLUMNS
    ]
    whole = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": TABLE,
        "dc:title": title,
        "dc:description": "Text that a spreadsheet would take for a formula has an apostrophe "
        f"before it. The columns for people: {DICTIONARY}.",
        "dialect": {"lineTerminators": ["\n"]},
        "tableSchema": {"columns": columns, "primaryKey": ["trial", "variety"]},
    }
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"
