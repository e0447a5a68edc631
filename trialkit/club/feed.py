"""The feed of a club: what changed in its trials, as Atom (RFC 4287)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple
from xml.etree import ElementTree as ET

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
