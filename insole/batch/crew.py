"""Processes on this machine that do tasks: bounded in number, in memory and in how long they live.

    Crew.submit(task) -> a process of its own -> Crew.collect() -> Record

Each process does one task at a time and is replaced after a number of them, so that what
libraries keep does not add up. A process that ends in the middle, as for want of memory, takes
its one case with it and no other: that case is tried once more, then given up with a sentence.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess

from footscan.cores import ALONE
from insole.batch.task import Record, Task, work
from insole.cycles import seldom_sought
from insole.workflow import processes

__all__ = ["ENDED", "Crew", "lost"]

TASKS_OF_A_LIFE = 40
TRIES = 2
ENDED = (
    "working on it ended the program that did so, most likely for want of memory; export the "
    "scans with fewer points"
)
UNUSABLE = 3  # exit code


@dataclass(slots=True)
class _Hand:
    """A process, the pipe to it, what it does now and how much it did."""

    process: BaseProcess
    pipe: Connection
    task: Task | None = None
    tries: int = 0
    done: int = 0


class Crew:
    """Worker processes of this machine.

    Parameters
    ----------
    jobs : int
        How many work at once; each needs the memory of one scan.
    life : int
        Tasks after which a process is replaced.
    do : callable
        What is done with a task: a function of a module, found there by the new process.
    """

    def __init__(
        self, jobs: int, *, life: int = TASKS_OF_A_LIFE, do: Callable[[Task], Record] = work
    ) -> None:
        self.jobs, self.life, self.do = jobs, life, do
        self._hands: list[_Hand] = []
        self._again: deque[tuple[Task, int]] = deque()

    @property
    def busy(self) -> int:
        """How many tasks are not done yet."""
        return sum(hand.task is not None for hand in self._hands) + len(self._again)

    @property
    def free(self) -> int:
        """How many tasks more may be given now."""
        return max(0, self.jobs - self.busy)

    def submit(self, task: Task) -> None:
        """Give a task to a process that has none."""
        self._give(task, 1)

    def collect(self, wait_s: float) -> list[Record]:
        """Return what was done, after at most `wait_s` seconds; none if nothing was."""
        working = {hand.pipe: hand for hand in self._hands if hand.task is not None}
        if not working:
            time.sleep(wait_s)
            return []
        found = []
        for pipe in wait(list(working), wait_s):
            assert isinstance(pipe, Connection)
            if (record := self._taken(working[pipe])) is not None:
                found.append(record)
        while self._again and self.jobs > sum(hand.task is not None for hand in self._hands):
            self._give(*self._again.popleft())
        return found

    def close(self) -> None:
        """End every process; a case that one of them was at is left undone, nothing half done."""
        for hand in self._hands:
            hand.process.terminate()
        for hand in self._hands:
            hand.process.join(5)
            hand.pipe.close()
        self._hands.clear()
        self._again.clear()

    def _give(self, task: Task, tries: int) -> None:
        hand = next((hand for hand in self._hands if hand.task is None), None) or self._hired()
        hand.task, hand.tries = task, tries
        hand.pipe.send((self.do, task))

    def _hired(self) -> _Hand:
        """Return a new process."""
        context = multiprocessing.get_context("spawn")  # the same on every system
        mine, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs,), daemon=True)
        # a break is the parent's: it ends its workers
        with processes.breaks_held_back(), processes.one_thread_each():
            process.start()
        theirs.close()
        hand = _Hand(process=process, pipe=mine)
        self._hands.append(hand)
        return hand

    def _taken(self, hand: _Hand) -> Record | None:
        """Return what a process sends; of one that ended, its case is tried again or given up."""
        task = hand.task
        assert task is not None
        try:
            record: Record = hand.pipe.recv()
        except (EOFError, OSError):
            self._dismiss(hand)
            if hand.tries < TRIES:
                self._again.append((task, hand.tries + 1))
                return None
            return lost(task)
        hand.task, hand.done = None, hand.done + 1
        if hand.done >= self.life:
            self._dismiss(hand)
        return record

    def _dismiss(self, hand: _Hand) -> None:
        """Let a process go: it ends when its pipe is closed."""
        self._hands.remove(hand)
        hand.pipe.close()
        hand.process.join(5)
        if hand.process.is_alive():
            hand.process.terminate()


def lost(task: Task, why: str = "") -> Record:
    """Return the record of a case that its worker did not live to tell of.

    Without a reason it was a process of this machine, where fewer at once have more memory.
    """
    files = tuple(path.name for shots in task.request.scans for path in shots.files)
    return Record(
        key=task.key,
        case=task.case,
        to=str(task.to),
        files=files,
        message=why or f"{ENDED}, or let fewer cases be worked on at once",
        asks=() if why else ("jobs",),
        exit_code=UNUSABLE,
    )


def _serve(pipe: Connection) -> None:
    """Do tasks until the other end closes."""
    seldom_sought()
    os.environ[ALONE] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while True:
        try:
            do, task = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send(do(task))
        gc.collect()  # memory stays where it is over a night
