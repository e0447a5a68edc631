"""Stage 1 on a running cluster: a worker killed in the middle, and workers that cannot do it."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
import working
from made_gardens import Size, make_gardens
from real_cluster import RealCluster, real_cluster
from same import same_stage

from trialkit.gardens import workers
from trialkit.gardens.gathered import gather, read_gathered
from trialkit.gardens.stage_one import trial_means
from trialkit.gardens.workers import ClusterProblem, Fault, for_each

# Real schedulers and workers take most of a minute; `test_workers.py` runs with every change.
pytestmark = pytest.mark.slow

SMALL = Size(varieties=2, blocks=3, plants=2, picks=5, heights=False)


@pytest.fixture(scope="module")
def gardens(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return make_gardens(tmp_path_factory.mktemp("gardens"), 16, SMALL)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealCluster]:
    with real_cluster(tmp_path_factory.mktemp("cluster")) as cluster:
        yield cluster


def test_a_worker_killed_in_the_middle_loses_nothing(
    cluster: RealCluster, gardens: list[Path], tmp_path: Path
) -> None:
    victim, other = cluster.worker(), cluster.worker()
    cluster.waits_for(2)
    told: list[int] = []
    work = partial(working.signed_stage, tmp_path)
    results = for_each(work, [*gardens, Path("/nowhere")], cluster.address,
                     progress=lambda done, total: told.append(done))
    found = [next(results) for _ in range(6)]
    assert len(told) < len(gardens)
    victim.send_signal(signal.SIGKILL)
    found += results

    assert other.poll() is None
    assert len(found) == len(gardens) + 1
    assert told == sorted(told)
    assert told[-1] == len(found)
    for folder, there in zip(gardens, found, strict=False):
        same_stage(trial_means(folder, words=False), there)
    assert found[-1] == trial_means(Path("/nowhere"))
    taken = [path.name.rsplit(".", 1) for path in tmp_path.iterdir()]
    begun = {name for name, pid in taken if pid == str(victim.pid)}
    again = {name for name, pid in taken if pid == str(other.pid)}
    assert begun, "the worker that was killed had no part in it"
    assert begun & again, "nothing was taken from the worker that was killed"


def test_a_fault_on_a_worker_is_a_value(cluster: RealCluster) -> None:
    cluster.waits_for(1)
    found = list(for_each(working.root, [4, -1, 9], cluster.address))
    assert found[::2] == [2, 3]
    assert isinstance(found[1], Fault)
    assert found[1].message == "-1 has no root"


def test_gathered_records_on_a_cluster(
    cluster: RealCluster, gardens: list[Path], tmp_path: Path
) -> None:
    gather(gardens[:3], tmp_path / "all", cluster=cluster.address)
    work = partial(trial_means, words=False)
    found = list(for_each(work, read_gathered(tmp_path / "all"), cluster.address))
    for folder, there in zip(gardens[:3], found, strict=True):
        same_stage(work(folder), there)


@pytest.mark.parametrize(
    ("unlike", "said"),
    [
        ("import trialkit; trialkit.__version__ = '0.0.1'", r"has trialkit 0\.0\.1, this is"),
        ("import sys; sys.modules['trialkit'] = None", "cannot load trialkit"),
        (
            "import pathlib; there = pathlib.Path.exists\n"
            "pathlib.Path.exists = lambda p: 'garden-' not in str(p) and there(p)",
            r"does not see .*garden-000000.*same\s+path",
        ),
    ],
    ids=["another trialkit", "no trialkit", "another disk"],
)
def test_a_worker_that_cannot_do_it_is_named(
    cluster: RealCluster, gardens: list[Path], unlike: str, said: str
) -> None:
    worker = cluster.worker(unlike)
    try:
        cluster.waits_for(2)
        with pytest.raises(ClusterProblem, match=said):
            list(for_each(working.size_of, gardens, cluster.address))
    finally:
        worker.kill()
        worker.wait()
        cluster.waits_for(1)


def test_a_scheduler_without_workers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "CONNECT", 3.0)
    with (
        real_cluster(tmp_path) as empty,
        pytest.raises(ClusterProblem, match="has no worker. Start some"),
    ):
        list(for_each(working.root, [1], empty.address))


def test_a_scheduler_that_stops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "CONNECT", 3.0)
    with real_cluster(tmp_path) as ending:
        ending.worker()
        ending.waits_for(1)
        results = for_each(working.slow_root, range(40), ending.address)
        assert next(results) == 0
        ending.processes[0].kill()
        with pytest.raises(ClusterProblem, match="The scheduler has stopped"):
            list(results)
