"""The same tasks on a Dask cluster that is there already.

    Cluster(address).submit(task) -> a worker of the cluster -> collect() -> Record

Workers must have the same version of this program, see scans and results under the same paths,
and are best started with one thread each. A worker that dies takes nothing with it: the scheduler
gives its task to another, and a task that ended several workers is given up with a sentence. Only
connect to a cluster that you trust: scheduler and workers run what they are sent.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from typing import Any

import insole
from insole.batch.crew import ENDED, lost
from insole.batch.task import Record, Task, work
from insole.errors import InsoleError

__all__ = ["Cluster"]

AHEAD = 2  # tasks per worker that are on their way: it never waits for the next
CONNECT_S = 10.0


class Cluster:
    """A Dask cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://192.168.1.5:8786``.
    do : callable
        What is done with a task: a function of a module that the workers have.

    Raises
    ------
    insole.errors.InsoleError
        ``distributed`` is not installed, nobody answers, or workers have another version.
    """

    def __init__(self, address: str, *, do: Callable[[Task], Record] = work) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise InsoleError(
                "working on a cluster wants the package distributed; install it with "
                "pip install 'solewright[cluster]'"
            ) from None
        try:
            self._client: Any = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            why = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise InsoleError(
                f"no scheduler answers at {address} ({why}); check the address, or leave it out to "
                "work on this machine"
            ).asking("scheduler") from None
        self._do = do
        self._pending: dict[Any, Task] = {}
        self._done: queue.Queue[Any] = queue.Queue()
        try:
            self._same_everywhere()
        except BaseException:
            self.close()
            raise

    @property
    def busy(self) -> int:
        """How many tasks are not done yet."""
        return len(self._pending)

    @property
    def free(self) -> int:
        """How many tasks more may be given now; workers may come and go."""
        workers = len(self._client.nthreads())
        return max(0, AHEAD * max(1, workers) - self.busy)

    def submit(self, task: Task) -> None:
        """Give a task to the scheduler."""
        future = self._client.submit(self._do, task, key=f"solewright-{task.key}", pure=False)
        self._pending[future] = task
        future.add_done_callback(self._done.put)

    def collect(self, wait_s: float) -> list[Record]:
        """Return what was done, after at most `wait_s` seconds; none if nothing was."""
        if not self._pending:
            time.sleep(wait_s)
            return []
        found = []
        try:
            found.append(self._done.get(timeout=wait_s))
            while True:
                found.append(self._done.get_nowait())
        except queue.Empty:
            pass
        return [self._record(future) for future in found]

    def close(self) -> None:
        """Take back what was not begun, and leave the cluster as it is."""
        self._client.cancel(list(self._pending))
        self._pending.clear()
        self._client.close()

    def _record(self, future: Any) -> Record:
        """Return what a task gave; one that did not come back is given up with a sentence."""
        task = self._pending.pop(future)
        error = future.exception() if future.status == "error" else None
        if future.status == "finished":
            record: Record = future.result()
            future.release()
            return record
        if type(error).__name__ == "KilledWorker":
            return lost(task, ENDED)
        why = f"{type(error).__name__}: {error}" if error is not None else str(future.status)
        return lost(task, f"the cluster did not do it ({why}); run the batch again")

    def _same_everywhere(self) -> None:
        """Refuse workers that would make other files.

        Raises
        ------
        insole.errors.InsoleError
            A worker lacks this program or has another version.
        """
        for worker, version in self._client.run(_version, on_error="return").items():
            if version != insole.__version__:
                has = f"has version {version}" if isinstance(version, str) else "has none"
                raise InsoleError(
                    f"the worker {worker} {has} of this program, wanted is {insole.__version__}; "
                    "install it there and start the worker again"
                )


def _version() -> str:
    """Return the version on a worker."""
    import insole

    return insole.__version__
