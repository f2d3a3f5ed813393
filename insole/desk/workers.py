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
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from footscan.errors import FootscanError

__all__ = ["Stopped", "Worker"]


class Stopped(FootscanError):
    """The work was cancelled, or its process ended."""


class Worker:
    """One process for heavy work."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # one task at a time
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._cancelled = False

    def start(self) -> None:
        """Start the process, if it is not alive."""
        if self._process is not None and self._process.is_alive():
            return
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()
        self._pipe = mine

    def run(self, task: str, args: tuple[Any, ...], say: Callable[[str], None]) -> Any:
        """Return what a task returns; blocks, so call it in a thread.

        Raises
        ------
        footscan.errors.FootscanError
            What the task raised, as sentence and exit code; `Stopped` when it was cancelled.
        """
        with self._lock:
            self.start()
            pipe = self._pipe
            assert pipe is not None
            self._cancelled = False
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
                self.close()
                raise Stopped(
                    "cancelled; nothing was changed" if self._cancelled else
                    "the work ended before it was done, most likely for want of memory; "
                    "try it again with fewer points"
                ) from None  # fmt: skip

    async def arun(
        self, task: str, *args: Any, say: Callable[[str], None] = lambda sentence: None
    ) -> Any:
        """Return what :meth:`run` returns, without holding the server up."""
        return await asyncio.to_thread(self.run, task, args, say)

    def cancel(self) -> None:
        """End what it is doing."""
        self._cancelled = True
        if self._process is not None:
            self._process.terminate()

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            self._process.terminate()
            self._process.join(5)
        if self._pipe is not None:
            self._pipe.close()
        self._process = self._pipe = None


def _error(words: str, code: int) -> FootscanError:
    error = FootscanError(words)
    error.exit_code = code
    return error


def _serve(pipe: Connection) -> None:
    """Do tasks until the other end closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a break is the server's
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # same input, same bytes
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
