"""A finished page is read as its reader does: order, claims and ranges must not contradict.

Nothing is compared with how the page was made; the text alone has to agree with itself.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import pandas as pd
import pytest
from bs4 import BeautifulSoup
from seasons import bed, day, grown, picked, records
from test_traits_told import FOLDED, OPEN, dug, full

from trialkit.report import cells
from trialkit.report.answer import day_of
from trialkit.report.opentrial import OpenTrial

FIGURE = r"[\u2212-]?\d[\d,]*(?:\.\d+)?"
WITH_RANGE = re.compile(
    rf"({FIGURE})(?: ?%| times| days?| cm| g)? \(({FIGURE}) to ({FIGURE})(?: ?%)?\)")


@cache
def tall_leader() -> OpenTrial:
    """B gives most and is soon out of reach; A, the check, stays low."""
    plants = bed("ABC", blocks=4, plants=4)
    picks = picked(plants, {"A": 0.5, "B": 1.1, "C": 0.25}, [50 + 4 * k for k in range(12)], seed=2)
    heights = grown(plants, {"A": 120.0, "B": 260.0, "C": 110.0}, range(14, 96, 9))
    return OpenTrial(records(plants, picks, heights, looks=12, reach=170.0, threshold=0.2), None)


@cache
def level() -> OpenTrial:
    plants = bed("ABCD", blocks=3, plants=3)
    picks = picked(plants, dict.fromkeys("ABCD", 0.6), [50 + 5 * k for k in range(8)], seed=11)
    return OpenTrial(records(plants, picks, looks=20), None)


@cache
def roots() -> OpenTrial:
    return dug()


@cache
def weights_only() -> OpenTrial:
    plants = bed("ABC", blocks=4, plants=4)
    picks = picked(plants, {"A": 0.6, "B": 1.0, "C": 0.3}, [50 + 4 * k for k in range(6)], seed=4)
    picks["weight_g"], picks["count"] = picks["count"] * 9.0, float("nan")
    return OpenTrial(records(plants, picks), None)


@cache
def heights_only() -> OpenTrial:
    plants = bed("ABC", blocks=4, plants=4)
    return OpenTrial(records(plants, heights=grown(
        plants, {"A": 200.0, "B": 240.0, "C": 150.0}, range(14, 88, 9))), None)


@cache
def losses_only() -> OpenTrial:
    plants = bed("ABC", blocks=4, plants=6)
    gone = plants[plants["variety"] == "A"].groupby("block").head(3).index
    plants.loc[gone, "lost"] = day(60)
    plants.loc[gone, "lost_reason"] = "foot rot"
    return OpenTrial(records(plants), None)


@cache
def picked_once() -> OpenTrial:
    plants = bed("ABC", blocks=4, plants=4)
    return OpenTrial(records(plants, picked(
        plants, {"A": 0.6, "B": 1.0, "C": 0.3}, [60], seed=4)), None)


SEASONS = {"full": full, "tall leader": tall_leader, "level": level, "roots": roots,
           "weights only": weights_only, "heights only": heights_only,
           "losses only": losses_only, "picked once": picked_once}


@cache
def part(season: str, names: tuple[str, ...]) -> str:
    trial = SEASONS[season]()
    return "\n".join(getattr(cells, name)(trial).html for name in names)


def html(season: str, *, folded: bool) -> str:
    return part(season, (*OPEN, "events")) + (part(season, FOLDED) if folded else "")


def texts(page: str) -> list[str]:
    """Every sentence, cell and caption by itself."""
    soup = BeautifulSoup(page, "html.parser")
    return [tag.get_text(" ", strip=True) for tag in soup.find_all(["p", "li", "td", "caption"])]


def number(text: str) -> float:
    return float(text.replace(",", "").replace("\N{MINUS SIGN}", "-"))


def table_of(season: str) -> pd.DataFrame:
    """The first table of varieties as shown: the value, the range and the words of each cell."""
    table = BeautifulSoup(html(season, folded=False), "html.parser").find("table")
    heads = [th.get_text(" ", strip=True) for th in table.thead.find_all("th")]
    rows = {}
    for tr in table.tbody.find_all("tr"):
        shown = [(td.find(class_="value"), td.find(class_="range")) for td in tr.find_all("td")]
        rows[tr.th.bdi.get_text()] = [
            (value.get_text() if value else "", span.get_text() if span else "")
            for value, span in shown]
    return pd.DataFrame.from_dict(rows, orient="index", columns=heads[1:])


@pytest.mark.parametrize("season", SEASONS)
def test_the_first_column_gives_the_order(season: str) -> None:
    first = [number(re.match(FIGURE, cell[0])[0]) for cell in table_of(season).iloc[:, 0]]
    assert len(first) > 2
    assert first == sorted(first, reverse=True)


@pytest.mark.parametrize("season", SEASONS)
def test_every_table_and_picture_keeps_that_order(season: str) -> None:
    order = list(table_of(season).index)
    soup = BeautifulSoup(html(season, folded=False), "html.parser")
    for table in soup.find_all("table", class_="cards"):
        assert [th.bdi.get_text() for th in table.tbody.find_all("th")] == order
    compared = soup.find("figure", id="compared").find("svg")["aria-label"]
    places = [re.search(rf"(?<!\w){name}(?:, the check,)? {FIGURE}", compared).start()
              for name in order]
    assert places == sorted(places)


@pytest.mark.parametrize("season", SEASONS)
def test_every_estimate_lies_in_its_own_range(season: str) -> None:
    page = html(season, folded=True)
    seen = 0
    for text in texts(page):
        for value, low, high in WITH_RANGE.findall(text):
            seen += 1
            assert number(low) <= number(value) <= number(high), text
    cards = BeautifulSoup(page, "html.parser").select("table.cards td")
    for cell in cards:
        span = cell.find(class_="range")
        both = re.fullmatch(rf"({FIGURE}) ?%? to ({FIGURE}) ?%?", span.get_text()) if span else None
        value = cell.find(class_="value")
        if both and re.match(FIGURE, value.get_text()):
            seen += 1
            inside = number(re.match(FIGURE, value.get_text())[0])
            assert number(both[1]) <= inside <= number(both[2]), cell.get_text(" ")
    assert seen >= 3


def against_check(season: str) -> pd.Series:
    """The cells of the column of ratios, by variety."""
    return table_of(season)["Times the check"]


@pytest.mark.parametrize("season", ["full", "tall leader", "level"])
def test_a_claim_is_the_tables_line_again(season: str) -> None:
    against = against_check(season)
    trial = SEASONS[season]()
    said = "\n".join(getattr(cells, name)(trial).plain for name in ("how_sure", "cannot_tell"))
    claims = re.findall(
        rf"(?<!\w)([A-D]) gave ({FIGURE}) times \(({FIGURE}) to ({FIGURE})\)", said)
    open_ = re.findall(r"Whether ([A-D](?:(?:, | and )[A-D])*) differs? from", said)
    assert claims or open_
    for name, value, low, high in claims:
        assert against[name] == (f"{value} times", f"{low} to {high}")
    for names in open_:
        for name in re.findall("[A-D]", names):
            if not against[name][1]:
                assert "too early to give a likely range" in said
                continue
            low, high = map(number, against[name][1].split(" to "))
            assert low <= 1 <= high, (name, against[name])


@pytest.mark.parametrize("season", ["full", "tall leader", "level"])
def test_one_ratio_has_one_range(season: str) -> None:
    """No other range of a ratio to the check stands in the open part than that of the table; what
    places in the bed gave and what earlier picks said are other ratios."""
    in_table = {tuple(" ".join(words.split()) for words in cell)
                for cell in against_check(season) if cell[1]}
    names = tuple(name for name in OPEN if name not in ("bed_map", "pick_by_pick"))
    text = " ".join(BeautifulSoup(part(season, names), "html.parser").get_text(" ").split())
    told = {(f"{value} times", span) for value, span in re.findall(
        rf"({FIGURE}) times \(({FIGURE} to {FIGURE})\)", text)}
    assert told <= in_table
    assert bool(told) == bool(in_table)


@pytest.mark.parametrize("season", SEASONS)
def test_no_advice_to_go_on_beside_next_to_no_chance(season: str) -> None:
    said = " ".join(texts(html(season, folded=False))).lower()
    assert not ("keep picking" in said and re.search(r"chance[^.]*under [0-5] ?%", said))


@pytest.mark.parametrize(("season", "head", "leader"), [
    ("weights only", "Weight per plant planted, up to", "B"),
    ("heights only", "Height on 18 August, cm", "B"),
    ("losses only", "Plants still standing, %", "B"),
    ("picked once", "Pods per plant planted, up to", "B"),
])
def test_the_table_leads_with_whatever_was_recorded(season: str, head: str, leader: str) -> None:
    table = table_of(season)
    assert any(name.startswith(head) for name in table.columns), list(table.columns)
    assert table.index[0] == leader


def test_what_was_picked_once_has_no_week() -> None:
    trial = picked_once()
    assert "a week" not in cells.varieties(trial).plain + cells.other_figures(trial).plain


def test_weights_say_how_many_picks_were_weighed() -> None:
    text = cells.other_figures(full()).plain
    assert "(5 of 10 picks weighed)" in text


def test_a_curve_ends_at_the_varietys_own_last_reading() -> None:
    plants = bed("AB", blocks=3, plants=3)
    picks = picked(plants, {"A": 0.6, "B": 1.0}, [50 + 4 * k for k in range(10)], seed=4)
    gone = dict(zip(plants["plant"], plants["variety"], strict=True))
    picks = picks[[gone[p] == "A" or d <= day(62) for p, d in
                   zip(picks["plant"], picks["date"], strict=True)]]
    heights = grown(plants, {"A": 240.0, "B": 200.0}, range(14, 88, 7))
    heights = heights[[gone[p] == "A" or d <= day(35) for p, d in
                       zip(heights["plant"], heights["date"], strict=True)]]
    trial = OpenTrial(records(plants, picks, heights, looks=10, reach=190.0), None)
    early = f"{day(35).day} {day(35):%b}"
    assert re.search(rf"B [\d.]+[^;]* on {early}", cells.height_and_reach(trial).html)
    shown = f"{day(62).day} {day(62):%b}"
    assert re.search(rf"B [\d.]+[^;]* on {shown}", cells.yield_so_far(trial).html)
    rows = BeautifulSoup(cells.methods(trial).html, "html.parser")
    for table in rows.find_all("table"):
        if "Height on some days" in table.caption.get_text():
            line = next(tr for tr in table.tbody.find_all("tr") if tr.th.get_text() == "B")
            assert line.find_all("td")[-2].get_text() == "–"
            break
    else:
        pytest.fail("no table of heights")


def test_events_and_notes_are_told() -> None:
    plants = bed("AB", blocks=2, plants=2)
    some = plants["plant"].iloc[:6]
    events = pd.DataFrame({
        "date": [day(70), *[day(60)] * 6, day(64)], "plant": [None, *some, None],
        "plot": [None] * 7 + [plants["plot"].iloc[0]],
        "event": ["storm", *["topped"] * 6, "watered"],
        "note": ["gusts broke two canes.", *[None] * 6, None]})
    text = cells.events(OpenTrial(records(plants, events=events), None)).plain.splitlines()
    assert [line.split(":")[1].split("(")[0].strip(" .") for line in text] == [
        "topped", "watered", "storm"]
    assert "and 2 more" in text[0]
    assert text[2].endswith("storm: gusts broke two canes.")
    assert cells.events(OpenTrial(records(plants), None)).html == ""


def test_ten_thousand_doubts_of_one_kind_are_one_line() -> None:
    doubts = pd.DataFrame({
        "file": "plants.csv", "line": range(2, 10_002), "column": "variety",
        "value": [f"v{i}" for i in range(10_000)], "doubt": "only one plant of it"})
    one = doubts.iloc[[0]].assign(column="row", doubt="no row given")
    shown = cells.doubts(OpenTrial(records(bed("AB"), doubts=pd.concat([doubts, one])), None))
    rows = BeautifulSoup(shown.html, "html.parser").tbody.find_all("tr")
    assert len(rows) == 2
    assert "9,999 more like it" in rows[0].get_text()
    assert "10,001 doubts" in shown.plain


@pytest.mark.parametrize("season", SEASONS)
def test_the_leader_is_the_first_bar_and_the_sentence_is_short(season: str) -> None:
    trial = SEASONS[season]()
    soup = BeautifulSoup(cells.answer(trial).html, "html.parser")
    leader = soup.find(class_="leader")
    assert len(leader.get_text().split()) <= 4
    assert len(soup.find(class_="sentence").get_text().split()) <= 27
    if leader.bdi is not None:
        chart = BeautifulSoup(cells.compared(trial).html, "html.parser").find("svg")
        first = re.search(r"[A-D](?= \d|, the check, \d)", chart["aria-label"].split(". ", 1)[1])
        assert first[0] == leader.bdi.get_text()


@pytest.mark.parametrize("season", SEASONS)
def test_the_chart_is_in_the_unit_of_the_table(season: str) -> None:
    """Each bar is the first figure of its row, in the unit that heads the column."""
    chart = BeautifulSoup(html(season, folded=False), "html.parser").find("figure", id="compared")
    alt = chart.find("svg")["aria-label"]
    for name, cells_ in table_of(season).iterrows():
        told = re.search(rf"(?<!\w){name}(?:, the check,)? ({FIGURE})", alt)[1]
        shown = number(re.match(FIGURE, cells_.iloc[0][0])[0])
        assert number(told) == pytest.approx(shown, rel=0.06)


@pytest.mark.parametrize("season", [
    pytest.param("full", marks=pytest.mark.slow), "level"])
def test_pick_by_pick_says_what_the_report_of_that_day_said(season: str) -> None:
    """The same season cut off after a pick, and its whole answer worked out anew."""
    trial = SEASONS[season]()
    soup = BeautifulSoup(cells.pick_by_pick(trial).html, "html.parser")
    steps = soup.find_all("div", class_="step")
    days = trial.conclusion.totals.known
    assert len(steps) == len(days) == len(soup.find_all("input"))
    assert [one.has_attr("checked") for one in soup.find_all("input")] == (
        [False] * (len(days) - 1) + [True])
    found = trial.records
    for number in (2, len(days) // 2, len(days) - 1):
        upto = days[number - 1]
        plants = found.plants.assign(lost=found.plants["lost"].where(found.plants["lost"] <= upto))
        cut = replace(found, plants=plants, picks=found.picks[found.picks["date"] <= upto])
        facts = cells.answer(OpenTrial(cut, None)).facts
        text = " ".join(steps[number - 1].get_text().split())
        assert f"Pick {number} of {found.trial.looks}, {day_of(OpenTrial(cut, None))[:-5]}" in text
        assert facts["leader"] in text
        assert f". {facts['mark']}" in text
        assert facts["sentence"] in text
    newest = steps[-1].get_text(" ", strip=True)
    facts = cells.answer(trial).facts
    assert facts["leader"] in newest
    assert facts["mark"] in newest


def test_pick_by_pick_is_left_out_where_there_is_nothing_to_choose() -> None:
    for season in ("roots", "heights only", "picked once"):
        assert not cells.pick_by_pick(SEASONS[season]()).html


@cache
def alone() -> OpenTrial:
    """One variety, nothing to compare it with."""
    plants = bed("A", blocks=4, plants=4)
    return OpenTrial(records(plants, picked(plants, {"A": 0.6}, [50 + 4 * k for k in range(6)])),
                     None)


@cache
def one_row_each() -> OpenTrial:
    plants = bed("ABC", blocks=1, plants=12)
    return OpenTrial(records(plants, picked(
        plants, {"A": 0.6, "B": 1.0, "C": 0.5}, [50 + 4 * k for k in range(6)])), None)


@cache
def no_pick() -> OpenTrial:
    return OpenTrial(records(bed("ABC", blocks=4, plants=4)), None)


@pytest.mark.parametrize("made", [alone, one_row_each, no_pick])
def test_why_nothing_is_compared_is_said_once(made) -> None:
    trial = made()
    page = "\n".join(getattr(cells, name)(trial).html for name in OPEN)
    said = " ".join(BeautifulSoup(page, "html.parser").get_text(" ").split()).lower()
    why = trial.conclusion.analysis.ground.why_not.rstrip(".").lower()
    for words in filter(None, (why, "nothing has been counted", "rule out luck",
                               "nothing to compare yet", "only one variety, so")):
        assert said.count(words) <= 1, words
    if made is alone:
        assert "the check" not in BeautifulSoup(cells.compared(trial).html, "html.parser").text
        assert "the others in grey" not in said


def test_flowers_are_not_tasted() -> None:
    trial = level()
    about = replace(trial.records.trial, crop="sunflower")
    tasted = cells.cannot_tell(OpenTrial(replace(trial.records, trial=about), None)).plain
    assert "How they taste" in tasted, "grown for its seeds, for all we know"
    about = replace(about, counted="flowers")
    assert "taste" not in cells.cannot_tell(
        OpenTrial(replace(trial.records, trial=about), None)).plain
    about = replace(about, crop="dahlia", counted="stems")
    assert "taste" not in cells.cannot_tell(
        OpenTrial(replace(trial.records, trial=about), None)).plain
