"""What goes along when a page of the club is passed on: its pictures, and its tags for previews.

The tags are those of the Open Graph protocol (ogp.me), which chats and mail programs read; they
need full addresses, so there are none until it is known where on the web the pages will lie.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

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
