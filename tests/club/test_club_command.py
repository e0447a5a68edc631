"""What `trialkit club` says and how it ends."""

from __future__ import annotations

import pytest
from clubtrials import plain_trial
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.club import site as clubsite
from trialkit.club.trial import Made, NotMade

FACTS = {
    "title": "Garden 1: bean, 2026", "garden": "Garden 1", "crop": "bean",
    "planted": "2026-05-10", "updated": "2026-07-01", "invented": False, "answer": "One. Two.",
    "sure": "", "state": "", "names": [], "results": [], "picture": "", "means": [],
    "fingerprint": "0" * 16,
}  # fmt: skip


@pytest.fixture
def club(monkeypatch, tmp_path):
    """Runs the command with reports that cost nothing; a folder named bad fails."""
    jobs = []

    def make(job):
        jobs.append(job)
        if job.file.name == "bad":
            return NotMade("picks.csv, line 3: [bold]a\nb", "its records have errors")
        return Made("<p>report</p>", FACTS)

    monkeypatch.setattr(clubsite, "make_report", make)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))

    def run(*words: object):
        return CliRunner().invoke(app, ["club", *map(str, words)])

    run.jobs = jobs
    return run


def test_it_says_what_it_did_where_it_lies_and_what_it_left_out(club, tmp_path):
    one = plain_trial(tmp_path / "one")
    result = club(one, "--out", tmp_path / "site")
    assert result.exit_code == 0, result.output
    assert "1 updated, 0 unchanged, 0 failed." in result.output
    assert str(tmp_path / "site" / "index.html") in result.output.replace("\n", "")
    assert "Left out: names, places, notes." in result.output
    again = club(one, "--out", tmp_path / "site", "--names", "--places", "--notes")
    assert "Left out" not in again.output
    assert [job.showing.text for job in club.jobs] == ["", "names places notes"]


def test_a_trial_that_fails_is_named_with_all_its_reason_and_the_rest_is_written(club, tmp_path):
    good, bad = plain_trial(tmp_path / "good"), plain_trial(tmp_path / "bad", extra=4)
    result = club(good, bad, "--out", tmp_path / "site")
    assert result.exit_code == 3
    assert "picks.csv, line 3: [bold]a" in result.output
    index = (tmp_path / "site" / "index.html").read_text(encoding="utf-8")
    assert "Its records have errors" in index
    assert "picks.csv" not in index


def test_nothing_at_all_to_show_is_said_and_nothing_written(club, tmp_path):
    result = club(tmp_path / "nowhere", "--out", tmp_path / "site")
    assert result.exit_code == 3
    assert "There is no folder" in result.output
    assert not (tmp_path / "site").exists()


def test_another_folder_is_refused(club, tmp_path):
    one = plain_trial(tmp_path / "one")
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "letter.txt").write_text("mine")
    result = club(one, "--out", tmp_path / "site")
    assert result.exit_code == 6
    assert "holds other files" in result.output
    assert club.jobs == []


@pytest.mark.parametrize("address", ["example.org", "javascript:alert(1)", "file:///x"])
def test_an_address_that_is_none_is_refused(address, club, tmp_path):
    assert club(plain_trial(tmp_path / "one"), "--address", address).exit_code == 2


def test_an_address_goes_into_the_feed(club, tmp_path):
    one = plain_trial(tmp_path / "one")
    club(one, "--out", tmp_path / "site", "--address", "https://example.org/club")
    feed = (tmp_path / "site" / "feed.xml").read_text(encoding="utf-8")
    assert 'xml:base="https://example.org/club/"' in feed
