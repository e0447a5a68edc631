"""The sheet to pin up and the pictures for a chat."""

from __future__ import annotations

import struct
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
sys.path.insert(0, str(Path(__file__).parent))

from seasons import bed, picked, records  # noqa: E402
from test_traits_told import dug, full  # noqa: E402

from trialkit.design.paper import text_width  # noqa: E402
from trialkit.report import handout  # noqa: E402
from trialkit.report.opentrial import OpenTrial  # noqa: E402

ADDRESS = "https://example.org/beans.html"


@cache
def many() -> OpenTrial:
    """Thirty varieties with names of sixty letters."""
    names = [f"{'A very long name that a seed packet might well carry on its':.57s} {k:02d}"
             for k in range(30)]
    plants = bed(names, blocks=3, plants=1)
    picks = picked(plants, dict.fromkeys(names, 0.6), [50, 57, 64], seed=2)
    return OpenTrial(records(plants, picks, check=names[20]), None)


@cache
def nothing() -> OpenTrial:
    return OpenTrial(records(bed("ABC", blocks=3, plants=2)), None)


TRIALS = {"full": full, "roots": dug, "thirty": many, "no pick": nothing}
SOME_AND_ALL = ["full", "roots", "no pick", pytest.param("thirty", marks=pytest.mark.slow)]


@pytest.mark.parametrize("kind", handout.CARDS)
@pytest.mark.parametrize("name", SOME_AND_ALL)
def test_a_card_is_a_picture_of_its_size_with_the_answer_in_words_beside_it(name, kind):
    one = handout.front(TRIALS[name]())
    png = handout.card(one, kind)
    assert png[:8] == b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948, 5.2
    assert struct.unpack(">II", png[16:24]) == handout.CARDS[kind]
    words = handout.alt_text(one)
    assert one.leader in words
    assert one.sentence in words
    if one.rows is not None:
        assert all(variety in words for variety in one.rows["variety"])


def test_letters_of_a_card_shown_at_a_third_are_eleven_pixels():
    assert handout.SMALLEST * handout.DPI / 72 / 3 >= 11


@pytest.mark.parametrize("paper", handout.PAPERS)
@pytest.mark.parametrize("name", SOME_AND_ALL)
def test_the_sheet_is_one_page_with_the_answer_and_nothing_runs_off_it(name, paper):
    pdfium = pytest.importorskip("pypdfium2")
    trial = TRIALS[name]()
    document = pdfium.PdfDocument(handout.sheet(trial, paper, ADDRESS))
    assert len(document) == 1
    page = document[0]
    assert [round(side / 72, 2) for side in page.get_size()] == list(handout.PAPERS[paper])
    words = page.get_textpage()
    text = " ".join(words.get_text_bounded().split())
    one = handout.front(trial)
    assert one.mark in text
    assert one.leader[:20] in text
    assert one.sentence.split()[0] in text
    assert "How it was done" in text
    for at in range(words.count_rects()):
        left, bottom, right, top = words.get_rect(at)
        assert 0 <= left <= right <= page.get_width(), name
        assert 0 <= bottom <= top <= page.get_height(), name


def test_the_code_leads_to_the_report():
    pdfium = pytest.importorskip("pypdfium2")
    zxing = pytest.importorskip("zxingcpp")
    page = pdfium.PdfDocument(handout.sheet(full(), "A4", ADDRESS))[0]
    read = zxing.read_barcodes(page.render(scale=3).to_numpy())
    assert [one.text for one in read] == [ADDRESS]


@pytest.mark.slow
def test_invented_records_say_so_on_everything_that_leaves_the_house():
    trial = full()
    made_up = replace(trial.records.trial, invented=True)
    one = handout.front(OpenTrial(replace(trial.records, trial=made_up), None))
    assert "Invented" in handout.alt_text(one)
    assert "Invented" not in handout.alt_text(handout.front(OpenTrial(replace(
        trial.records, trial=replace(made_up, invented=False)), None)))


def test_the_command_writes_the_sheet_the_pictures_and_their_words(tmp_path):
    from typer.testing import CliRunner

    from trialkit import shipped
    from trialkit.cli import app

    folder = tmp_path / "oats"
    shipped.copy_trial(Path(__file__).parents[2] / "data" / "oats-1935", folder)
    result = CliRunner().invoke(app, ["handout", str(folder), "--paper", "Letter"])
    assert result.exit_code == 0, result.output
    assert sorted(one.name for one in (folder / "handout").iterdir()) == [
        "oats-square.png", "oats-square.txt", "oats-wide.png", "oats-wide.txt", "oats.pdf"]
    bad = CliRunner().invoke(app, ["handout", str(folder), "--address", "beans.html"])
    assert bad.exit_code == 2


def test_a_report_makes_the_sheet_and_the_pictures_in_the_same_run(hostile_report):
    made = sorted((hostile_report.page.parents[1] / "handout").iterdir())
    assert [one.name for one in made] == [f"hostile{end}" for end in (
        "-square.png", "-square.txt", "-wide.png", "-wide.txt", ".pdf")]
    for path in made:
        assert path.read_bytes()[:4] in (b"\x89PNG", b"%PDF") or path.suffix == ".txt"
    # The files are not kept in the page or its notebook a second time.
    assert '"handout": {' not in hostile_report.notebook.read_text(encoding="utf-8")
    assert len(hostile_report.notebook.read_bytes()) < 1_500_000


def test_an_address_wants_a_sheet_to_stand_on(tmp_path):
    from typer.testing import CliRunner

    from trialkit.cli import app

    (tmp_path / "trial.toml").write_text("", encoding="utf-8")
    told = CliRunner().invoke(app, ["report", str(tmp_path), "--address", ADDRESS])
    assert told.exit_code == 2
    assert "--handout" in told.output


def test_lines_of_the_sheet_are_as_full_as_they_can_be():
    said = "5 varieties in 20 plots of 6 plants (4 each), in 4 blocks, every variety once in each."
    assert handout._lines(said, 6.87, 10, False) == [said]
    room = 3.0
    first, *_ = lines = handout._lines(said, room, 10, False)
    assert all(text_width(line, 10) <= room * 25.4 for line in lines)
    assert text_width(f"{first} {lines[1].split()[0]}", 10) > room * 25.4
    long = "N" * 200
    assert all(text_width(line, 10) <= room * 25.4 for line in handout._lines(long, room, 10, True))


def test_a_handout_works_out_no_model_that_it_does_not_show():
    # An own copy: other tests share the opened trials, and what was asked of one stays worked out.
    trial = OpenTrial(full().records, None)
    handout.files(trial)
    worked_out = set(vars(trial.conclusion.analysis))
    assert "totals" in worked_out
    assert not worked_out & {"rate", "window", "weights", "stand", "season", "diagnostics"}
    assert "cannot_tell" not in vars(trial.conclusion)
