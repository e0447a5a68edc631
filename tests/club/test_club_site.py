"""A club's pages as a folder: whole or not at all, renewed only where something changed."""

from __future__ import annotations

import json
import os
import struct
from functools import partial
from pathlib import Path

import pytest
from bs4 import BeautifulSoup
from clubtrials import plain_trial
from killed import killed_before_move

from trialkit.club import folder as clubfolder
from trialkit.club import site as clubsite
from trialkit.club import trial as clubtrial
from trialkit.club.site import Look, NotAClub, Showing, Wanted, make_club
from trialkit.club.trial import Made, NotMade
from trialkit.records import files


@pytest.fixture
def made(monkeypatch, tmp_path):
    """Reports without the work: `made.jobs` are those asked for, `made.fails` fail."""

    class Reports:
        jobs: list[str] = []
        fails: dict[str, NotMade] = {}

        def __call__(self, job):
            self.jobs.append(job.file.name)
            if job.file.name in self.fails:
                return self.fails[job.file.name]
            toml = (job.file / "trial.toml").read_text()
            updated = "2026-08-02" if "later" in toml else "2026-07-01"
            facts = {
                "title": f"{job.garden}: bean, 2026", "garden": job.garden, "crop": "bean",
                "planted": "2026-05-10", "updated": updated, "invented": False,
                "answer": "Costry is ahead. Keep picking.", "sure": "Not sure.",
                "state": "keep picking", "names": ["Ambrel", "Costry"], "results": [],
                "picture": "", "means": [], "fingerprint": "0" * 16,
            }  # fmt: skip
            return Made(f"<p>{job.garden} {job.showing.text} {updated}</p>", facts)

    reports = Reports()
    reports.jobs, reports.fails = [], {}
    monkeypatch.setattr(clubsite, "make_report", reports)
    monkeypatch.setattr(clubtrial, "program_print", lambda: "this program")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return reports


@pytest.fixture
def two(tmp_path):
    return [plain_trial(tmp_path / "one"), plain_trial(tmp_path / "two", "Ash Field", 3)]


def _files(site: Path) -> dict[str, bytes]:
    return {p.relative_to(site).as_posix(): p.read_bytes()
            for p in sorted(site.rglob("*")) if p.is_file()}  # fmt: skip


def _edit(folder: Path) -> None:
    with open(folder / "trial.toml", "a", encoding="utf-8") as file:
        file.write("# later\n")


def _ids(site: Path) -> dict[int, str]:
    trials = json.loads((site / "club.json").read_text(encoding="utf-8"))["trials"]
    return {one["number"]: one["id"] for one in trials}


def test_only_what_changed_is_worked_out_anew(made, two, tmp_path):
    site = tmp_path / "site"
    first = make_club(two, site)
    assert [p.name for p in first.made] == ["one", "two"]
    before = _files(site)
    again = make_club(two, site)
    assert (again.made, [p.name for p in again.unchanged]) == ((), ["one", "two"])
    assert _files(site) == before, "the same records give the same bytes"
    _edit(two[1])
    third = make_club(two, site)
    assert [p.name for p in third.made] == ["two"]
    assert made.jobs == ["one", "two", "two"]
    assert "2026-08-02" in (site / "reports/trial-2.html").read_text()


def test_a_report_that_was_changed_by_hand_is_made_anew(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    (site / "reports/trial-1.html").write_text("spoilt")
    make_club(two, site)
    assert made.jobs == ["one", "two", "one"]
    assert "spoilt" not in (site / "reports/trial-1.html").read_text()


def test_a_trial_that_fails_keeps_its_last_good_report(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    good = (site / "reports/trial-1.html").read_bytes()
    _edit(two[0])
    made.fails["one"] = NotMade("picks.csv line 3: Mr Private", "its records have errors")
    done = make_club(two, site)
    assert done.failed == ((two[0], "picks.csv line 3: Mr Private"),)
    assert (site / "reports/trial-1.html").read_bytes() == good
    index = (site / "index.html").read_text(encoding="utf-8")
    assert "Not brought up to date: its records have errors" in index
    assert "Mr Private" not in index
    made.fails.clear()
    assert [p.name for p in make_club(two, site).made] == ["one"], "tried again the next time"
    assert "Not brought up to date" not in (site / "index.html").read_text(encoding="utf-8")


def test_a_folder_that_cannot_be_read_at_all_keeps_its_place(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    ids = _ids(site)
    (two[0] / "trial.toml").rename(two[0] / "gone.toml")
    done = make_club(two, site)
    assert [path.name for path, _ in done.failed] == ["one"]
    assert (site / "reports/trial-1.html").is_file()
    assert _ids(site) == ids


def test_a_last_good_report_that_shows_more_than_now_asked_is_not_kept(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site, Wanted(Showing(names=True)))
    made.fails["one"] = NotMade("all of it", "it failed")
    make_club(two, site)
    assert not (site / "reports/trial-1.html").exists()
    assert "names" not in (site / "reports/trial-2.html").read_text()
    assert "has details you now hide" in (site / "index.html").read_text()


def test_where_every_trial_fails_nothing_is_written(made, two, tmp_path):
    made.fails |= {"one": NotMade("a", "a"), "two": NotMade("b", "b")}
    assert make_club(two, tmp_path / "site").index is None
    assert not (tmp_path / "site").exists()


def test_numbers_and_ids_stay_when_trials_come_and_go(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    ids = _ids(site)
    third = plain_trial(tmp_path / "three", "elder lane", 6)
    make_club([third, two[1]], site)
    now = _ids(site)
    assert now[2] == ids[2]
    assert set(now) == {2, 3}
    assert not (site / "reports/trial-1.html").exists()
    make_club([two[0], third], site)
    assert _ids(site)[1] == ids[1], "a trial that comes back has its number again"
    gardens = {one["number"]: one["garden"] for one in
               json.loads((site / "club.json").read_text())["trials"]}  # fmt: skip
    assert gardens[1] == gardens[3], "the same garden under one number, however it is spelt"


def test_ids_come_from_what_was_planted_and_outlive_the_memory(made, two, tmp_path, monkeypatch):
    site = tmp_path / "site"
    make_club(two, site)
    ids = _ids(site)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "another machine"))
    for folder in two:
        folder.rename(folder.with_name(f"moved-{folder.name}"))
    moved = [two[1].with_name("moved-two"), two[0].with_name("moved-one")]
    make_club(moved, site)
    assert _ids(site) == ids
    copy = plain_trial(tmp_path / "copy")
    make_club([*moved, copy], site)
    assert len(set(_ids(site).values())) == 3, "two gardens with one plan are two trials"


def test_a_folder_that_is_not_a_club_is_refused_and_left_alone(made, two, tmp_path):
    site = tmp_path / "photos"
    site.mkdir()
    (site / "index.html").write_text("mine")
    with pytest.raises(NotAClub, match="other files"):
        make_club(two, site)
    assert _files(site) == {"index.html": b"mine"}
    for place in (two[0], tmp_path):
        with pytest.raises(NotAClub, match="holds the trial"):
            make_club(two, place)
    (tmp_path / "note").write_text("a file")
    with pytest.raises(NotAClub, match="is a file"):
        make_club(two, tmp_path / "note")
    (site / "club.json").write_text('{"kind": "something else", "trials": [], "files": {}}')
    with pytest.raises(NotAClub):
        make_club(two, site)
    assert made.jobs == []


def test_a_manifest_cannot_point_out_of_the_folder(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    whole = json.loads((site / "club.json").read_text())
    whole["trials"][0]["page"] = "../../one/trial.toml"
    (site / "club.json").write_text(json.dumps(whole))
    with pytest.raises(NotAClub):
        make_club(two, site)


def test_what_others_put_into_the_folder_stays(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    (site / "CNAME").write_text("beans.example")
    (site / ".history").mkdir()
    (site / ".history/one").write_text("1")
    (site / "reports/photo.txt").write_text("p")
    make_club(two[:1], site)
    files = _files(site)
    assert files["CNAME"] == b"beans.example"
    assert files[".history/one"] == b"1"
    assert files["reports/photo.txt"] == b"p"
    assert "reports/trial-2.html" not in files


@pytest.mark.parametrize("fails_at", range(1, 9))
def test_a_write_that_fails_leaves_the_old_pages_whole(fails_at, made, two, tmp_path, monkeypatch):
    """A full disk at any file, and at the swap itself."""
    site = tmp_path / "site"
    make_club(two, site)
    before = _files(site)
    _edit(two[0])
    count = 0

    def failing(real):
        def inner(*args, **more):
            nonlocal count
            count += 1
            if count == fails_at:
                raise OSError(28, "No space left on device")
            return real(*args, **more)

        return inner

    monkeypatch.setattr(clubfolder, "write_bytes", failing(clubfolder.write_bytes))
    with pytest.raises(OSError, match="No space"):
        make_club(two, site)
    assert _files(site) == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_a_swap_cut_off_in_the_middle_is_mended_the_next_time(made, two, tmp_path, monkeypatch):
    site = tmp_path / "site"
    make_club(two, site)
    before = _files(site)
    real, calls = os.rename, []

    def killed(source, target):
        calls.append(target)
        if len(calls) > 1:
            raise KeyboardInterrupt
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(clubfolder.os, "rename", killed)
        with pytest.raises(KeyboardInterrupt):
            make_club(two, site)
    assert not site.exists(), "the power went between the two renames"
    done = make_club(two, site)
    assert len(done.unchanged) == 2
    assert _files(site) == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


@pytest.mark.slow
@pytest.mark.parametrize("there", [False, True])
def test_killed_part_way_the_next_makes_the_pages_as_if_for_the_first_time(
    there, made, two, tmp_path, monkeypatch
):
    """kill -9 before every file's and folder's move in turn, with pages there already or not."""
    monkeypatch.setattr(files, "YOUNG_S", -1.0)
    make_club(two, tmp_path / "whole" / "site")
    whole = _files(tmp_path / "whole" / "site")
    kills = 0
    for kill_at in range(60):
        place = tmp_path / f"{kill_at}"
        place.mkdir()
        site = place / "site"
        if there:
            make_club(two[:1], site)
            (site / "CNAME").write_text("beans.example")
        killed = killed_before_move(kill_at, partial(make_club, two, site))
        if not killed:
            break
        kills += 1
        assert not make_club(two, site).failed
        assert [one.name for one in place.iterdir()] == ["site"]
        assert not list(site.rglob(".*"))
        assert _files(site).keys() - {"CNAME"} == whole.keys()
        assert (site / "CNAME").is_file() == there
    assert not killed
    assert kills >= 5


def test_the_look_of_the_pages_needs_no_report_made_anew(made, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    assert 'name="robots" content="noindex' in (site / "index.html").read_text()
    assert "Disallow: /" in (site / "robots.txt").read_text()
    done = make_club(two, site, Wanted(look=Look("Our <beans>", findable=True)))
    assert done.made == ()
    index = (site / "index.html").read_text()
    assert "Our &lt;beans&gt;" in index
    assert "noindex" not in index
    assert "Allow: /" in (site / "robots.txt").read_text()


def test_the_folder_can_be_read_by_a_web_host(made, two, tmp_path):
    make_club(two, tmp_path / "site")
    umask = os.umask(0)
    os.umask(umask)
    assert (tmp_path / "site").stat().st_mode & 0o777 == 0o777 & ~umask


def test_a_folder_of_trials_counts_as_its_trials(made, two, tmp_path):
    done = make_club([tmp_path, two[0]], tmp_path.parent / f"{tmp_path.name}-site")
    assert [p.name for p in done.made] == ["one", "two"]


FRONT = {
    "title": "Garden 1: bean, 2026", "under": "Bean, 1 July 2026", "leader": "Costry leads so far",
    "mark": "Leaning", "means": "it could be luck", "sentence": "Costry gave 9 and Ambrel 7.",
    "next": "Keep picking.", "label": "pods per plant planted", "check": "Ambrel",
    "invented": False, "rows": [
        {"variety": "Costry", "estimate": 9.0, "low": 6.0, "high": 12.0},
        {"variety": "Ambrel", "estimate": 7.0, "low": None, "high": None}],
}  # fmt: skip


@pytest.fixture
def drawn(made, monkeypatch):
    """Such reports with a first screen, and their pictures."""

    def with_front(job):
        result = made(job)
        if isinstance(result, NotMade):
            return result
        facts = {**result.facts, "front": FRONT, "sentence": FRONT["sentence"],
                 "leader": FRONT["leader"], "mark": FRONT["mark"]}  # fmt: skip
        page = f"<head>\n<title>{job.garden}</title></head>{result.html}"
        return Made(page, facts, clubtrial.share_pictures(facts))

    monkeypatch.setattr(clubsite, "make_report", with_front)
    return made


def test_a_picture_of_each_answer_with_its_words_lies_beside_it(drawn, two, tmp_path):
    """PNG (W3C Recommendation, 10 November 2003, section 5.6): width and height in the header."""
    site = tmp_path / "site"
    make_club(two, site)
    for shape, size in (("square", (1080, 1080)), ("wide", (1200, 630))):
        content = (site / f"pictures/trial-1-{shape}.png").read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        assert struct.unpack(">II", content[16:24]) == size
    assert "Costry 9; Ambrel 7." in (site / "pictures/trial-1-words.txt").read_text()
    index = (site / "index.html").read_text()
    assert 'href="pictures/trial-1-square.png"' in index
    before = _files(site)
    assert make_club(two, site).made == ()
    assert _files(site) == before, "pictures are kept with their report"
    (site / "pictures/trial-1-wide.png").write_bytes(b"spoilt")
    assert [p.name for p in make_club(two, site).made] == ["one"]
    assert _files(site) == before


def test_previews_have_whole_addresses_and_only_where_one_is_given(drawn, two, tmp_path):
    """The Open Graph protocol (ogp.me): title, type, image and url are required; image:alt goes
    with an image."""
    site = tmp_path / "site"
    make_club(two, site)
    pages = ("index.html", "reports/trial-1.html", "reports/trial-2.html")
    assert not any("og:" in (site / page).read_text() for page in pages)
    at = "https://example.org/club/"
    done = make_club(two, site, Wanted(look=Look(address=at)))
    assert done.made == (), "no report is worked out anew for it"
    for page in pages:
        soup = BeautifulSoup((site / page).read_text(), "html.parser")
        found = [(one["property"], one["content"]) for one in soup.find_all("meta", property=True)]
        tags = dict(found)
        assert len(tags) == len(found), "each tag once"
        assert tags["og:url"] == at + ("" if page == "index.html" else page)
        assert tags["og:image"].startswith(at)
        assert (site / tags["og:image"].removeprefix(at)).is_file()
        assert (tags["og:image:width"], tags["og:image:height"]) == ("1200", "630")
        assert tags["og:image:alt"].startswith("Garden 1: bean, 2026.")
        assert tags["og:title"]
        assert tags["og:type"] == ("website" if page == "index.html" else "article")
        assert "Costry gave 9 and Ambrel 7." in tags["og:description"]
    first = _files(site)
    make_club(two, site, Wanted(look=Look(address=at)))
    assert _files(site) == first, "tags do not pile up"
    make_club(two, site)
    assert not any("og:" in (site / page).read_text() for page in pages)


def test_the_front_page_shows_the_newest_answers_and_lists_every_trial(drawn, tmp_path):
    trials = [plain_trial(tmp_path / f"t{n}", f"Garden {n}", n) for n in range(9)]
    _edit(trials[7])
    make_club(trials, tmp_path / "site")
    soup = BeautifulSoup((tmp_path / "site/index.html").read_text(), "html.parser")
    above = [one.h3.a["href"] for one in soup.find_all("article")]
    assert above == [f"reports/trial-{n}.html" for n in (8, 1, 2, 3, 4, 5)]
    article = soup.find("article")
    assert article.select_one(".leader").get_text() == "Costry leads so far"
    assert len(article.select(".answer .sentence")) == 1
    listed = [one.a["href"] for one in soup.select(".lines li")]
    assert listed == [f"reports/trial-{n}.html" for n in range(1, 10)]


def test_a_manifest_names_only_plain_pictures(drawn, two, tmp_path):
    site = tmp_path / "site"
    make_club(two, site)
    whole = json.loads((site / "club.json").read_text())
    whole["trials"][0]["pictures"] = ["/../../../one/trial.toml"]
    (site / "club.json").write_text(json.dumps(whole))
    with pytest.raises(NotAClub):
        make_club(two, site)
