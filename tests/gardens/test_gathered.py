"""Gathered records: the same as in the folders, open to any Parquet reader, whole or not at all."""

from __future__ import annotations

import dataclasses
import json
import os
import pickle
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_gardens import Size, make_gardens
from same import same_stage

from trialkit import __version__
from trialkit.gardens import gathered
from trialkit.gardens.gathered import GatheredProblem, gather, is_gathered, read_gathered, trials_of
from trialkit.gardens.stage_one import Failed, TrialMeans, trial_means
from trialkit.reading.amounts import price_of
from trialkit.records import Records, read_records
from trialkit.trial import Layout

DATA = Path(__file__).parents[2] / "data"
PUBLIC = sorted((p.parent for p in DATA.rglob("trial.toml")), key=lambda p: p.name != "beans")
SMALL = Size(varieties=3, blocks=2, plants=2, picks=5)


@pytest.fixture(scope="module")
def gardens(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return make_gardens(tmp_path_factory.mktemp("gardens"), 5, SMALL)


def same(one: Records, other: Records) -> None:
    for field in dataclasses.fields(Records):
        left, right = getattr(one, field.name), getattr(other, field.name)
        if isinstance(left, pd.DataFrame):
            pd.testing.assert_frame_equal(left, right, check_exact=True)
        elif field.name != "folder":
            assert left == right, field.name


def test_every_record_comes_back_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathered, "TRIALS_A_GROUP", 2)
    done = gather(PUBLIC, tmp_path / "all", workers=1)
    assert (done.trials, done.failed) == (len(PUBLIC), ())
    for folder, kept in zip(PUBLIC, read_gathered(tmp_path / "all"), strict=True):
        records = kept.read()
        assert isinstance(records, Records)
        same(read_records(folder), records)
        assert records.folder.name == folder.name


def test_every_line_of_a_description_comes_back(tmp_path: Path, gardens: list[Path]) -> None:
    (folder,) = make_gardens(tmp_path / "full", 1, SMALL)
    records = read_records(folder)
    some: dict[str, Any] = {
        "looks": 20, "ended": date(2026, 9, 1), "threshold_per_week": 1.5, "reach_cm": 210.5,
        "day_order": "day first", "source": "a\u2028b", "notes": 'two\n"lines"',
        "harvest_unit": "bushels an acre", "grades": ("large", "small"), "marketable": ("large",),
        "price": price_of("€2.50 a lb", "pods"),
        "marketable_from_g": 150.0, "ready_share": 0.5, "height_unit": "in", "weight_unit": "oz",
    }
    layout = Layout("blocks", 90.0, 30.0, 2, 6, "south", "west", 18)
    full = dataclasses.replace(records.trial, layout=layout, **some)
    back = gathered._trial(json.dumps(dataclasses.asdict(full), default=date.isoformat))
    assert back == full


def test_as_of_a_day(tmp_path: Path) -> None:
    day = date(2025, 8, 1)
    folder = DATA / "beans"
    gather([folder], tmp_path / "then", until=day, workers=1)
    (kept,) = read_gathered(tmp_path / "then")
    for until in (None, day):
        records = kept.read(until)
        assert isinstance(records, Records)
        same(read_records(folder, day), records)
    for ask in (kept.read, lambda until: trials_of([tmp_path / "then"], until)):
        with pytest.raises(GatheredProblem, match="as of 2025-08-01, not as of 2025-08-02"):
            ask(date(2025, 8, 2))


def test_stage_one_is_that_of_the_folders(tmp_path: Path, gardens: list[Path]) -> None:
    gather(gardens, tmp_path / "all", workers=1)
    gathered = list(read_gathered(tmp_path / "all"))
    assert len(gathered) == len(gardens)
    for folder, kept in zip(gardens[:3], gathered[:3], strict=True):
        same_stage(trial_means(folder, words=False), trial_means(kept, words=False))


def test_one_trial_alone_and_sent_to_a_worker(tmp_path: Path, gardens: list[Path]) -> None:
    gather(gardens, tmp_path / "all", workers=1)
    (kept,) = read_gathered(tmp_path / "all", "garden-000003")
    records = pickle.loads(pickle.dumps(kept)).read()
    assert records.trial.title == "Made-up garden 3"
    same(read_records(gardens[3]), records)
    with pytest.raises(GatheredProblem, match="no trial 'garden-9'"):
        read_gathered(tmp_path / "all", "garden-9")


def test_a_folder_that_cannot_be_read_is_kept_with_its_reason(
    tmp_path: Path, gardens: list[Path]
) -> None:
    bad = make_gardens(tmp_path / "more", 1, SMALL)[0]
    with (bad / "picks.csv").open("a") as file:
        file.write("2026-07-09,P999,3\n")
    none = tmp_path / "nowhere"
    done = gather([gardens[1], bad, none], tmp_path / "all", workers=1)
    stages = [trial_means(kept, words=False) for kept in read_gathered(tmp_path / "all")]
    assert isinstance(stages[0], TrialMeans)
    assert stages[1:] == [trial_means(bad), trial_means(none)] == list(done.failed)
    assert "P999" in done.failed[0].reason


def test_folders_of_one_name_are_told_apart(tmp_path: Path) -> None:
    for year in ("2024", "2025"):
        make_gardens(tmp_path / year, 2, SMALL, seed=int(year))
    folders = sorted(tmp_path.glob("*/*"))
    gather(folders, tmp_path / "all", workers=1)
    kept = read_gathered(tmp_path / "all")
    assert [one.trial for one in kept] == [f"{p.parent.name}/{p.name}" for p in folders]
    assert [one.folder for one in kept] == [p.name for p in folders]
    same(read_records(folders[3]), kept[3].read())  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="named twice"):
        gather([folders[0], folders[0]], tmp_path / "twice", workers=1)


def test_any_reader_finds_tables_with_units(tmp_path: Path) -> None:
    done = gather(PUBLIC[:1], tmp_path / "all", workers=1)
    heights = pd.read_parquet(tmp_path / "all" / "heights.parquet")
    beans = read_records(PUBLIC[0])
    assert list(heights.columns) == ["trial", "date", "plant", "plot", "height_cm"]
    assert heights["height_cm"].to_numpy() == pytest.approx(beans.heights["height_cm"].to_numpy())
    picks = pd.read_parquet(tmp_path / "all" / "picks.parquet")
    assert picks["count"].isna().sum() == beans.picks["count"].isna().sum()
    assert picks["count"].sum() == beans.picks["count"].sum()
    schema = pq.read_schema(tmp_path / "all" / "heights.parquet")
    assert schema.field("height_cm").metadata == {b"unit": b"cm"}
    said = pq.ParquetFile(tmp_path / "all" / "heights.parquet").metadata.metadata
    assert said[b"trialkit"].decode() == __version__
    assert said[b"fingerprint"].decode() == done.fingerprint


def test_gathering_again_replaces_the_older(tmp_path: Path, gardens: list[Path]) -> None:
    first = gather(gardens[:2], tmp_path / "all", workers=1)
    before = read_gathered(tmp_path / "all")
    again = gather(gardens, tmp_path / "all", workers=1)
    assert first.fingerprint != again.fingerprint
    assert len(read_gathered(tmp_path / "all")) == 5
    assert [p.name for p in tmp_path.iterdir()] == ["all"]
    assert "written anew" in before[0].read().reason  # type: ignore[union-attr]


def test_other_files_are_never_replaced(tmp_path: Path, gardens: list[Path]) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="other files"):
        gather(gardens, tmp_path, workers=1)
    with pytest.raises(FileExistsError, match="other files"):
        gather(gardens, tmp_path / "notes.txt", workers=1)
    with pytest.raises(ValueError, match="no trial"):
        gather([], tmp_path / "all", workers=1)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_nothing_is_written_where_no_trial_can_be_read(tmp_path: Path, gardens: list[Path]) -> None:
    gather(gardens[:1], tmp_path / "all", workers=1)
    with pytest.raises(GatheredProblem, match=r"No trial could be read\.\s+nowhere: there is no"):
        gather([tmp_path / "nowhere"], tmp_path / "all", workers=1)
    assert [one.folder for one in read_gathered(tmp_path / "all")] == ["garden-000000"]
    assert [p.name for p in tmp_path.iterdir()] == ["all"]


@pytest.mark.slow
def test_the_command_writes_them_and_season_takes_them(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from trialkit.cli import app
    from trialkit.gardens.season import season

    to = tmp_path / "barley"
    ran = CliRunner().invoke(app, ["export", str(DATA / "barley-minnesota"), "--out", str(to)])
    assert ran.exit_code == 0, ran.output
    assert "12 written, 0 could not be read" in ran.output
    folders = sorted(p.parent for p in (DATA / "barley-minnesota").glob("*/trial.toml"))
    left, right = season(folders), season([to])
    assert left.answer == right.answer
    pd.testing.assert_frame_equal(left.overall, right.overall, check_exact=True)
    ran = CliRunner().invoke(app, ["gather", str(folders[0]), "--out", str(DATA)])
    assert ran.exit_code == 6
    assert "holds other files already" in ran.output


@pytest.mark.parametrize("step", ["fsync", "rename"])
def test_a_failure_leaves_the_older_as_it_was(
    tmp_path: Path, gardens: list[Path], monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    gather(gardens[:2], tmp_path / "all", workers=1)
    real = getattr(os, step)

    def fails(*args: object) -> None:
        if step == "rename" and not str(args[0]).endswith(".part"):
            real(*args)
            return
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(gathered.os, step, fails)
    with pytest.raises(OSError, match="No space"):
        gather(gardens, tmp_path / "all", workers=1)
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["all"]
    assert isinstance(read_gathered(tmp_path / "all")[1].read(), Records)


def test_spoilt_files_are_named(tmp_path: Path, gardens: list[Path]) -> None:
    gather(gardens[:2], tmp_path / "all", workers=1)
    kept = read_gathered(tmp_path / "all")
    for name in ("picks", "trials"):
        path = tmp_path / "all" / f"{name}.parquet"
        path.write_bytes(path.read_bytes()[:-20])
    found = kept[0].read()
    assert isinstance(found, Failed)
    assert "picks.parquet cannot be read" in found.reason
    assert trial_means(kept[0]) == found
    with pytest.raises(GatheredProblem, match=r"trials\.parquet cannot be read"):
        read_gathered(tmp_path / "all")
    with pytest.raises(GatheredProblem, match="does not hold gathered records"):
        read_gathered(gardens[0])


def test_folders_and_gathered_records_together(tmp_path: Path, gardens: list[Path]) -> None:
    gather(gardens[:2], tmp_path / "all", workers=1)
    assert is_gathered(tmp_path / "all")
    found = trials_of([gardens[4], tmp_path / "all"])
    assert found[0] == gardens[4]
    assert [one.folder for one in found[1:]] == ["garden-000000", "garden-000001"]  # type: ignore[union-attr]
    assert not any(isinstance(one, Failed) for one in found)


def test_what_a_trial_is_adjusted_for_comes_back(tmp_path: Path) -> None:
    """Each trial has columns of its own, and most have none."""
    folders = []
    for at, names in enumerate((("shade", "soil test"), ("stand",), ())):
        folder = tmp_path / f"g{at}"
        folder.mkdir()
        folders.append(folder)
        (folder / "trial.toml").write_text(
            f'title = "T{at}"\ncrop = "beans"\nplanted = 2026-05-01\n'
            f"covariates = {list(names)}\n".replace("'", '"')
            + "".join(f'[[varieties]]\nname = "{v}"\n' for v in "AB"))
        numbers = [f"{0.1 + k / 3},{k - 2}" for k in range(4)]
        (folder / "plants.csv").write_text("\n".join(
            ",".join(["plant,variety,block", *names][: 1 + len(names)]) if k < 0 else
            ",".join([f"{'AB'[k % 2]}{k},{'AB'[k % 2]},{k // 2 + 1}",
                      *numbers[k].split(",")[: len(names)]]) for k in range(-1, 4)) + "\n")
        (folder / "picks.csv").write_text("date,plant,count\n2026-07-01,A0,3\n")
    gather(folders, tmp_path / "all")
    for folder, kept in zip(folders, read_gathered(tmp_path / "all"), strict=True):
        read = kept.read()
        assert isinstance(read, Records)
        same(read_records(folder), read)
