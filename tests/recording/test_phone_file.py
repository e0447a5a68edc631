"""The file itself: one file, its policy, its data, its order, whatever the names are."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import partial
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import smalltrial
from handset import MADE, VARIETIES, bed, plant_bed, walk
from killed import killed_before_move

from trialkit.recording.offline import page_facts, phone_page, write_phone_page
from trialkit.records import RecordsError, files


class Parts(HTMLParser):
    """Elements with their attributes, and the text inside script and style elements."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[tuple[str, dict[str, str | None], str]] = []
        self._open: tuple[str, dict[str, str | None]] | None = None
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open = (tag, dict(attrs)) if tag in ("script", "style") else None

    def handle_endtag(self, tag: str) -> None:
        self._open = None

    def handle_data(self, data: str) -> None:
        if self._open:
            self.inside.append((*self._open, data))

    def texts(self, tag: str, kind: str | None = None) -> list[str]:
        return [
            text for name, attrs, text in self.inside if name == tag and attrs.get("type") == kind
        ]


def policy_of(parts: Parts) -> dict[str, str]:
    content = next(
        attrs["content"]
        for tag, attrs in parts.elements
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    )
    assert content is not None
    return dict(one.split(" ", 1) for one in content.split("; "))


def test_the_policy_allows_this_script_and_this_style_and_nothing_else() -> None:
    parts = Parts(phone_page(bed(), MADE))
    policy = policy_of(parts)
    assert policy["default-src"] == "'none'"
    assert policy["img-src"] == "data:"
    assert set(policy) == {
        "default-src", "script-src", "style-src", "img-src", "base-uri", "form-action"
    }  # fmt: skip
    for tag in ("script", "style"):
        (text,) = parts.texts(tag)
        digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()
        assert policy[f"{tag}-src"] == f"'sha256-{digest}'"


def test_nothing_in_the_file_points_outside_it() -> None:
    html = phone_page(bed(), MADE)
    for tag, attrs in Parts(html).elements:
        for name in ("src", "href", "action", "srcset", "poster"):
            assert attrs.get(name) in (None, "data:,"), (tag, attrs)
    assert not re.search(r"https?:|//[a-z0-9-]+\.[a-z]{2,}|@import|url\(", html)
    assert len(html.encode()) < 150_000


def test_a_blind_page_holds_no_name_of_a_variety():
    html = phone_page(bed(), MADE, blind=True)
    assert "P001" in html
    for name in VARIETIES:
        assert name in phone_page(bed(), MADE)
        assert name not in html


def test_the_modules_are_joined_whole_and_in_order() -> None:
    (script,) = Parts(phone_page(bed(), MADE)).texts("script")
    assert not re.search(r"^\s*(import|export)\b", script, re.MULTILINE)
    written = Path(__file__).parents[2] / "trialkit/recording/parts/js"
    names: list[str] = []
    for file in sorted(written.glob("*.js")):
        found = re.findall(
            r"^(?:export )?(?:async )?(?:function|class|const|let) (\w+|\$)",
            file.read_text(encoding="utf-8"),
            re.MULTILINE,
        )
        names += found
        for name in found:
            assert re.search(rf"^(?:async )?(?:function|class|const|let) {re.escape(name)}\b|\$ =",
                             script, re.MULTILINE), (file.name, name)  # fmt: skip
    assert len(set(names)) == len(names), "one scope: a name may be used once at the top"


HOSTILE = ["</script><script>x()</script>", "<!-- <script>", "a & b <b>", "\u2028\u2029", '"\\']


def test_names_come_back_letter_for_letter_and_cannot_end_their_element() -> None:
    records = bed(1, len(HOSTILE), title=HOSTILE[0], garden=HOSTILE[1], crop=HOSTILE[2])
    records.plants["plant"] = HOSTILE
    records.plants["variety"] = HOSTILE[::-1]
    html = phone_page(records, MADE)
    parts = Parts(html)
    assert [tag for tag, _ in parts.elements].count("script") == 2
    (data,) = parts.texts("script", "application/json")
    facts = json.loads(data)
    assert [(one["id"], one["variety"]) for one in facts["plants"]] == list(
        zip(HOSTILE, HOSTILE[::-1], strict=True)
    )


def test_plants_come_in_walking_order_whatever_the_order_of_the_table() -> None:
    records = bed(3, 4)
    shuffled = records.plants.sample(frac=1, random_state=3).reset_index(drop=True)
    for name in records.plants:
        records.plants[name] = shuffled[name]
    assert [one["id"] for one in page_facts(records, MADE)["plants"]] == walk(3, 4)


def test_plants_without_a_place_keep_the_order_of_the_table() -> None:
    records = bed(1, 3)
    records.plants["row"] = float("nan")
    records.plants["column"] = float("nan")
    plants = page_facts(records, MADE)["plants"]
    assert [one["id"] for one in plants] == ["P001", "P002", "P003"]
    assert plants[0]["row"] is None


def test_the_page_knows_what_the_records_say(tmp_path: Path) -> None:
    plant_bed(tmp_path, 1, 3)
    (tmp_path / "plants.csv").write_text(
        "plant,variety,row,column,lost,lost_reason\n"
        "P001,Amber Lantern,1,1,2024-06-01,wilted\n"
        "P002,Amber Lantern,1,2.5,,\n"
        "P003,Amber Lantern,,,,\n"
    )
    (tmp_path / "picks.csv").write_text("date,plant,count\n2024-07-01,P002,3\n2024-07-04,P002,\n")
    (tmp_path / "events.csv").write_text(
        "date,plant,event,note\n2024-07-05,P003,topped,\n2024-06-20,P003,topped,\n2024-06-01,,fed,\n"
    )
    from trialkit.records import read_records

    facts = page_facts(read_records(tmp_path), MADE)
    assert facts["picked"] == ["2024-07-01", "2024-07-04"]
    first, second, third = facts["plants"]
    assert (first["lost"], first["reason"], first["column"]) == ("2024-06-01", "wilted", "1")
    assert (second["lost"], second["column"], second["topped"]) == (None, "2.5", None)
    assert (third["row"], third["topped"]) == (None, "2024-06-20")


def test_a_page_made_again_goes_on_with_the_same_journal() -> None:
    keys = [page_facts(bed(*size), MADE)["key"] for size in ((1, 3), (2, 5))]
    other = page_facts(bed(1, 3, garden="Other Lane"), MADE)["key"]
    assert keys[0] == keys[1] != other


def test_the_file_is_written_whole_beside_the_records(tmp_path: Path) -> None:
    folder = plant_bed(tmp_path, 2, 3)
    page = write_phone_page(folder)
    assert page == folder / "phone.html"
    assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
    elsewhere = tmp_path / "out"
    elsewhere.mkdir()
    assert write_phone_page(str(folder), elsewhere) == elsewhere / "phone.html"
    named = write_phone_page(folder, elsewhere / "bed.html")
    assert named.read_bytes() == page.read_bytes()
    assert sorted(one.name for one in elsewhere.iterdir()) == ["bed.html", "phone.html"]


def test_records_with_errors_make_no_page_and_leave_the_old_one(tmp_path: Path) -> None:
    folder = plant_bed(tmp_path, 1, 2)
    old = write_phone_page(folder).read_bytes()
    (folder / "picks.csv").write_text("date,plant,count\n2024-07-01,P001,many\n")
    with pytest.raises(RecordsError):
        write_phone_page(folder)
    assert (folder / "phone.html").read_bytes() == old


def test_an_unknown_time_is_no_day() -> None:
    records: Any = bed(1, 2)
    records.plants["lost"] = pd.to_datetime(["2024-06-01", None])
    assert [one["lost"] for one in page_facts(records, MADE)["plants"]] == ["2024-06-01", None]


def test_the_command_writes_the_page_and_says_what_is_wrong(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from trialkit.cli import app

    folder = plant_bed(tmp_path, 1, 2)
    done = CliRunner().invoke(app, ["phone", str(folder)])
    assert done.exit_code == 0
    assert str(folder / "phone.html") in done.output.replace("\n", "")
    assert (folder / "phone.html").is_file()
    (folder / "picks.csv").write_text("date,plant,count\n2024-07-01,P001,many\n")
    wrong = CliRunner().invoke(app, ["phone", str(folder), "--out", str(tmp_path / "other.html")])
    assert wrong.exit_code == 3
    for part in ("picks.csv", "line 2", "count", "many"):
        assert part in wrong.output
    assert not (tmp_path / "other.html").exists()


def test_a_phone_page_whose_writer_was_killed_is_written_by_the_next(
    tmp_path, monkeypatch
) -> None:
    """kill -9 before the file takes its place: the old page stays, and the half file goes."""
    folder = smalltrial.write(tmp_path / "trial", picks=1)
    (tmp_path / "out").mkdir()
    target = write_phone_page(folder, tmp_path / "out")
    before = target.read_bytes()
    monkeypatch.setattr(files, "YOUNG_S", -1.0)
    assert killed_before_move(0, partial(write_phone_page, folder, target))
    assert target.read_bytes() == before
    assert list(target.parent.glob(".*.part"))
    assert write_phone_page(folder, target) == target
    assert [one.name for one in target.parent.iterdir()] == [target.name]
