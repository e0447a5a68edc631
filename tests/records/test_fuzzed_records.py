"""Whatever the files hold, only RecordsError and TrialProblems come out, and nothing is written.

A few examples here; `python tests/faults/fault_records.py` runs ten thousand.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from fuzzed import SOUND, added_file, spoilt_trial, workbook_bytes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.records import Records, RecordsError, read_records
from trialkit.records.add import add_files
from trialkit.trial import TrialProblems

QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


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


def test_the_sound_files_are_sound() -> None:
    """Else every example above would stop at the same error."""
    with tempfile.TemporaryDirectory() as name:
        for file, content in SOUND.items():
            (Path(name) / file).write_bytes(content)
        assert read_records(name).doubts.empty

