"""The desk's workers as threads of the test's own process, where what was made once is at hand.

A process of its own starts anew, loads everything, and measures and plans what other tests have
measured and planned. What is asked goes through the same pipe, pickled. Whoever asks about the
process itself (that it can be ended) takes the fixture ``own_processes``.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from types import SimpleNamespace
from typing import Any

from insole.desk import tasks, workers

__all__ = ["play", "processes"]

TURN = threading.Lock()  # one task at a time: each process has libraries and memory of its own


class Thread:
    """A worker's process, played by a thread."""

    def __init__(self, target: Callable[..., None], args: tuple[Connection], daemon: bool) -> None:
        self._pipe = Connection(os.dup(args[0].fileno()))  # the server closes the one it gave
        self._thread = threading.Thread(target=self._serve, args=(target,), daemon=daemon)

    def _serve(self, target: Callable[..., None]) -> None:
        try:
            target(self._pipe)
        except OSError:  # ended in the middle, as a process is
            pass
        finally:
            self._pipe.close()

    def start(self) -> None:
        self._thread.start()

    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def terminate(self) -> None:
        if self._thread.is_alive():
            with socket.socket(fileno=os.dup(self._pipe.fileno())) as way:
                way.shutdown(socket.SHUT_RDWR)

    def join(self, seconds: float) -> None:
        self._thread.join(seconds)


def _in_turn(task: Callable[..., Any]) -> Callable[..., Any]:
    def done(*args: Any) -> Any:
        with TURN:
            return task(*args)

    return done


PLAYED = SimpleNamespace(
    get_context=lambda kind: SimpleNamespace(Pipe=multiprocessing.Pipe, Process=Thread)
)
NO_SIGNALS = SimpleNamespace(  # a thread has none
    signal=lambda *_: None, SIGINT=signal.SIGINT, SIG_IGN=signal.SIG_IGN
)


def play() -> None:
    """Have workers played by threads from here on."""
    if workers.multiprocessing is PLAYED:
        return
    workers.multiprocessing, workers.signal = PLAYED, NO_SIGNALS
    tasks.TASKS.update({name: _in_turn(task) for name, task in tasks.TASKS.items()})


@contextmanager
def processes(*those: workers.Worker) -> Iterator[None]:
    """Give workers processes of their own meanwhile."""

    def ended() -> None:
        for worker in those:
            worker.end()
            if worker._process is not None:
                worker._process.join(20)
            worker._process = worker._pipe = None

    ended()
    workers.multiprocessing, workers.signal = multiprocessing, signal
    try:
        yield
    finally:
        ended()
        workers.multiprocessing, workers.signal = PLAYED, NO_SIGNALS
