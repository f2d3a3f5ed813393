"""How the store stands up to many cases: seconds to list them, to fill the index, to back up.

python tests/benchmarks/store_study.py [CASES]

Makes CASES (10 000 if left out) small cases in a folder of its own; prints medians of five tries
by the clock and of the processor, with the load of the machine. Figures to read, no test.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

from insole.desk.app import create
from insole.desk.backup import back_up
from insole.desk.store import Draft, Home

TRIES = 5


def told(name: str, work: Callable[[], object], tries: int = TRIES) -> None:
    spent, own = [], []
    for _ in range(tries):
        start, mine = time.perf_counter(), time.process_time()
        work()
        spent.append(time.perf_counter() - start)
        own.append(time.process_time() - mine)
    print(
        f"{name:26} median {statistics.median(spent):6.2f} s   worst {max(spent):6.2f} s   "
        f"of the processor {statistics.median(own):5.2f} s"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home")
        for number in range(count):
            home.create(f"r{number:05}").save(Draft(shoe="a.toml"))
        print(f"{count} cases; load of the machine:", *(f"{v:.1f}" for v in os.getloadavg()))
        told("index filled", home.rows, 1)
        told("listed", home.rows)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from starlette.testclient import TestClient
        client = TestClient(create(home.folder, with_sample=False), base_url="http://127.0.0.1")
        told("page of riders", lambda: client.get("/"))
        told("page of riders, one found", lambda: client.get("/", params={"find": "r00777"}))
        told("backed up", lambda: back_up(home, Path(folder) / f"{time.time_ns()}.zip"), 1)


if __name__ == "__main__":
    main()
