"""Next season's trial from earlier ones: what is kept, what is learned, what is proposed."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from trialkit import shipped
from trialkit.cli import app
from trialkit.decide import conclude
from trialkit.gardens.carryover import carry_over, proposals
from trialkit.gardens.components import KINDS, read_spread
from trialkit.power import Spread
from trialkit.records import read_records
from trialkit.report import planpower
from trialkit.report.opentrial import CellStop
from trialkit.trial import parse_trial

BARLEY = shipped.demo().parent / "barley-minnesota"


@pytest.fixture(scope="module")
def beans(tmp_path_factory):
    """The trial that follows the demo trial, and what was said of it."""
    folder = tmp_path_factory.mktemp("next") / "beans-2026"
    return folder, carry_over(folder, [shipped.demo()])


def _filled(text: str) -> str:
    return text.replace('planted = ""', "planted = 2026-05-20")


def test_settings_and_check_are_kept_and_the_planting_day_is_not(beans):
    folder, _ = beans
    new = parse_trial(_filled((folder / "trial.toml").read_text(encoding="utf-8")))
    old = read_records(shipped.demo()).trial
    for name in ("garden", "crop", "counted", "reach_cm", "looks", "threshold_per_week", "check",
                 "height_unit", "weight_unit", "day_order", "harvest_unit"):  # fmt: skip
        assert getattr(new, name) == getattr(old, name), name
    assert new.layout.row_spacing_cm == old.layout.row_spacing_cm
    assert new.layout.plant_spacing_cm == old.layout.plant_spacing_cm
    assert (new.title, new.invented, new.notes, new.layout.seed) == ("beans-2026", False, "", None)
    assert set(new.variety_names) == set(old.variety_names), "nothing was decided"
    assert 'planted = ""' in (folder / "trial.toml").read_text(encoding="utf-8")


def test_other_settings_are_kept_too(tmp_path):
    carry_over(tmp_path / "oats", [shipped.trials()["oats-1935"]])
    new = parse_trial(_filled((tmp_path / "oats" / "trial.toml").read_text(encoding="utf-8")))
    old = read_records(shipped.trials()["oats-1935"]).trial
    assert (new.harvest_unit, new.crop) == (old.harvest_unit, old.crop)


def test_the_reasons_follow_the_known_truth_of_the_demo_trial(beans):
    """data/beans/truth.json: against Tallow Lane Quarterbell truly gives 1.6 times a living
    plant (1.7 a plant planted here, where it lost none of 24 and the check one), Thimblerow
    0.7 times, but more within reach, Dunmirren the same."""
    said = {one.variety: one for one in beans[1].proposals}
    assert said["Tallow Lane"].check
    assert said["Quarterbell"].reasons[0].startswith("clearly better: 1.7 times (")
    assert said["Dunmirren"].reasons[0].startswith("not settled")
    assert "more within reach than Tallow Lane" in said["Thimblerow"].reasons[0]
    assert all(one.keep for one in said.values())


def test_what_is_clearly_worse_is_proposed_to_go_with_its_interval(tmp_path):
    """Strawberries: R1 is the one variety that can be told from the best in the shipped report's
    own pairs."""
    done = carry_over(tmp_path / "new", [shipped.trials()["strawberries"]])
    gone = {one.variety: one.reasons[0] for one in done.proposals if not one.keep}
    assert set(gone) == {"R1"}
    assert "clearly worse" in gone["R1"]
    analysis = conclude(read_records(shipped.trials()["strawberries"])).analysis
    pairs = analysis.harvest.pairs
    row = pairs[(pairs["left"] == "R1") | (pairs["right"] == "R1")]
    assert (row[["low", "high"]].prod(axis=1) > 0).any()
    text = (tmp_path / "new" / "trial.toml").read_text(encoding="utf-8")
    before = text.split('name = "R1"')[0].rsplit("\n\n", 1)[1]
    assert before.startswith("# Proposed to leave out; it is your choice: clearly worse")
    names = [v["name"] for v in tomllib.loads(text)["varieties"]]
    assert "R1" in names, "the grower deletes, the program does not"


def test_without_repetition_there_is_no_ground_to_drop_anything(tmp_path):
    olds = [BARLEY / "waseca-1931", BARLEY / "waseca-1932"]
    done = carry_over(tmp_path / "new", olds)
    assert len(done.proposals) == 10
    for one in done.proposals:
        assert one.keep
        assert one.reasons == (
            "waseca-1932 and waseca-1931: no ground to drop it: each variety stands in one plot "
            "only, so nothing can separate it from its place",
        )
    assert done.learned is None
    assert all("teaches no spread" in line for line in done.told)
    assert not (tmp_path / "new" / "spread.toml").exists()


def test_worse_once_but_open_elsewhere_stays():
    conclusion = conclude(read_records(shipped.trials()["strawberries"]))
    open_one = conclude(read_records(BARLEY / "waseca-1931"))
    both = {one.variety: one for one in proposals([("a", conclusion), ("b", open_one)])}
    assert not both["R1"].keep, "what cannot compare neither saves nor condemns"
    assert both["Trebi"].keep


def test_the_spread_file_says_what_was_learned_and_reads_back(beans):
    folder, done = beans
    found = read_spread(folder / "spread.toml")
    for kind in KINDS:
        assert getattr(found, kind) == pytest.approx(done.learned.of(kind).sd, rel=1e-2)
    assert read_spread(folder) == found
    assert found.told[0].startswith("Spread between plots of one variety in one block: 8 % (95 %")
    assert found.told[-1] == "Learned from beans."


def test_the_demo_trials_true_spreads_lie_in_the_learned_limits(beans):
    """data/beans/truth.json, log_sd: plot 0.10, plant 0.22."""
    learned = beans[1].learned
    assert learned.plot.low < 0.10 < learned.plot.high
    assert learned.plant.low < 0.22 < learned.plant.high


def test_the_planning_notebook_takes_the_learned_spreads(beans):
    folder, _ = beans
    spread = planpower.spread(str(folder), plot=0.5, plant=0.5, pick=0.5, part=0.1)
    assert spread.plot < 0.2
    assert spread.part == 0.1
    words = planpower.spread_words(spread, 10)
    assert "Learned from beans." in words
    assert "guess" not in words
    assert "Our guess" in planpower.spread_words(planpower.spread(plot=0.2), 10)
    with pytest.raises(CellStop):
        planpower.spread(str(folder / "nothing.toml"))


@pytest.mark.parametrize(
    ("text", "says"),
    [("[plot]\nspread = -1\n", "plot: spread is -1; 0 to 10 is accepted"),
     ("[plot]\nspread = true\n", "plot: spread is True"),
     ("plot = 3\n", "it is not a part"),
     ("[plot\n", "it is not|not TOML"),
     ('[pick]\nspread = "much"\n', "pick: spread is 'much'")],
)  # fmt: skip
def test_a_spoilt_spread_file_is_refused_by_name(text, says, tmp_path):
    path = tmp_path / "spread.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=says):
        read_spread(path)


def test_what_was_not_learned_is_said_to_be_a_guess(tmp_path):
    (tmp_path / "spread.toml").write_text("[plot]\nspread = 0.2\nlearned = true\n", "utf-8")
    found = read_spread(tmp_path)
    assert (found.plot, found.plant) == (0.2, Spread().plant)
    assert "a guess" in found.told[1]


def test_nothing_is_written_over_and_the_old_trial_is_as_it_was(tmp_path):
    old = tmp_path / "old"
    shipped.copy_trial(shipped.trials()["strawberries"], old)
    before = {p.name: p.read_bytes() for p in old.iterdir()}
    with pytest.raises(FileExistsError):
        carry_over(old, [old])
    carry_over(tmp_path / "new", [old])
    assert {p.name: p.read_bytes() for p in old.iterdir()} == before


def test_several_crops_or_none_are_refused(tmp_path):
    trials = shipped.trials()
    with pytest.raises(ValueError, match="several crops: oats, strawberry|strawberry, oats"):
        carry_over(tmp_path / "new", [trials["oats-1935"], trials["strawberries"]])
    with pytest.raises(ValueError, match="at least one"):
        carry_over(tmp_path / "new", [])
    assert not (tmp_path / "new").exists()


def test_names_that_could_end_a_comment_do_not(tmp_path):
    """A line break in a TOML name must not begin a line of its own in the new file."""
    old = tmp_path / "old"
    shipped.copy_trial(shipped.trials()["strawberries"], old)
    evil = '"Re\\nplanted = 1\\u0007"'
    toml = (old / "trial.toml").read_text(encoding="utf-8").replace('"Re"', '"Re # x"')
    (old / "trial.toml").write_text(toml, encoding="utf-8")
    for name in ("plants.csv", "harvest.csv"):
        text = (old / name).read_text(encoding="utf-8").replace(",Re,", ",Re # x,")
        (old / name).write_text(text, encoding="utf-8")
    carry_over(tmp_path / f"new {evil.replace('/', '')}"[:40], [old])
    made = next(p for p in tmp_path.iterdir() if p.name.startswith("new"))
    found = parse_trial(_filled((made / "trial.toml").read_text(encoding="utf-8")))
    assert "Re # x" in found.variety_names


@pytest.mark.usefixtures("no_paper")
def test_the_command_tells_what_it_learned_and_proposes(tmp_path):
    runner = CliRunner()
    new, old = tmp_path / "new", shipped.trials()["strawberries"]
    result = runner.invoke(app, ["new", str(new), "--from", str(old)])
    assert result.exit_code == 0, result.output
    assert "strawberries: plot 0.18" in result.output
    assert "R1 might go: clearly worse" in result.output
    assert (new / "spread.toml").is_file()
    assert runner.invoke(app, ["new", str(new), "--from", str(old)]).exit_code == 6
    assert runner.invoke(app, ["new", str(tmp_path / "b"), "--from", str(tmp_path)]).exit_code == 4
    bed = runner.invoke(app, ["plan", str(tmp_path / "bed"), "-v", "A", "-v", "B", "--learned",
                              str(new)])  # fmt: skip
    assert bed.exit_code == 0, bed.output
    assert "Learned from strawberries." in bed.output


def test_plain_new_is_as_it_was(tmp_path: Path):
    result = CliRunner().invoke(app, ["new", str(tmp_path / "plain")])
    assert result.exit_code == 0
    assert not (tmp_path / "plain" / "spread.toml").exists()


def test_price_and_seed_costs_are_kept(tmp_path):
    shutil.copytree(shipped.demo(), tmp_path / "beans")
    described = tmp_path / "beans" / "trial.toml"
    text = described.read_text(encoding="utf-8")
    head, first, rest = text.partition("[[varieties]]\n")
    described.write_text('price = "€0.20 a pod"\n' + head + first + "seed_cost = 0.15\n" + rest,
                         encoding="utf-8")
    old = read_records(tmp_path / "beans").trial
    carry_over(tmp_path / "next", [tmp_path / "beans"])
    new = parse_trial(_filled((tmp_path / "next" / "trial.toml").read_text(encoding="utf-8")))
    assert new.price == old.price
    assert new.price is not None
    assert {v.name: v.seed_cost for v in new.varieties} == {
        v.name: v.seed_cost for v in old.varieties}
