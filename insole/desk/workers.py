"""Worker processes: heavy work away from the server, one sentence at a time, can be cancelled.

Worker.run(task, ...) -> a task of :mod:`insole.desk.tasks` in the worker's process -> its result

A worker does one thing at a time and remembers the feet it has seen. Cancelling ends its process:
tasks only compute, or write whole folders, so that nothing is left half done.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from footscan.errors import FootscanError
from insole.cycles import seldom_sought
from insole.workflow.processes import one_thread_each

__all__ = ["CANCELLED", "TICKET", "Stopped", "Ticket", "Worker"]

CANCELLED = "cancelled; nothing was changed"
LOST = (
    "the work ended before it was done, most likely for want of memory; try it again with fewer "
    "points"
)


class Stopped(FootscanError):
    """The work was cancelled, or its process ended."""


class Ticket:
    """What a job is known by: cancelling it ends what it does, and what it waits for."""

    def __init__(self) -> None:
        self.cancelled = False
        self.at: Worker | None = None  # the worker that is doing it now

    def cancel(self) -> None:
        """End the job, wherever it is; the work of others goes on."""
        self.cancelled = True
        if self.at is not None:
            self.at.end()


TICKET: ContextVar[Ticket | None] = ContextVar("ticket", default=None)


class Worker:
    """One process for heavy work, which does one thing after the other."""

    def __init__(self) -> None:
        self._line = ThreadPoolExecutor(max_workers=1)  # in which tasks wait for their turn
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None

    def start(self) -> None:
        """Start the process, if it is not alive."""
        if self._process is not None and self._process.is_alive():
            return
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        with one_thread_each():
            self._process.start()
        theirs.close()
        self._pipe = mine

    async def run(
        self, task: str, *args: Any, say: Callable[[str], None] = lambda sentence: None
    ) -> Any:
        """Return what a task returns, without holding the server up.

        Raises
        ------
        footscan.errors.FootscanError
            What the task raised, as sentence and exit code; `Stopped` when it was cancelled.
        """
        ticket = TICKET.get() or Ticket()
        return await asyncio.get_running_loop().run_in_executor(
            self._line, self._run, task, args, say, ticket
        )

    def _run(
        self, task: str, args: tuple[Any, ...], say: Callable[[str], None], ticket: Ticket
    ) -> Any:
        """Do a task when its turn has come."""
        if ticket.cancelled:
            raise Stopped(CANCELLED)
        self.start()
        pipe = self._pipe
        assert pipe is not None
        ticket.at = self
        try:
            pipe.send((task, args))
            while True:
                word, value = pipe.recv()
                if word == "said":
                    say(value)
                elif word == "failed":
                    raise _error(*value)
                else:
                    return value
        except (EOFError, OSError):
            self.end()
            self._process = self._pipe = None
            raise Stopped(CANCELLED if ticket.cancelled else LOST) from None
        finally:
            ticket.at = None

    def end(self) -> None:
        """End the process; the next task starts another."""
        if self._process is not None:
            self._process.terminate()

    def close(self) -> None:
        """End the process and everything that waits for it."""
        self._line.shutdown(wait=False, cancel_futures=True)
        self.end()
        if self._process is not None:
            self._process.join(5)


def _error(words: str, code: int) -> FootscanError:
    error = FootscanError(words)
    error.exit_code = code
    return error


def _serve(pipe: Connection) -> None:
    """Do tasks until the other end closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a break is the server's
    seldom_sought()
    from insole.desk import tasks

    while True:
        try:
            task, args = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            result = tasks.TASKS[task](lambda text: pipe.send(("said", text)), *args)
        except FootscanError as error:
            pipe.send(("failed", (str(error), error.exit_code)))
        except MemoryError:
            pipe.send(("failed", ("not enough memory; export the scan with fewer points", 3)))
        except Exception as error:  # a fault of ours: still one sentence
            if os.environ.get("SOLEWRIGHT_TRACEBACK"):
                import traceback

                traceback.print_exc()
            words = f"a fault in the program itself ({type(error).__name__}); report it"
            pipe.send(("failed", (words, 70)))
        else:
            pipe.send(("done", result))
