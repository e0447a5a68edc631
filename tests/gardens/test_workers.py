"""One function over many items: the order kept, faults as values, nothing lost with a worker."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import working

from trialkit.gardens import workers
from trialkit.gardens.workers import ClusterProblem, Fault, for_each


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Processes are started even for little work."""
    monkeypatch.setattr(workers, "START", 0.0)


def test_here_the_order_is_kept_and_progress_told() -> None:
    told: list[tuple[int, int]] = []
    found = list(for_each(working.root, range(5), progress=lambda *x: told.append(x)))
    assert found == [0, 1, 2**0.5, 3**0.5, 2]
    assert told == [(i, 5) for i in range(1, 6)]


def test_nothing_to_do() -> None:
    assert list(for_each(working.root, [])) == []


def test_a_fault_is_a_value_and_the_others_are_kept() -> None:
    found = list(for_each(working.root, [1, -4, 9]))
    assert found[0] == 1
    assert found[2] == 3
    fault = found[1]
    assert isinstance(fault, Fault)
    assert (fault.kind, fault.message) == ("ValueError", "-4 has no root")
    assert "in root" in fault.traceback


def test_one_worker_is_this_process(at_once: None) -> None:
    assert set(for_each(working.process, range(3), workers=1)) == {os.getpid()}


def test_little_work_stays_in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    def not_wanted(workers: int) -> None:
        raise AssertionError("processes were started for a moment's work")

    monkeypatch.setattr(workers, "local", not_wanted)
    assert len(list(for_each(working.root, range(200), workers=2))) == 200


def test_processes_of_this_machine_give_the_same_and_listen_to_it_alone(at_once: None) -> None:
    import psutil

    me = psutil.Process()
    before = set(me.children(recursive=True))
    numbers = [*range(10), -1, *range(10, 16)]
    found, heard = [], set()
    for result in for_each(working.slow_root, numbers, workers=2):
        found.append(result)
        if len(found) == 8:
            family = [me, *set(me.children(recursive=True)) - before]
            doors = [c for p in family for c in p.net_connections() if c.status == "LISTEN"]
            heard = {c.laddr.ip for c in doors}
    assert found[10].message == "-1 has no root"
    assert [x for x in found if not isinstance(x, Fault)] == [i**0.5 for i in range(16)]
    assert heard == {"127.0.0.1"}
    # What is left is Python's own keeper of shared resources, which ends with this process.
    left = set(me.children(recursive=True)) - before
    assert [c for c in left if "resource_tracker" not in "".join(c.cmdline())] == []


@pytest.mark.slow
def test_an_item_that_kills_its_worker_is_a_fault_and_the_rest_is_done(at_once: None) -> None:
    import dask

    numbers = [i for i in range(12) if i != 7]
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        found = list(for_each(working.deadly, [*numbers, 7], workers=2))
    assert found[:-1] == numbers
    assert isinstance(found[-1], Fault)
    assert "every worker that took it on died" in found[-1].message


def test_no_scheduler_at_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "CONNECT", 1.0)
    with pytest.raises(ClusterProblem, match="No Dask scheduler answers at tcp://127.0.0.1:9"):
        list(for_each(working.root, [1], cluster="tcp://127.0.0.1:9"))


def test_an_address_that_is_none() -> None:
    with pytest.raises(ClusterProblem, match="No Dask scheduler answers"):
        list(for_each(working.root, [1], cluster="my cluster"))


def test_relative_folders_are_sent_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "trial.toml").write_text("x = 1\n")
    monkeypatch.chdir(tmp_path)
    assert list(for_each(working.size_of, [Path("a")])) == [6]
    assert workers._absolute(Path("a")) == tmp_path / "a"
