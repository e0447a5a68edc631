"""Files whole or not at all, and CSV that no spreadsheet runs."""

from __future__ import annotations

import csv
import fcntl
import io
import os
import resource
import signal
import stat
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st
from killed import killed_before_move

from trialkit.records import files
from trialkit.records.files import csv_text, plain_cell, safe_cell, write_bytes, write_text


def test_writes_and_replaces(tmp_path) -> None:
    path = tmp_path / "a.csv"
    write_text(path, "one\n")
    write_text(path, "zwei: \u00fc\n")
    assert path.read_bytes() == "zwei: ü\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_keeps_the_mode_of_the_old_file_and_takes_the_usual_one(tmp_path) -> None:
    path = tmp_path / "a"
    write_text(path, "1")
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~mask
    path.chmod(0o640)
    write_text(path, "2")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_link_stays_a_link(tmp_path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_text(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, step) -> None:
    path = tmp_path / "a"
    write_text(path, "old")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, step, fail)
    with pytest.raises(OSError, match="No space"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_a_full_disk_leaves_the_old_file(tmp_path) -> None:
    """A limit on the size of files stands for a disk that is full."""

    path = tmp_path / "a"
    write_text(path, "old")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, hard))
        with pytest.raises(OSError, match="File too large"):
            write_bytes(path, b"x" * 20_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


# OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
@pytest.mark.parametrize("text", [
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "=HYPERLINK(\"http://x\",\"y\")",
    "-2+3+cmd|' /C calc'!A0", "  =1+1", "＝1+1", "'=1", "+", "-",
])  # fmt: skip
def test_formulas_are_made_harmless_and_read_as_they_were(text) -> None:
    safe = safe_cell(text)
    assert safe == "'" + text
    assert plain_cell(safe) == text


@pytest.mark.parametrize("value", [
    3, -3, 2.5, None, "", "3", "-3", "+3", "-2.5", "-2,5", "1e-5", "plain", "O'Neil", "'tis", "a=b",
    "2026-07-03",
])  # fmt: skip
def test_numbers_and_plain_text_are_untouched(value) -> None:
    assert safe_cell(value) == value


@given(st.text())
def test_any_text_comes_back(text) -> None:
    assert plain_cell(safe_cell(text)) == text
    stream = io.StringIO(csv_text(["a", "b"], [[text, 1]]), newline="")
    assert plain_cell(list(csv.reader(stream))[1][0]) == text


@given(st.text(min_size=1))
def test_no_cell_begins_like_a_formula(text) -> None:
    safe = safe_cell(text)
    assert not safe.startswith(files.FORMULA_STARTS) or files._NUMBER.fullmatch(safe)


def test_the_half_file_of_a_killed_writer_goes_and_that_of_one_at_work_stays(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(files, "YOUNG_S", -1.0)
    path = tmp_path / "phone.html"
    assert killed_before_move(0, partial(write_text, path, "half"))
    (left,) = tmp_path.iterdir()
    assert left.name.endswith(files.TEMPORARY)
    busy = tmp_path / f".phone.html.123{files.TEMPORARY}"
    with busy.open("xb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        write_text(path, "whole")
        assert {p.name for p in tmp_path.iterdir()} == {"phone.html", busy.name}
    write_text(path, "again")
    assert [p.name for p in tmp_path.iterdir()] == ["phone.html"]
