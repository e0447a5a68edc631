"""Whatever the files hold, only RecordsError and TrialProblems come out, and nothing is written.

A few examples here; `python tests/faults/fault_records.py` runs ten thousand.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from fuzzed import (
    ADDED,
    PLOTS,
    SOUND,
    TASTING,
    added_file,
    spoilt_tasting,
    spoilt_trial,
    workbook_bytes,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.records import Records, RecordsError, read_records
from trialkit.records.incoming.add import add_files
from trialkit.records.tastings import read_tasting
from trialkit.trial import TrialProblems

QUICK = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def read(files: dict[str, bytes]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, content in files.items():
            (folder / file).write_bytes(content)
        try:
            assert isinstance(read_records(folder), Records)
        except (RecordsError, TrialProblems) as error:
            assert str(error)  # noqa: PT017
            assert len(error.problems)  # noqa: PT017
        assert {p.name: p.read_bytes() for p in folder.iterdir()} == files


@QUICK
@given(spoilt_trial())
def test_spoilt_tables(files: dict[str, bytes]) -> None:
    read(files)


@QUICK
@given(workbook_bytes())
def test_spoilt_workbooks(content: bytes) -> None:
    read({**{k: v for k, v in SOUND.items() if k != "picks.csv"}, "picks.xlsx": content})


@QUICK
@given(
    st.binary(max_size=300), st.sampled_from(["picks.csv", "plants.csv", "log.csv", "trial.toml"])
)
def test_any_bytes(content: bytes, name: str) -> None:
    read({**SOUND, name: content})


@QUICK
@given(added_file())
def test_spoilt_files_brought_in(file: tuple[str, bytes]) -> None:
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as elsewhere:
        folder, path = Path(name), Path(elsewhere) / file[0]
        for own, content in SOUND.items():
            (folder / own).write_bytes(content)
        path.write_bytes(file[1])
        try:
            first = add_files(folder, [path])
        except RecordsError:
            assert not (folder / "log.csv").exists()
            return
        # What came in can be read, and comes in once.
        read_records(folder)
        log = (folder / "log.csv").read_bytes() if first.added else b""
        assert add_files(folder, [path]).added == 0
        if log:
            assert (folder / "log.csv").read_bytes() == log
        for own, content in SOUND.items():
            assert (folder / own).read_bytes() == content


def tasted(files: dict[str, bytes]) -> None:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        for file, content in files.items():
            (place / file).write_bytes(content)
        try:
            read = read_tasting(place, ["Ambrel", "Costry"])
            assert set(read.scores["score"]) <= set(range(1, 10))
            assert read.scores.notna().all(axis=None)
        except RecordsError as error:
            assert error.problems[["file", "problem", "accepted"]].map(bool).all(axis=None)  # noqa: PT017
        assert {p.name: p.read_bytes() for p in place.iterdir()} == files


@QUICK
@given(spoilt_tasting())
def test_spoilt_tastings(files: dict[str, bytes]) -> None:
    tasted(files)


@QUICK
@given(st.data())
def test_one_cell_of_a_new_table_spoilt(data: st.DataObject) -> None:
    """Own traits, baskets, plots, covariates, prices: one of their cells, so that the rest is
    read."""
    file = data.draw(st.sampled_from(["traits.csv", "picks.csv", "plants.csv", "trial.toml"]))
    files = SOUND | (PLOTS if data.draw(st.booleans()) else {})
    mark = "=" if file == "trial.toml" else ","
    lines = files[file].decode().split("\n")
    at = data.draw(st.integers(0, len(lines) - 2))
    cells = lines[at].split(mark)
    cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(PLAUSIBLE)
    lines[at] = mark.join(cells)
    read(files | {file: "\n".join(lines).encode()})


PLAUSIBLE = st.sampled_from([
    "", "-", "NA", "0", "-1", "3.5", "3;5", "1/2", "21/20", "15 %", "150 %", "much", "none", "yes",
    "x", "1A", "plot 1A", "2b", "A1", "c1", "2026-07-01", "2026-08-30", "mildew", "First Bloom",
    "9" * 30, "7 mm", '"a kg"', '"3.50 a pod"', "[]", '["shade"; "x"]', "true",
])  # fmt: skip


def test_the_sound_files_are_sound() -> None:
    """Else every example above would stop at the same error."""
    for files in (SOUND, SOUND | PLOTS):
        with tempfile.TemporaryDirectory() as name:
            for file, content in files.items():
                (Path(name) / file).write_bytes(content)
            records = read_records(name)
            assert records.doubts.empty
            assert len(records.traits) == files["traits.csv"].count(b"\n") - 1
    with tempfile.TemporaryDirectory() as name:
        for file, content in TASTING.items():
            (Path(name) / file).write_bytes(content)
        read_again = read_tasting(Path(name))
        assert (len(read_again.scores), len(read_again.triangles)) == (8, 1)


def test_every_sound_file_comes_in() -> None:
    with tempfile.TemporaryDirectory() as name:
        for file, content in SOUND.items():
            (Path(name) / file).write_bytes(content)
        (Path(name) / "in").mkdir()
        for file, content in ADDED.items():
            path = Path(name) / "in" / file
            path.write_bytes(content)
            assert add_files(Path(name), [path]).added, file
            read_records(Path(name))
            (Path(name) / "log.csv").unlink()

