"""`trialkit watch`: what starts a run, what it leaves, and that nothing leaks from run to run."""

from __future__ import annotations

import csv
import html
import math
import os
import re
import signal
import subprocess
import sys
import time
from collections import defaultdict
from datetime import date
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output
from smalltrial import pick, pick_day, write
from typer.testing import CliRunner

from trialkit import shipped
from trialkit.cli import Exit, app
from trialkit.engine import page, publish, run
from trialkit.engine import watch as watching
from trialkit.report.blocks import FACTS
from trialkit.wording import figure

pytestmark = pytest.mark.own_kernel

PATIENCE_S = 90.0


def _until(done, what: str):
    """Wait for `done()` to be true; returns what it gave."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        found = done()
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"waited in vain for {what}")


def _children(pid: int) -> list[int]:
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    return [int(child) for child in listed.split()]


def _state(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def _said(page: Path) -> str:
    """The page's section on what is new, without mark-up."""
    text = page.read_text(encoding="utf-8")
    section = re.search(r"Since the last pick</h2>(.*?)</section>", text, re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", section[1])).split())


def _new_by_hand(folder: Path) -> list[str]:
    """What is new, from picks.csv alone: block by block, every plant looked at at every pick.

    The ratio is the geometric mean over the blocks of the ratio of two plots' totals, half a pod
    added to each (Snedecor & Cochran 1967, section 11.16, from memory, for the half).
    """
    totals: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    by_day: dict[str, float] = defaultdict(float)
    rates: dict[str, float] = defaultdict(float)
    seen: dict[str, set[str]] = defaultdict(set)
    with (folder / "picks.csv").open() as file:
        rows = list(csv.DictReader(file))
    days = sorted({row["date"] for row in rows})
    for row in rows:
        by_day[row["date"]] += float(row["count"])
        seen[row["date"]].add(row["plant"])
        for until in days[-2:]:
            if row["date"] <= until:
                totals[until][row["plant"][:2]] += float(row["count"])
        if row["date"] == days[-1]:
            rates[row["plant"][0]] += float(row["count"])

    def ratio(until: str, left: str, right: str) -> float:
        logs = [
            math.log((totals[until][left + b] + 0.5) / (totals[until][right + b] + 0.5))
            for b in "123"
        ]
        return math.exp(sum(logs) / 3)

    first = max("CD", key=lambda v: ratio(days[-1], v, "A"))
    names = {"A": "Ambrel", "C": "Costry", "D": "Dunwell"}
    plants, gap = len(seen[days[-1]]), 4
    was, now = (figure(ratio(day, first, "A")) for day in days[-2:])
    moved = f"{names[first]} went from {was} times to {now} times what Ambrel gave."
    paces = [figure(by_day[day] / plants / gap * 7) for day in days[-2:]]
    return [
        f"{by_day[days[-1]]:.0f} pods from {plants} plants, {paces[1]} a plant a week "
        f"({paces[0]} at the pick before).",
        f"{names[max(rates, key=rates.get)]} was best on the day.",
        *([moved] if was != now else []),
    ]


@pytest.fixture
def watched(tmp_path):
    """A trial under watch in a process of its own; ended by hand if a test leaves it running."""
    folder = write(tmp_path / "trial")
    log = tmp_path / "said.txt"
    with log.open("wb") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "trialkit.cli", "watch", str(folder)],
            stdout=said, stderr=said, env={**os.environ, "TMPDIR": str(tmp_path)},
            # A shell's background job ignores Ctrl-C and hands that on to what it starts.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )  # fmt: skip
    yield folder, process, lambda: log.read_text(encoding="utf-8")
    if process.poll() is None:
        process.kill()
        process.wait()


@pytest.mark.slow
def test_a_season_under_watch(watched, tmp_path):
    """Picks come in, a file is spoilt and mended, the kernel dies, and it is stopped."""
    folder, process, said = watched
    report = folder / "report"
    latest = report / "latest.html"
    dated = [report / f"trial-{pick_day(n)}.html" for n in range(8)]

    def reports() -> int:
        return said().count("Report: ")

    _until(lambda: reports() == 1, "the first report")
    assert sorted(p.name for p in report.iterdir()) == sorted(
        [dated[3].name, dated[3].with_suffix(".ipynb").name, "latest.html"]
    )
    assert not latest.is_symlink()
    assert latest.read_bytes() == dated[3].read_bytes()
    (kernel,) = _children(process.pid)

    # A pick, written by an editor in one go; its own output has started nothing meanwhile.
    time.sleep(1.5)
    assert reports() == 1
    earlier = dated[3].read_bytes()
    pick(folder, 4)
    _until(lambda: reports() == 2, "a report of the new pick")
    assert latest.read_bytes() == dated[4].read_bytes() != earlier
    assert dated[3].read_bytes() == earlier
    assert _children(process.pid) == [kernel], "the kernel was kept"
    for sentence in _new_by_hand(folder):
        assert sentence in _said(latest)

    # Spoilt: the reason in plain words, nothing lost.
    good = {p.name: p.read_bytes() for p in report.glob("*.html")}
    picks = folder / "picks.csv"
    sound = picks.read_bytes()
    picks.write_bytes(sound.replace(b"2026-06-24,C", b"2026-O6-24,C", 1))
    _until(lambda: "Still watching" in said(), "the reason")
    assert 'date "2026-O6-24": It is not a date.' in said()
    assert "Traceback" not in said()
    assert {p.name: p.read_bytes() for p in report.glob("*.html")} == good
    assert (report / "latest.partial.ipynb").exists()

    # Mended, and the kernel killed meanwhile: the next report comes from a new one.
    os.kill(kernel, signal.SIGKILL)
    picks.write_bytes(sound)
    pick(folder, 5)
    _until(lambda: reports() == 3, "a report after mending")
    assert latest.read_bytes() == dated[5].read_bytes()
    assert not (report / "latest.partial.ipynb").exists()
    (second,) = _children(process.pid)
    assert second != kernel
    for sentence in _new_by_hand(folder):
        assert sentence in _said(latest)

    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == Exit.DONE
    assert said().rstrip().endswith("Stopped watching.")
    assert "Traceback" not in said()
    assert not Path(f"/proc/{second}").exists()
    assert not list(tmp_path.glob("trialkit-*"))


def test_ctrl_c_in_mid_run_leaves_no_process(watched, tmp_path):
    folder, process, said = watched
    (kernel,) = _until(lambda: _children(process.pid), "a kernel")
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == Exit.DONE, said()
    assert not Path(f"/proc/{kernel}").exists()
    assert not list(tmp_path.glob("trialkit-*"))
    assert "Traceback" not in said()


def _book(folder: Path, *sources: str) -> Path:
    cells = [new_code_cell('folder = ""\nuntil = ""', metadata={"tags": ["parameters"]})]
    book = new_notebook(cells=cells + [new_code_cell(source) for source in sources])
    book.metadata.kernelspec = {"name": "python3", "language": "python", "display_name": "x"}
    path = folder / "book.ipynb"
    nbformat.write(book, path)
    return path


def _untimed(notebook):
    """The notebook without when it ran and where."""
    book = nbformat.reads(publish._notebook_text(notebook), as_version=4)
    for cell in book.cells:
        for name in ("execution", "id"):
            cell.metadata.pop(name, None)
        cell.pop("id", None)
    return book


def _printed(notebook) -> str:
    return "".join(o.text for c in notebook.cells for o in c.outputs if o.output_type == "stream")


@pytest.mark.slow
def test_a_warm_run_gives_the_same_page_as_a_cold_one(tmp_path):
    """After another trial, a run that failed and a notebook that left things about."""
    book = shipped.notebook("report")
    here, other = write(tmp_path / "here"), write(tmp_path / "other", picks=2)
    (other / "trial.toml").write_text(
        (other / "trial.toml").read_text().replace("Costry", "Everly").replace("cm", "in")
    )
    plants = other / "plants.csv"
    plants.write_text(plants.read_text().replace("Costry", "Everly"))
    litter = _book(tmp_path, "trial = cells = names = 7", "import matplotlib.pyplot as p; p.plot()")
    parameters = {"folder": str(here), "until": ""}
    cold = run.execute(book, parameters)
    with run.KeptKernel() as kept:
        kept.execute(book, {"folder": str(other), "until": ""})
        kept.execute(litter, {})
        with pytest.raises(run.NotebookStopped):
            kept.execute(book, {"folder": str(tmp_path), "until": ""})
        warm = kept.execute(book, parameters)
    assert page.render(warm) == page.render(cold)
    assert _untimed(warm) == _untimed(cold)


def test_nothing_a_notebook_named_is_there_in_the_next_run(tmp_path):
    look = "print('left' in globals(), len(Out), get_ipython().execution_count)"
    with run.KeptKernel(first="") as kept:
        first = kept.execute(_book(tmp_path, "left = 1\nleft", look, "import os; os.getpid()"), {})
        second = kept.execute(_book(tmp_path, "1", look), {})
    assert _printed(first).split()[0] == "True"
    assert _printed(second).split() == ["False", "1", "4"]


@pytest.mark.slow
def test_a_kernel_that_dies_after_its_first_run_is_replaced_and_the_run_repeated(tmp_path):
    flag = tmp_path / "died"
    once = f"import os, pathlib\nif not pathlib.Path({str(flag)!r}).exists():\n"
    once += f"    pathlib.Path({str(flag)!r}).touch(); os.kill(os.getpid(), 9)\nprint('whole')"
    with run.KeptKernel(first="") as kept:
        kept.execute(_book(tmp_path, "print('first')"), {})
        assert _printed(kept.execute(_book(tmp_path, once), {})) == "whole\n"
        with pytest.raises(run.NotebookStopped, match="Python stopped") as caught:
            kept.execute(_book(tmp_path, "import os; os.kill(os.getpid(), 9)"), {})
        assert caught.value.died
        assert _printed(kept.execute(_book(tmp_path, "print('again')"), {})) == "again\n"


def _made(day: str):
    """Stands in for the run of a notebook that last saw a pick on that day."""
    output = new_output("display_data", data={"text/html": f"<p>{day}</p>", FACTS: {
        "title": "Beans", "last_pick": day}})  # fmt: skip
    return new_notebook(cells=[new_code_cell("", outputs=[output])])


def test_a_report_a_pick_day_and_the_newest_beside_them(tmp_path):
    folder = tmp_path / "beans"
    folder.mkdir()
    for day in ("", "2026-06-20", "2026-06-24"):
        publish.publish_latest(folder, execute=lambda *_, day=day: _made(day))
        assert f"<p>{day}</p>" in (folder / "report" / "latest.html").read_text()
    assert sorted(p.name for p in (folder / "report").glob("*.html")) == [
        "beans-2026-06-20.html", "beans-2026-06-24.html", "latest.html",
    ]  # fmt: skip
    assert "<p>2026-06-20</p>" in (folder / "report" / "beans-2026-06-20.html").read_text()
    # `report --until` of that same day is another page: it may say less than was known that day.
    as_of = publish.destination(folder, until=date(2026, 6, 20))
    assert as_of.name == "beans-as-of-2026-06-20.html"
    assert not as_of.exists()


def test_what_a_killed_run_left_is_swept_when_it_is_old(tmp_path):
    report = tmp_path / "beans" / "report"
    report.mkdir(parents=True)
    names = (".latest.html.0a1b2c3d4e5f.part", ".latest.html.f5e4d3c2b1a0.part", ".film.part")
    old, young, other = (report / name for name in names)
    for path in (old, young, other):
        path.write_text("half")
    for path in (old, other):
        os.utime(path, (time.time() - 7200,) * 2)
    publish.publish_latest(tmp_path / "beans", execute=lambda *_: _made("2026-06-20"))
    assert [path.exists() for path in (old, young, other)] == [False, True, True]


class _Kept:
    """Stands in for the warm kernel."""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def execute(self, *_):
        return _made("2026-06-20")


def _looks(monkeypatch, folder: Path, *steps) -> list:
    """What is told while the folder is looked at once a step.

    A step is (what is done to the folder before the look, whether the system tells of a change).
    """
    told: list = []

    def looks(*_, **__):
        for act, changes in steps:
            if act:
                act()
            yield {1} if changes else set()
            told.append("-")
        raise KeyboardInterrupt

    monkeypatch.setattr(watching.watchfiles, "watch", looks)
    monkeypatch.setattr(watching.run, "KeptKernel", _Kept)
    with pytest.raises(KeyboardInterrupt):
        watching.watch(folder, told.append)
    return ["-" if one == "-" else "failed" if isinstance(one, str) else "made" for one in told]


def test_a_folder_whose_system_tells_nothing_is_read_when_two_looks_agree(tmp_path, monkeypatch):
    folder = write(tmp_path / "trial")
    steps = [(None, False), (lambda: pick(folder, 4), False), (lambda: pick(folder, 5), False),
             (None, False), (None, False)]  # fmt: skip
    assert _looks(monkeypatch, folder, *steps) == ["made", "-", "-", "-", "made", "-", "-"]


def test_what_is_no_record_starts_nothing(tmp_path, monkeypatch):
    folder = write(tmp_path / "trial")

    def clutter():
        for name in ("~$picks.xlsx", ".log.csv.1a2b.part", ".picks.csv.swp", "phone.html", "n.txt"):
            (folder / name).write_text("x")

    steps = [(None, True), (clutter, True), (lambda: (folder / "log.csv").touch(), True)]
    assert _looks(monkeypatch, folder, *steps) == ["made", "-", "-", "made", "-"]


def test_a_trial_that_goes_away_is_said_to_be_gone_and_not_made_anew(tmp_path, monkeypatch):
    folder, aside = write(tmp_path / "trial"), tmp_path / "aside"
    steps = [(None, True), (lambda: folder.rename(aside), False), (None, False),
             (lambda: aside.rename(folder), False), (None, False)]  # fmt: skip
    told = _looks(monkeypatch, folder, *steps)
    assert told == ["made", "-", "-", "failed", "-", "-", "made", "-"]


def test_a_report_that_cannot_be_written_is_told_and_watching_goes_on(tmp_path, monkeypatch):
    folder = write(tmp_path / "trial")
    (folder / "report").write_text("in the way")
    steps = [(None, True), ((folder / "report").unlink, False), (lambda: pick(folder, 4), True)]
    assert _looks(monkeypatch, folder, *steps) == ["failed", "-", "-", "made", "-"]


def test_watch_wants_a_trial(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["watch", "nowhere"])
    assert result.exit_code == Exit.NO_TRIAL
    assert "no folder" in result.output
    told = " ".join(CliRunner().invoke(app, ["watch", "--help"]).output.split())
    assert "trialkit watch my-beans" in told
    assert "latest.html" in told
