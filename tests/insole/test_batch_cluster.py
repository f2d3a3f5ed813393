"""Tasks on a real Dask cluster of several processes, one of which is killed in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from insole.batch.cluster import Cluster
from insole.batch.task import Goal, Record, Task
from insole.errors import InsoleError
from insole.workflow.request import Request, Shots

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(  # looked for only: loading it is dear
        find_spec("distributed") is None,
        reason="a Dask cluster wants the package distributed (the extra 'cluster')",
    ),
]

ROOT = Path(__file__).parents[2]


def slow(task: Task) -> Record:
    """Tell who is at it; the first one waits to be killed."""
    mark = task.out / f"{task.case}.pid"
    if task.case == "a" and not mark.exists():
        mark.write_text(str(os.getpid()), encoding="utf-8")
        time.sleep(600)
    return Record(key=task.key, case=task.case, to="plan", files=(), said=(str(os.getpid()),))


def a_task(case: str, out: Path, scan: Path | None = None) -> Task:
    return Task(
        key=f"{case}-{out}",
        case=case,
        sides=("",),
        to=Goal.MEASURES,
        out=out,
        request=Request(scans=(Shots(files=(scan or Path("x.ply"),)),)),
    )


def collected(cluster: Cluster) -> dict[str, Record]:
    records = {}
    while cluster.busy:
        records |= {record.case: record for record in cluster.collect(1.0)}
    return records


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give the address of a scheduler with two workers, each a process of its own."""
    room = tmp_path_factory.mktemp("cluster")
    about = room / "scheduler.json"
    paths = os.pathsep.join((str(ROOT), str(Path(__file__).parent)))
    env = os.environ | {"PYTHONPATH": paths, "OMP_NUM_THREADS": "1"}

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [
                sys.executable,
                "-m",
                "dask",
                *arguments,
                "--scheduler-file",
                str(about),
                "--no-dashboard",
            ],
            cwd=room,
            env=env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    running = [start("scheduler", "--host", "127.0.0.1", "--port", "0")]
    running += [start("worker", "--no-nanny", "--nthreads", "1") for _ in range(2)]
    try:
        from distributed import Client

        with Client(scheduler_file=str(about), timeout=60, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
            yield client.scheduler.address
    finally:
        for process in running:
            process.terminate()
        for process in running:
            process.wait()


def test_a_scan_is_measured_by_the_cluster(scheduler: str, tmp_path: Path) -> None:
    cluster = Cluster(scheduler)
    try:
        cluster.submit(a_task("larch", tmp_path, ROOT / "sample_scans" / "larch_right.ply"))
        cluster.submit(a_task("none", tmp_path))
        records = collected(cluster)
    finally:
        cluster.close()
    assert records["larch"].message == ""
    assert [foot.side for foot in records["larch"].feet] == ["right"]
    assert (tmp_path / "larch-measures.json").is_file()
    assert records["none"].message.startswith("x.ply")


def test_a_killed_worker_s_case_is_done_by_another(scheduler: str, tmp_path: Path) -> None:
    import test_batch_cluster as here  # the name that workers know

    cluster = Cluster(scheduler, do=here.slow)
    mark, killed = tmp_path / "a.pid", 0
    try:
        for case in "abcd":
            cluster.submit(a_task(case, tmp_path))
        records: dict[str, Record] = {}
        while cluster.busy:
            if not killed and mark.exists() and (text := mark.read_text("utf-8")):
                killed = int(text)
                os.kill(killed, signal.SIGKILL)
            records |= {record.case: record for record in cluster.collect(0.1)}
    finally:
        cluster.close()
    assert killed
    assert {name: record.message for name, record in records.items()} == dict.fromkeys("abcd", "")
    assert int(records["a"].said[0]) not in (killed, os.getpid())


def test_nobody_at_the_address_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("insole.batch.cluster.CONNECT_S", 0.5)
    with pytest.raises(InsoleError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
        Cluster("tcp://127.0.0.1:9")
