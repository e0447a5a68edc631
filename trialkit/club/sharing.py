"""What goes along with the pages of a club: a table of results, a feed, pictures and tags."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple
from xml.etree import ElementTree as ET

import pandas as pd
from markupsafe import Markup

from trialkit.records.files import csv_text

# ------------------------------------------------------------------------------------------------
# What goes along when a page of the club is passed on: its pictures, and its tags for previews.
#
# The tags are those of the Open Graph protocol (ogp.me), which chats and mail programs read; they
# need full addresses, so there are none until it is known where on the web the pages will lie.
# ------------------------------------------------------------------------------------------------

Tag = tuple[str, str]
WORDS = "words.txt"
_TAGS = re.compile(r'<meta property="og:[^>]*>\n')


def drawn(facts: Mapping[str, Any]) -> dict[str, bytes]:
    """The pictures of a report to share, `square.png` and `wide.png`, and the same in words.

    facts : what the report handed on; nothing is drawn where it handed on no first screen.
    """
    from trialkit.report.handout import CARDS, Front, alt_text, card

    plain = facts.get("front")
    if not plain:
        return {}
    rows = None if plain["rows"] is None else pd.DataFrame(plain["rows"])
    front = Front(**{**plain, "rows": rows})
    words = f"{alt_text(front)}\n".encode()
    return {**{f"{kind}.png": card(front, kind) for kind in CARDS}, WORDS: words}


def tags(
    title: str, said: str, address: str, page: str, picture: str = "", words: str = "",
    kind: str = "article",
) -> tuple[Tag, ...]:
    """The tags of a page: none without an address.

    page, picture : places on the pages, relative to the address.  words : what the picture shows.
    """
    if not address:
        return ()
    from trialkit.report.handout import CARDS

    found = [("title", title), ("type", kind), ("url", address + page), ("description", said)]
    if picture:
        across, down = CARDS["wide"]
        found += [("image", address + picture), ("image:type", "image/png"),
                  ("image:width", str(across)), ("image:height", str(down)),
                  ("image:alt", words)]
    return tuple((f"og:{name}", value) for name, value in found)


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
