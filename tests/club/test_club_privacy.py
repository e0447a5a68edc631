"""Nothing that names people or places goes out with a club's pages unless asked."""

from __future__ import annotations

import base64
import html
import json
import re
import struct
import urllib.parse
import zlib
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest
from clubtrials import ALWAYS, SECRETS, VARIETIES

from trialkit import plots
from trialkit.models import analyse
from trialkit.plots.style import bitmap
from trialkit.records import Records, read_records
from trialkit.records.files import plain_cell
from trialkit.report.opentrial import Showing, public_records


def _files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes()
            for p in sorted(folder.rglob("*")) if p.is_file()}  # fmt: skip


def _png_texts(data: bytes) -> list[bytes]:
    """The chunks of a PNG that may hold words (PNG, third edition, section 11.3.3), unpacked."""
    found, at = [], 8
    while at < len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + size]
        if kind in (b"tEXt", b"iTXt", b"zTXt", b"eXIf"):
            found.append(body)
            for gap in re.finditer(b"\0", body):
                try:
                    found.append(zlib.decompress(body[gap.end() :]))
                except zlib.error:
                    continue
        at += 12 + size
    return found


def _said(content: bytes) -> bytes:
    """All a file says, however it is wrapped: as it is, unescaped, and inside what it carries."""
    if content.startswith(b"\x89PNG"):
        return b" ".join(_png_texts(content))
    text = content.decode("utf-8", errors="replace")
    layers = [text, html.unescape(text), urllib.parse.unquote(text)]
    layers += re.findall(r"\\u[0-9a-f]{4}", text) and [json.dumps(json.loads(text),
                                                                  ensure_ascii=False)]  # fmt: skip
    out = [layer.encode("utf-8", errors="replace") for layer in layers]
    for coded in re.findall(r"[A-Za-z0-9+/]{40,}={0,2}", text):
        try:
            inside = base64.b64decode(coded + "=" * (-len(coded) % 4))
        except ValueError:
            continue
        out.append(inside)
        if inside.startswith(b"\x89PNG"):
            out += _png_texts(inside)
    return b"\n".join(out).lower()


def test_the_search_for_secrets_finds_them_however_they_are_wrapped(tmp_path):
    """A search that cannot find would prove nothing."""
    text = b"the Secret of this picture"
    chunk = struct.pack(">I4s", len(text) + 8, b"tEXt") + b"Comment\0" + text + b"\0\0\0\0"
    picture = base64.b64encode(b"\x89PNG\r\n\x1a\n" + chunk).decode()
    for wrapped in ("a Secret", "&#83;ecret", "%53ecret", f"data:image/png;base64,{picture}",
                    json.dumps({"a": "\u0116 Secret"})):  # fmt: skip
        assert b"secret" in _said(wrapped.encode()), wrapped
    packed = b"Comment\0" + zlib.compress(b"Secret" * 9)
    chunk = struct.pack(">I4s", len(packed), b"iTXt") + packed + b"\0\0\0\0"
    assert any(b"SecretSecret" in text for text in _png_texts(b"\x89PNG\r\n\x1a\n" + chunk))


@pytest.mark.parametrize("what", [*SECRETS])
def test_no_byte_of_any_file_holds_a_secret(what, club_sites, secret):
    wanted = SECRETS[what].lower().encode()
    files = _files(club_sites["plain"])
    assert len(files) == 11
    for name, content in files.items():
        assert SECRETS[what].lower() not in name.lower()
        assert wanted not in _said(content), name
        assert str(secret.parent).lower().encode() not in _said(content), name


def test_what_is_compared_is_always_shown(club_sites):
    files = _files(club_sites["plain"])
    for name in ("index.html", "results.csv", "feed.xml", "reports/trial-1.html"):
        said = _said(files[name])
        assert ALWAYS.lower().encode() in said, name
        named = [one for one in VARIETIES if one.lower().encode() in said]
        # The feed's one line names the leading two; a table writes quotes twice.
        assert len(named) >= 2, name


@pytest.mark.parametrize(
    ("what", "file"),
    [("title", "index.html"), ("title", "feed.xml"), ("garden", "results.csv"),
     ("garden", "reports/trial-1.html"), ("notes", "reports/trial-1.html"),
     ("source", "reports/trial-1.html"), ("sun", "reports/trial-1.html"),
     ("shade", "reports/trial-1.html"), ("plant", "reports/trial-1.html"),
     ("plot", "reports/trial-1.html")],
)  # fmt: skip
def test_what_is_asked_for_is_shown(what, file, club_sites):
    assert SECRETS[what].lower().encode() in _said(_files(club_sites["open"])[file])


@pytest.mark.parametrize("what", ["folder", "sender", "author"])
def test_paths_senders_and_authors_of_sheets_are_never_shown(what, club_sites):
    files = _files(club_sites["open"])
    assert files
    for name, content in files.items():
        assert SECRETS[what].lower().encode() not in _said(content), name


def test_each_option_opens_its_own_part_only(secret):
    records = read_records(secret)

    def said(showing: Showing) -> str:
        public = public_records(records, showing, "Garden 1: bean", "Garden 1")
        frames = [getattr(public, f.name) for f in fields(public) if f.name != "folder"]
        return " ".join(f.to_csv() if isinstance(f, pd.DataFrame) else repr(f) for f in frames)

    opened = {
        "": set(),
        "names": {"title", "plant", "plot", "block"},
        "places": {"garden", "sun", "shade"},
        "notes": {"source", "notes", "design", "variety note", "reason", "event", "event note"},
    }
    for option, expected in opened.items():
        text = said(Showing.of(option)).lower()
        assert {what for what, word in SECRETS.items() if word.lower() in text} == expected


def test_every_field_of_the_records_has_been_thought_of():
    """A field added to the records must be ruled on in clubprivacy before this list grows."""
    assert {f.name for f in fields(Records)} == {
        "folder", "trial", "plants", "picks", "heights", "weather", "events", "harvest", "traits",
        "doubts", "fingerprint", "files", "until", "queried",
    }  # fmt: skip


def test_taking_names_out_changes_no_result(secret):
    records = read_records(secret)
    public = public_records(records, Showing(), "Garden 1: bean", "Garden 1")
    one, other = analyse(records), analyse(public)
    for trait, found in one.traits.items():
        again = other.traits[trait]
        assert bool(found) == bool(again)
        if found and hasattr(found, "means"):
            pd.testing.assert_frame_equal(found.means, again.means, rtol=1e-6)
            pd.testing.assert_frame_equal(found.against_check, again.against_check, rtol=1e-6)
    assert one.audit.layout == other.audit.layout


def test_names_that_look_like_formulas_or_paths_stay_names(club_sites):
    table = pd.read_csv(club_sites["plain"] / "results.csv")
    assert [plain_cell(v) for v in sorted(table["variety"], key=len)] == sorted(VARIETIES, key=len)
    assert not table["variety"].str.startswith("=").any()
    names = {str(p.relative_to(club_sites["plain"])) for p in club_sites["plain"].rglob("*")}
    assert names == {
        "index.html", "feed.xml", "results.csv", "results.csv-metadata.json", "reports",
        "results-columns.csv", "robots.txt", "club.json", "reports/trial-1.html", "pictures",
            "pictures/trial-1-square.png", "pictures/trial-1-wide.png",
            "pictures/trial-1-words.txt",
    }  # fmt: skip


def test_a_bitmap_says_nothing_but_what_drew_it():
    table = pd.DataFrame({"variety": ["A", "B"], "estimate": [1.0, 2.0], "low": [0.5, 1.0],
                          "high": [2.0, 3.0]})  # fmt: skip
    drawn = bitmap(plots.compared(table, "pods", "Dot: best estimate.", 1.0))
    data = base64.b64decode(re.search(r"base64,([^\"]+)", drawn)[1])
    assert [text.split(b"\0")[0] for text in _png_texts(data)] == [b"Software"]


def test_an_option_that_is_none_is_refused():
    with pytest.raises(ValueError, match="'faces' is not one of: names, places, notes"):
        Showing.of("names faces")
