"""Texts that a spreadsheet would run leave the phone harmless and are read as they were typed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from handset import plant_bed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import trialkit.recording
from trialkit.records import read_records
from trialkit.records.incoming.add import add_files, undo_last

pytestmark = pytest.mark.browser

# From the OWASP page "CSV Injection", with quotes, apostrophes and every kind of blank about them.
TRICKY = "'=+-@\t\r\n \"，,;0１a＝＋－＠\ufeff\x85\x1c\xa0\u3000\u2028"
SCRIPTS = Path(trialkit.recording.__file__).parent / "parts" / "js"


@pytest.fixture(scope="module")
def exported(browser: Any) -> Any:
    """The phone's own code that writes a file: exported(notes) is the text of one pick's file."""
    code = "\n".join(
        re.sub(r"^(import .*\n|export )", "", (SCRIPTS / name).read_text(encoding="utf-8"),
               flags=re.MULTILINE)
        for name in ("check.js", "rows.js")
    )
    page = browser.new_page()
    page.evaluate(f"() => {{ {code} window.csvText = csvText; }}")

    def write(notes: list[str]) -> str:
        rows = [
            {"record_id": f"r{at}", "recorded_at": "", "date": "2024-07-14", "plant": "P001",
             "kind": "note", "value": "", "unit": "", "note": note, "device": note}
            for at, note in enumerate(notes)
        ]  # fmt: skip
        return str(page.evaluate("rows => window.csvText(rows)", rows))

    yield write
    page.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plant_bed(tmp_path_factory.mktemp("bed"), 1, 2)


def round_trip(folder: Path, text: str) -> list[str]:
    """Notes as the records have them, by way of the log, which is then emptied by undo."""
    file = folder / "sent.csv"
    file.write_bytes(text.encode("utf-8"))
    (folder / "log.csv").unlink(missing_ok=True)
    add_files(folder, [file])
    notes = read_records(folder).events["note"].fillna("").tolist()
    undo_last(folder)
    return [str(note) for note in notes]


# The phone trims a note when it is kept, so a note has no blanks about it.
any_text = st.text(st.sampled_from(TRICKY) | st.characters(codec="utf-8"), max_size=12)
near_formulas = st.builds(
    "{}{}{}{}".format, st.text("'", max_size=3), st.text(" \ufeff\x85\x1c\xa0\u3000", max_size=2),
    st.sampled_from("=+-@\t\r＝＋－＠1"), any_text,
)  # fmt: skip
notes = (any_text | near_formulas).map(
    lambda text: text.replace("\0", "").strip().strip("\ufeff").strip()
)


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(notes.filter(bool), min_size=1, max_size=60))
def test_any_note_comes_back_as_it_was_typed(exported: Any, folder: Path, typed: list[str]) -> None:
    assert round_trip(folder, exported(typed)) == typed


def test_what_begins_like_a_formula_or_like_its_guard(exported: Any, folder: Path) -> None:
    typed = [
        "=1+1", "'=1", "''=1", "-1", "'-1", "+3", "@a", "'＝1", "'\ufeff=1", "'\x1c=1", "O'N", "'",
    ]
    assert round_trip(folder, exported(typed)) == typed
