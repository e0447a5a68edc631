"""The plan notebook's cells and the commands `plan` and `paper`."""

import re
from datetime import date

import pytest
import typer
from typer.testing import CliRunner

from trialkit.commands import planting
from trialkit.design.request import read_drawing
from trialkit.power import power_of_treatment, setup_of
from trialkit.power.exact import power_by_blocks
from trialkit.records import read_records
from trialkit.records.start import start_trial
from trialkit.report import planning, planpower
from trialkit.report.opentrial import CellStop
from trialkit.wording import day

FIVE = ["Blue Lantern", "<b>Copper</b>", "$Dawn$ Fiddle", "Evening Kite", "Frost Drum"]

app = typer.Typer()
app.command()(planting.plan)
app.command()(planting.paper)
runner = CliRunner()


def options(*names):
    return [part for name in names for part in ("--variety", name)]


@pytest.fixture(scope="module")
def plan():
    return planning.lay_out(varieties=FIVE, seed=3, blocks=4, plants=2, room_cm=None, sun="")


def test_heading_tells_the_size_and_the_seed(plan):
    block = planning.heading(plan)
    assert "5 varieties, 4 plots of each, 20 plots in all, 40 plants" in block.plain
    assert "Seed 3." in block.plain


def test_the_map_is_a_picture_with_words_and_runs_nothing(plan):
    block = planning.bed_map(plan)
    assert 'role="img"' in block.html
    assert "<b>Copper" not in block.html
    assert "&lt;b&gt;Copper" in block.html
    assert block.html.count("<svg") == 1
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", block.html)


def test_chance_says_what_was_assumed_and_what_helps(plan):
    text = planpower.chance(plan, 1.5).plain
    assert "earliness or a trait of your own this doesn't tell" in text
    assert "ask again with --picks" in text
    assert "Our guess" in text
    assert "in every season" not in text
    assert re.search(r"the report names it in \d+ % of seasons", text)
    assert "judged after each of 20 picks as the report does" in text
    assert "More blocks beat more plants" in text


def test_one_plot_of_each_is_told_plainly():
    alone = planning.lay_out(varieties=FIVE, blocks=1, seed=1)
    assert "can't compare anything" in planpower.chance(alone).plain
    assert "Nothing to try out" in planpower.with_losses(alone).plain
    assert "can't be separated" in planning.heading(alone).plain


def test_a_split_plot_is_told_what_it_shows_between_its_treatments(plan):
    halves = planning.lay_out(varieties=FIVE[:3], layout="split", blocks=4, seed=1)
    spread = planpower.spread(plot=0.15, plant=0.3, pick=0.6, part=0.1)
    text = planpower.chance(halves, 1.2, spread=spread).plain
    found = re.search(r'"topped" and "not topped", .* 1.2 times in (\d+) % of seasons', text)
    assert found
    expected = power_of_treatment(1.2, setup_of(halves.planting, 20), spread)
    assert int(found[1]) == round(100 * expected)
    assert "parts of one plot 10 %" in text
    assert "Between" not in planpower.chance(plan, 1.5).plain


def test_power_picture_has_the_facts_in_words(plan):
    curve = power_by_blocks(1.5, setup_of(plan.planting), planpower.Spread())
    picture = planpower.draw_power(curve, 1.5)
    four = curve[(curve["plants"] == 4) & (curve["blocks"] == 12)]["power"].iloc[0]
    assert f"{100 * four:.0f} % with 12" in picture.alt
    assert "80 %" in picture.alt
    lines = picture.figure.axes[0].lines
    assert len({line.get_marker() for line in lines[1:]}) == len(lines) - 1


@pytest.mark.slow
def test_ways_are_listed_cheapest_first(plan):
    block = planpower.ways(plan, 1.5)
    assert "plants in all" in block.plain
    none = planpower.ways(plan, 1.01)
    assert "No plan of up to 60 blocks" in none.plain


def test_losses_are_tried_out_in_made_up_seasons(plan):
    text = planpower.with_losses(plan, 3.0, picks=2, seasons=8).plain
    assert "8 made-up seasons" in text


def test_impossible_plans_stop_the_cell_with_the_nearest_ones():
    with pytest.raises(CellStop, match="a 5 x 5 Latin square"):
        planning.lay_out(varieties=FIVE, layout="latin", blocks=4)
    with pytest.raises(CellStop, match="wrong_word"):
        planning.lay_out(varieties=FIVE, wrong_word=4)
    with pytest.raises(CellStop, match="spread of a plot"):
        planpower.spread(plot=-1)


@pytest.mark.usefixtures("no_paper")
def test_writing_needs_a_folder_and_never_replaces_a_trial(plan, tmp_path):
    assert "Nothing was written" in planning.write(plan, "").plain
    assert "Written to" in planning.write(plan, str(tmp_path / "t")).plain
    before = (tmp_path / "t" / "plants.csv").read_bytes()
    again = planning.write(planning.lay_out(varieties=FIVE, seed=9), str(tmp_path / "t"))
    assert "Nothing was written" in again.plain
    assert (tmp_path / "t" / "plants.csv").read_bytes() == before


def test_plan_command_writes_a_sound_trial_and_paper(tmp_path):
    folder = tmp_path / "beans"
    done = runner.invoke(
        app,
        [
            "plan",
            str(folder),
            *options("A", "B", "C"),
            "--title",
            "Beans",
            "--planted",
            "2031-03-04",
            "--blocks",
            "3",
            "--plants",
            "2",
            "--sun",
            "shade from the west",
            "--seed",
            "4",
            "--reach",
            "7 ft",
            "--heights",
            "ft-in",
            "--weights",
            "oz",
            "--room",
            "12x6",
        ],
    )
    assert done.exit_code == 0, done.output
    assert "Seed 4." in done.output
    assert "in 8 trials of 10" in done.output
    records = read_records(folder)
    assert records.doubts.empty
    assert len(records.plants) == 18
    assert {one.name for one in (folder / "paper").iterdir()} >= {
        "bed-map-a4.pdf",
        "stake-labels-a4.pdf",
        "pick-sheet-a4.pdf",
        "height-sheet-a4.pdf",
    }
    again = runner.invoke(app, ["plan", str(folder), *options("A", "B")])
    assert again.exit_code == 6
    letter = runner.invoke(app, ["paper", str(folder), "--paper", "letter", "--label", "90x30"])
    assert letter.exit_code == 0, letter.output
    assert (folder / "paper" / "pick-sheet-letter.pdf").exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--layout", "latin"], "a 3 x 3 Latin square"),
        (["--layout", "spiral"], "spiral"),
        (["--room", "1x1"], "a bed of"),
        (["--label", "300x20"], "does not work on A4"),
        (["--label", "big"], "60x25"),
        (["--paper", "A5"], "A4 or Letter"),
        (["--planted", "4/3/2031"], "It could be"),
        (["--planted", "4/3/2031"], "2026-07-03, or the month by name, 3 Jul 2026"),
        (["--planted", "the 4th"], "Write: year first"),
        (["--row-spacing", "3 apples"], "'apples' is not a unit"),
        (["--plant-spacing", "-3"], "cannot be below zero"),
        (["--aisle", "half a yard"], "The aisle 'half a yard'"),
        (["--room", "12"], '12x4 (metres), or "40 x 13 ft"'),
        (["--top", "up"], "north"),
    ],
)
def test_wrong_options_are_explained_and_nothing_is_written(arguments, says, tmp_path):
    folder = tmp_path / "beans"
    done = runner.invoke(app, ["plan", str(folder), *options("A", "B", "C"), *arguments])
    assert done.exit_code == 2
    assert says in re.sub(r"\s+", " ", re.sub(r"[│╭╮╰╯─]", "", done.output))
    assert not folder.exists()


def test_paper_needs_a_trial_with_plants(tmp_path):
    assert runner.invoke(app, ["paper", str(tmp_path)]).exit_code == 4
    (tmp_path / "trial.toml").write_text('title = "T"\n')
    assert runner.invoke(app, ["paper", str(tmp_path)]).exit_code == 3


@pytest.mark.usefixtures("no_paper")
def test_options_read_lengths_and_dates_as_tables_do(tmp_path):
    folder = tmp_path / "feet"
    arguments = ["--row-spacing", "3 ft", "--plant-spacing", "1 ft 6 in", "--aisle", "2 ft",
                 "--room", "60 ft x 40 ft", "--planted", "May 4, 2031"]  # fmt: skip
    done = CliRunner().invoke(app, ["plan", str(folder), *options("A", "B"), *arguments])
    assert done.exit_code == 0, done.output
    assert "The day of planting is set to today" not in done.output
    trial = read_records(folder).trial
    assert trial.planted == date(2031, 5, 4)
    assert trial.layout.row_spacing_cm == pytest.approx(91.44)
    assert trial.layout.plant_spacing_cm == pytest.approx(45.72)
    drawn = read_drawing(folder / "plan.toml")
    assert drawn.geometry.aisle_cm == pytest.approx(60.96)


@pytest.mark.usefixtures("no_paper")
def test_a_date_in_figures_is_read_where_trial_toml_says_which_comes_first(tmp_path):
    start_trial(tmp_path / "t")
    toml = tmp_path / "t" / "trial.toml"
    text = toml.read_text().replace("First variety", "Red").replace("Second variety", "Blue")
    text = text.replace('planted = ""', 'planted = 2025-04-01\ndates = "month first"')
    toml.write_text(text)
    other = CliRunner().invoke(app, ["plan", str(tmp_path / "t"), "--planted", "1/4/25"])
    assert "planted: trial.toml says 2025-04-01, asked for is 2025-01-04" in other.output
    again = CliRunner().invoke(app, ["plan", str(tmp_path / "t"), "--planted", "4/1/25"])
    assert again.exit_code == 0, again.output


@pytest.mark.usefixtures("no_paper")
def test_a_day_of_planting_nobody_named_is_told(tmp_path):
    done = CliRunner().invoke(app, ["plan", str(tmp_path / "t"), *options("A", "B")])
    assert done.exit_code == 0
    assert f"set to today, {day(date.today(), year=True)}" in done.output
    assert read_records(tmp_path / "t").trial.planted == date.today()


def test_past_tenfold_a_bed_is_too_small_to_compare(tmp_path):
    """Two varieties in two blocks: one degree of freedom, and once "118.64 times" was promised."""
    done = CliRunner().invoke(
        app, ["plan", str(tmp_path / "t"), *options("A", "B"), "--blocks", "2", "--plants", "2"]
    )
    assert "too small to compare" in done.output
    assert "in 8 trials of 10" not in done.output
    small = planning.lay_out(varieties=["A", "B"], blocks=2, plants=2, seed=1)
    told = planpower.chance(small).plain
    assert "too small to compare" in told
    assert "The smallest ratio" not in told
    large = planning.lay_out(varieties=["A", "B"], blocks=6, plants=4, seed=1)
    assert "too small" not in planpower.chance(large).plain


@pytest.mark.usefixtures("no_paper")
def test_picks_and_looks_are_asked_for_together_and_what_few_looks_cost_is_told(tmp_path):
    words = {}
    for name, more in {
        "same": [], "one look": ["--looks", "1", "--picks", "10"],
        "short": ["--looks", "20", "--picks", "10"],
    }.items():  # fmt: skip
        arguments = ["plan", str(tmp_path / name), *options("A", "B", "C"), *more]
        words[name] = CliRunner().invoke(app, arguments).output

    def promised(text):
        return float(re.search(r"yields ([\d.]+) times the check would then be named", text)[1])

    assert "ended" not in words["same"]
    assert "You plan 1 look for 10 picks; with looks = 10 in trial.toml" in words["one look"]
    enough = float(re.search(r"first pick, ([\d.]+) times is enough", words["one look"])[1])
    assert enough < promised(words["one look"])
    late = re.search(r"after 10 of 20 planned looks, it shows only ([\d.]+) times", words["short"])
    assert float(late[1]) > promised(words["short"]) + 0.2
    assert "Write ended = the last day in trial.toml when picking stops" in words["short"]


def test_learned_spreads_are_told_at_their_estimate_and_at_their_upper_limit(tmp_path):
    (tmp_path / "spread.toml").write_text(
        "[plot]\nspread = 0.1\nlearned = true\nlow = 0.0\nhigh = 0.3\n"
        "[plant]\nspread = 0.3\nlearned = false\n[pick]\nspread = 0.6\nlearned = false\n"
    )
    learned = planpower.spread(tmp_path)
    text = planpower.reach_words(planning.lay_out(varieties=FIVE, seed=1).planting, spread=learned)
    at = float(re.search(r"yields ([\d.]+) times", text)[1])
    limit = float(re.search(r"allow \(30 %\), it takes ([\d.]+) times", text)[1])
    assert limit > at * 1.2
    (tmp_path / "spread.toml").write_text("[plot]\nspread = 0.1\nlearned = true\nlow = 0.0\n")
    open_end = planpower.spread(tmp_path)
    text = planpower.reach_words(planning.lay_out(varieties=FIVE, seed=1).planting, spread=open_end)
    assert "no upper limit" in text


@pytest.mark.usefixtures("no_paper")
def test_a_dry_run_says_what_the_bed_can_show_and_writes_nothing(tmp_path):
    arguments = ["plan", str(tmp_path / "t"), *options("A", "B"), "--seed", "3"]
    dry = CliRunner().invoke(app, [*arguments, "--dry-run"])
    assert dry.exit_code == 0, dry.output
    assert list(tmp_path.iterdir()) == []
    assert "in 8 trials of 10" in dry.output
    assert "Nothing was written" in dry.output
    wet = CliRunner().invoke(app, arguments)
    assert dry.output.splitlines()[0] == wet.output.splitlines()[0]
    again = CliRunner().invoke(app, [*arguments, "--dry-run"])  # where a trial stands, too
    assert again.exit_code == 0, again.output
