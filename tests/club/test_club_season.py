"""The season's answer on a club's pages is that of the season itself."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bs4 import BeautifulSoup
from markupsafe import escape

from trialkit import shipped
from trialkit.club import pages
from trialkit.club.folder import Manifest, Placed
from trialkit.club.pages import Look, seasons, with_pages
from trialkit.club.trial import KERNEL
from trialkit.gardens import season as together
from trialkit.gardens.stage_one import Failed, trial_means
from trialkit.report.handout import from_json, to_json

BARLEY = shipped.demo().parent / "barley-minnesota"


@pytest.fixture(scope="module")
def firsts():
    names = ("crookston-1931", "duluth-1931", "morris-1931", "waseca-1931", "waseca-1932")
    return [replace(trial_means(BARLEY / name, words=False), garden=f"Garden {n}",
                    place=f"garden {n}", title="", source="")
            for n, name in enumerate(names, start=1)]  # fmt: skip


@pytest.fixture
def placed(firsts):
    """Barley of Immer and others 1934, as the pages keep it."""
    out = []
    for n, first in enumerate(firsts, start=1):
        facts = {
            "title": f"Garden {n}: barley, {first.year}", "garden": f"Garden {n}",
            "crop": "barley", "planted": "1931-01-01", "updated": "1931-01-01", "invented": False,
            "answer": "One. Two.", "sure": "", "state": "", "names": list(first.varieties),
            "results": [], "picture": "", "means": [to_json(first)], "fingerprint": "0" * 16,
        }  # fmt: skip
        out.append(Placed(Path(f"t{n}"), n, f"urn:uuid:{n}", n, facts=facts))
    return out


def test_a_trials_means_survive_being_kept_as_json(firsts):
    for first in firsts:
        again = from_json(json.loads(json.dumps(to_json(first), allow_nan=False)))
        for name in ("varieties", "check", "replicated", "scale", "unit", "year", "plots"):
            assert getattr(again, name) == getattr(first, name)
        np.testing.assert_array_equal(again.estimates, first.estimates)
        assert (again.covariance is None) == (first.covariance is None)
        assert np.isnan(again.df) == np.isnan(first.df)
    assert to_json(Failed("a", "b")) is None


def test_the_index_says_what_the_season_says(placed, firsts):
    named = [replace(one, folder=f"trial {n}") for n, one in enumerate(firsts, start=1)]
    expected = together.combine(named)
    found = seasons(placed)
    assert [one.crop for one in found] == ["barley"]
    assert found[0].answer.answer == expected.answer
    index = pages.pages("urn:uuid:0", placed, found, Look())["index.html"].decode()
    text = " ".join(index.replace("<bdi>", "").replace("</bdi>", "").split())
    assert "All gardens together" in text
    assert str(escape(expected.answer)) in text
    assert "more than the average" in text


def test_the_seasons_page_is_that_of_the_season(placed, tmp_path):
    """Made by the season's own notebook from the means alone, and kept while they are the same."""
    whole, keys = with_pages(seasons(placed), Manifest())
    page = BeautifulSoup(whole[0].html, "html.parser")
    assert whole[0].page == "reports/season-1.html"
    assert page.select_one(".answer").get_text(" ", strip=True).startswith(whole[0].answer.answer)
    assert len(page.select(".cards tbody tr")) == len(whole[0].answer.overall)
    assert page.select_one("nav a")["href"] == "../index.html"
    assert page.select_one("meta[name=robots]")["content"].startswith("noindex")
    assert str(BARLEY) not in whole[0].html
    content = whole[0].html.encode()
    (tmp_path / "reports").mkdir()
    (tmp_path / whole[0].page).write_bytes(content)
    old = Manifest(files={whole[0].page: hashlib.sha256(content).hexdigest()}, seasons=keys,
                   site=tmp_path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pages, "_made", lambda means: "made anew")
        assert with_pages(seasons(placed), old)[0][0].html == whole[0].html
        placed[0].facts["means"][0]["estimates"][0] += 1
        assert with_pages(seasons(placed), old)[0][0].html == "made anew"
    KERNEL.stop()


def test_trials_of_several_crops_are_not_put_together(placed):
    placed[0].facts["crop"] = "oats"
    assert [(one.crop, len(one.placed)) for one in seasons(placed)] == [("oats", 1), ("barley", 4)]


def test_a_fault_in_the_season_does_not_take_the_trials_with_it(placed, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(together, "combine", broken)
    index = pages.pages("urn:uuid:0", placed, seasons(placed), Look())["index.html"].decode()
    assert "could not be worked out: a fault in trialkit" in index
    assert index.count("<article") == 5
    assert "season-1" not in index


def test_means_kept_by_another_version_are_left_out_and_said_to_be(placed):
    placed[0].facts["means"][0]["of another version"] = 1
    del placed[1].facts["means"][0]["estimates"]
    found = seasons(placed)
    assert found[0].without == 2
    assert len(found[0].answer.trials) == 3
    index = pages.pages("urn:uuid:0", placed, found, Look())["index.html"].decode()
    assert "2 trials of the 5 left out" in index


def test_the_clubs_season_answers_what_most_of_its_trials_ask(placed):
    """Two trials of three asked for earliness, and the third knows its days too."""
    for n, one in enumerate(placed[:3]):
        yields = one.facts["means"][0]
        question = "early" if n else "yield"
        days = {**yields, "trait": "halfway", "label": "days", "unit": "days", "scale": "linear",
                "better": "less", "answers": "early", "question": question}
        both = [{**yields, "question": question}, days]
        one.facts["means"] = both[::-1] if n else both
    told = seasons(placed[:3])[0]
    assert {one.answers for one in told.means} == {"early"}
    assert (told.without, len(told.means)) == (0, 3)
    assert "by the day half its crop was in" in told.answer.answer
    assert any("Which variety gives most" in line for line in told.answer.cannot_tell)
