"""The feed against RFC 4287, the table against its own description."""

from __future__ import annotations

import csv
import io
import json
import re
from xml.etree import ElementTree as ET

import pytest

from trialkit.club.pages import COLUMNS, Entry, dictionary_csv, feed_xml, metadata_json, table_csv

A = "{http://www.w3.org/2005/Atom}"
# RFC 3339, section 5.6, as RFC 4287, section 3.3 asks for: capital T and Z.
DATE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
URN = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")  # RFC 9562, section 4
HOSTILE = "<script>alert(1)</script> & \"q\" \x00\x0b \ud800 ]]>"


def _entry(n: int, day: str = "2026-07-01", **more: str) -> Entry:
    told = {"title": f"Garden {n}: bean", "summary": "Two sentences. Said.", "crop": "bean"} | more
    return Entry(f"urn:uuid:00000000-0000-5000-8000-{n:012d}", told["title"], day,
                 f"reports/trial-{n}.html", told["summary"], told["crop"])  # fmt: skip


def _feed(*entries: Entry, address: str = "") -> ET.Element:
    made = feed_xml("urn:uuid:00000000-0000-5000-8000-00000000ffff", "A club", entries, address)
    return ET.fromstring(made)


def _wrong(feed: ET.Element) -> list[str]:
    """What of RFC 4287 a feed does not keep to."""
    wrong = [] if feed.tag == f"{A}feed" else ["2: the document is no atom:feed"]
    entries = feed.findall(f"{A}entry")
    for one, where in [(feed, "4.1.1"), *((entry, "4.1.2") for entry in entries)]:
        for name in ("id", "title", "updated"):
            if len(one.findall(f"{A}{name}")) != 1:
                wrong.append(f"{where}: exactly one atom:{name}")
        if not URN.fullmatch(one.findtext(f"{A}id", "")):
            wrong.append("4.2.6: atom:id must be an IRI, absolute")
        if not DATE.fullmatch(one.findtext(f"{A}updated", "")):
            wrong.append("3.3: a date after RFC 3339")
        alternates = [
            (link.get("type"), link.get("hreflang"))
            for link in one.findall(f"{A}link") if link.get("rel", "alternate") == "alternate"
        ]
        if len(alternates) != len(set(alternates)):
            wrong.append(f"{where}: no two alternate links of one type and language")
        if any(not link.get("href") for link in one.findall(f"{A}link")):
            wrong.append("4.2.7.1: a link must have href")
        if any(not c.get("term") for c in one.findall(f"{A}category")):
            wrong.append("4.2.2.1: a category must have term")
        if one is not feed and not alternates and one.find(f"{A}content") is None:
            wrong.append("4.1.2: an entry without content needs an alternate link")
    authors = feed.findall(f"{A}author")
    if not authors and any(e.find(f"{A}author") is None for e in entries):
        wrong.append("4.1.1: the feed must have an author unless all entries do")
    if any(len(a.findall(f"{A}name")) != 1 for a in authors):
        wrong.append("3.2.1: a person must have exactly one name")
    if not any(link.get("rel") == "self" for link in feed.findall(f"{A}link")):
        wrong.append("4.1.1: a feed should have a link to itself")
    ids = [one.findtext(f"{A}id") for one in entries]
    if len(ids) != len(set(ids)):
        wrong.append("4.1.1: entries of one id need different dates; here no id comes twice")
    named = {f"{A}{n}" for n in ("id", "title", "updated", "author", "link", "entry", "category",
                                 "summary")}  # fmt: skip
    wrong += [f"not an element of RFC 4287 used here: {e.tag}" for e in feed.iter()
              if e.tag not in named | {f"{A}feed", f"{A}name"}]  # fmt: skip
    return wrong


@pytest.mark.parametrize("entries", [(), (_entry(1),), (_entry(1), _entry(2, "2026-08-02"))])
def test_the_feed_keeps_to_rfc_4287(entries):
    assert _wrong(_feed(*entries)) == []


@pytest.mark.parametrize(
    ("spoil", "section"),
    [(lambda f: f.remove(f.find(f"{A}updated")), "4.1.1"),
     (lambda f: f.remove(f.find(f"{A}author")), "4.1.1"),
     (lambda f: f.find(f"{A}entry").remove(f.find(f"{A}entry/{A}link")), "4.1.2"),
     (lambda f: setattr(f.find(f"{A}id"), "text", "club"), "4.2.6"),
     (lambda f: setattr(f.find(f"{A}updated"), "text", "1 July 2026"), "3.3")],
)  # fmt: skip
def test_the_rules_find_a_feed_that_breaks_them(spoil, section):
    feed = _feed(_entry(1))
    spoil(feed)
    assert any(wrong.startswith(section) for wrong in _wrong(feed))


def test_the_newest_comes_first_and_dates_the_feed():
    feed = _feed(_entry(1), _entry(2, "2026-08-02"))
    assert [e.findtext(f"{A}id")[-1] for e in feed.findall(f"{A}entry")] == ["2", "1"]
    assert feed.findtext(f"{A}updated") == "2026-08-02T00:00:00Z"


def test_the_same_entries_give_the_same_bytes_in_any_order():
    one = feed_xml("urn:uuid:0", "A club", [_entry(1), _entry(2)])
    assert one == feed_xml("urn:uuid:0", "A club", [_entry(2), _entry(1)])


def test_links_are_relative_unless_the_address_is_known():
    links = [link.get("href") for link in _feed(_entry(1)).iter(f"{A}link")]
    assert links == ["feed.xml", "index.html", "reports/trial-1.html"]
    base = _feed(_entry(1), address="https://example.org/club/")
    assert base.get("{http://www.w3.org/XML/1998/namespace}base") == "https://example.org/club/"


def test_hostile_words_are_text_in_the_feed():
    feed = _feed(_entry(1, title=HOSTILE, summary=HOSTILE, crop=HOSTILE))
    assert _wrong(feed) == []
    said = feed.findtext(f"{A}entry/{A}summary")
    assert said.startswith("<script>alert(1)</script> & \"q\"")
    assert "\x00" not in said


ROW = {
    "trial": 3, "garden": "Garden 1", "crop": "bean", "planted": "2026-05-10",
    "last_record": "2026-07-01", "invented": False, "variety": "=1+1", "check": True,
    "trait": "pods", "unit": "pods a plant a week", "estimate": 1.25, "low": None, "high": None,
    "against": "ratio", "against_check": 1.0, "against_low": -0.5, "against_high": None,
    "finding": "", "out_of_reach": None, "out_earliest": None, "out_latest": None, "plants": 6,
    "lost": 0, "compared": False, "report": "reports/trial-3.html", "fingerprint": "0" * 16,
}  # fmt: skip


def test_every_cell_is_of_the_type_its_column_says():
    """Datatypes of CSVW (W3C, Metadata Vocabulary for Tabular Data, section 5.11)."""
    fits = {"integer": r"-?\d+", "number": r"-?\d+(\.\d+)?(e[+-]?\d+)?", "boolean": "true|false",
            "date": r"\d{4}-\d\d-\d\d", "string": ".*"}  # fmt: skip
    described = json.loads(metadata_json("A club"))["tableSchema"]["columns"]
    rows = list(csv.reader(io.StringIO(table_csv([ROW]))))
    assert rows[0] == [c["titles"] for c in described]
    assert set(ROW) == set(rows[0])
    for cell, column in zip(rows[1], described, strict=True):
        assert cell or not column["required"], column["name"]
        assert cell == "" or re.fullmatch(fits[column["datatype"]], cell), column["name"]


def test_a_formula_gets_an_apostrophe_and_a_negative_number_does_not():
    row = dict(zip(*csv.reader(io.StringIO(table_csv([ROW]))), strict=True))
    assert row["variety"] == "'=1+1"
    assert row["against_low"] == "-0.5"


def test_the_description_is_what_csv_on_the_web_asks_for():
    """W3C, Metadata Vocabulary for Tabular Data (17 December 2015), sections 5.2 to 5.6."""
    found = json.loads(metadata_json("A club"))
    assert found["@context"][0] == "http://www.w3.org/ns/csvw"
    assert found["url"] == "results.csv"
    columns = found["tableSchema"]["columns"]
    names = [c["name"] for c in columns]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) for name in names)
    allowed = {"name", "titles", "datatype", "required"}
    assert all(set(c) - {"dc:description"} == allowed for c in columns)
    assert set(found["tableSchema"]["primaryKey"]) <= {c["name"] for c in columns if c["required"]}


def test_the_dictionary_names_every_column_its_unit_and_meaning():
    rows = list(csv.DictReader(io.StringIO(dictionary_csv())))
    assert [r["column"] for r in rows] == [c.name for c in COLUMNS]
    assert all(r["type"] and len(r["meaning"]) > 8 for r in rows)
    assert all(r["unit"] for r in rows if r["type"] == "number")
