"""Record sheets: several days across, baskets, a dig day, the gardener's own traits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from test_paper import BOTH, FIVE, height_sheets, overflows, pick_sheets, words_of
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.design.bed import Bed, bed_of
from trialkit.design.layouts import lay_out
from trialkit.design.paper import A4, LETTER, Paper
from trialkit.design.planfolder import Printing, print_paper
from trialkit.design.request import PlanRequest
from trialkit.design.sheets import (
    dig_sheets,
    print_sheets,
    trait_forms,
    trait_sheets,
)
from trialkit.trial import OwnTrait

TRAITS = (
    OwnTrait("mildew", "score", words=("none", "some", "much"), better="less"),
    OwnTrait("vigour", "score", low=1, high=9, ends=("weak", "strong")),
    OwnTrait("stem length", "measure", unit="cm"),
    OwnTrait("open flowers", "count"),
    OwnTrait("wilted", "yes or no"),
    OwnTrait("damaged", "share"),
    OwnTrait("first bloom", "day"),
    OwnTrait("cover", "share", on="plot"),
)


def small(**changes: object) -> Bed:
    made = bed_of(
        lay_out(PlanRequest(FIVE[:3], blocks=2, plants=3, seed=4)), title="Crossing Road beans",
        crop="beans",
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def text_of(figures: list, path: Path) -> str:
    print_sheets(figures, path, "sheet")
    return " ".join(" ".join(words_of(path)).split())


def test_fifteen_picks_of_forty_eight_plants_take_far_fewer_pages() -> None:
    planted = bed_of(lay_out(PlanRequest(FIVE[:3], blocks=4, plants=4, seed=1)), title="Beans")
    one_day = 15 * len(pick_sheets(planted, days=1))
    weighed = len(pick_sheets(planted)) * -(-15 // 6)
    counted = len(pick_sheets(planted, weigh=False)) * -(-15 // 13)
    assert one_day == 30
    assert (weighed, counted) == (9, 6)


@pytest.mark.parametrize("sheet", [A4, LETTER], ids=lambda sheet: sheet.name)
def test_days_stand_side_by_side_and_each_has_a_box_for_its_date(sheet: Paper) -> None:
    figure = pick_sheets(small(), sheet)[0]
    texts = [text.get_text() for text in figure.axes[0].texts]
    assert texts.count("pods") == texts.count("g") == 6
    assert "6 days side by side: write the date above each." in " ".join(texts)
    heights = [text.get_text() for text in height_sheets(small(), sheet)[0].axes[0].texts]
    assert heights.count("cm") == (11 if sheet is LETTER else 10)


def test_more_days_than_fit_are_refused_with_how_many_do() -> None:
    with pytest.raises(ValueError, match="7 days do not fit side by side on A4. Write: --days 1"):
        pick_sheets(small(), days=7)


def test_a_basket_sheet_has_a_line_a_plot_with_its_plants_alive(tmp_path: Path) -> None:
    figures = pick_sheets(small(lost=frozenset(["101a"])), baskets=True)
    assert len(figures) == 1
    texts = [text.get_text() for text in figures[0].axes[0].texts]
    plots = sorted(small().plants["plot"].unique())
    assert sorted(text for text in texts if text in plots) == plots
    assert sum(text.startswith("2 plants") for text in texts) == 1
    assert sum(text.startswith("3 plants") for text in texts) == 5
    assert "One basket a plot." in text_of(figures, tmp_path / "b.pdf")


def test_baskets_need_plots() -> None:
    with pytest.raises(ValueError, match=r"plants\.csv names no plot with several plants"):
        pick_sheets(small(plots_named=False), baskets=True)


def test_a_dig_day_sheet_has_each_grade_and_the_cautions_of_digging(tmp_path: Path) -> None:
    words = text_of(dig_sheets(small(grades=("large", "small"))), tmp_path / "d.pdf")
    for word in ("large", "small", "how", "weight,", "Shake off the soil", "Fork and spade"):
        assert word in words, word
    assert "grade" in text_of(dig_sheets(small()), tmp_path / "e.pdf")


def test_own_traits_have_boxes_and_say_what_to_write(tmp_path: Path) -> None:
    words = text_of(trait_sheets(small(traits=TRAITS), A4), tmp_path / "t.pdf")
    for said in (
        "mildew: 1 = none, 2 = some, 3 = much.", "vigour: 1 (weak) to 9 (strong).",
        "stem length: a number in cm.", "open flowers: how many; none: 0.",
        "wilted: yes or no.", "damaged: how many of how many, 3/20.",
        "first bloom: the date you first see it.", "cover: how many of how many, 3/20.",
    ):  # fmt: skip
        assert said in words, said
    forms = trait_forms(small(traits=TRAITS), A4)
    assert [form.baskets for form in forms] == [False, False, True]
    assert trait_sheets(small()) == []


@pytest.mark.parametrize("sheet", BOTH, ids=lambda sheet: sheet.name)
def test_nothing_runs_off_the_new_sheets(sheet: Paper) -> None:
    long = tuple(OwnTrait(f"an endless name of a trait {n} " * 3, "count") for n in range(11))
    crowded = small(
        title="An endless name of a trial " * 8, traits=(*TRAITS, *long), counted="x" * 40,
        grades=tuple(f"a long grade {n}" for n in range(7)),
    )
    for figure in (*pick_sheets(crowded, sheet, baskets=True), *dig_sheets(crowded, sheet)[:1],
                   *trait_sheets(crowded, sheet)):  # fmt: skip
        assert overflows(figure, sheet) == []


@pytest.mark.slow
def test_whoever_records_blind_gets_no_name_and_the_key_lies_apart(tmp_path: Path) -> None:
    made = print_paper(small(traits=TRAITS[:1]), tmp_path / "paper", A4, Printing(blind=True))
    apart = {path.name for path, _ in made if path.parent == tmp_path / "key"}
    assert apart == {"key.csv", "bed-map-a4.pdf"}
    key = (tmp_path / "key" / "key.csv").read_text()
    plots = small().plants.drop_duplicates("plot").set_index("plot")["variety"]
    assert key.splitlines()[0] == "plot,variety"
    assert set(key.splitlines()[1:]) == {f"{plot},{name}" for plot, name in plots.items()}
    for path in (tmp_path / "paper").iterdir():
        text = path.read_text() if path.suffix == ".svg" else " ".join(words_of(path))
        assert not any(name in text for name in FIVE), path


def test_a_trial_planned_blind_stays_blind_on_paper_and_phone(tmp_path: Path) -> None:
    folder = tmp_path / "t"

    def run(*words: object) -> None:
        done = CliRunner().invoke(app, [str(word) for word in words])
        assert done.exit_code == 0, done.output

    run("plan", folder, "-v", "Blue Lantern", "-v", "Copper Bell", "--blocks", "2", "--plants",
        "1", "--blind")  # fmt: skip
    sheet = folder / "paper" / "pick-sheet-a4.pdf"
    run("paper", folder)
    run("phone", folder)
    assert "Copper Bell" not in " ".join(words_of(sheet))
    assert "Copper Bell" not in (folder / "phone.html").read_text()
    run("paper", folder, "--names")
    assert "Copper Bell" in " ".join(words_of(sheet))


def test_a_crop_dug_once_gets_a_dig_day_sheet_in_place_of_pick_sheets(tmp_path: Path) -> None:
    made = print_paper(small(), tmp_path, A4, Printing(once=True))
    names = {path.name for path, _ in made}
    assert "dig-sheet-a4.pdf" in names
    assert "pick-sheet-a4.pdf" not in names
