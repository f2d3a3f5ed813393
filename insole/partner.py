"""A second process that works beside this one: what it is asked, it does in order.

    Partner.ask(function, ...) -> Asked -> Asked.result()

Left and right foot, files for cutters and papers ask nothing of each other, so that two processes
halve the wait. It is help and no need: where there is one core, where the process cannot be
started, or when it ends in the middle, what was asked is done here. Either way the same is done by
the same code, so that results are the same.

A plain program and no ``multiprocessing``: that would run the script of whoever calls
``insole.make`` once more.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import signal
import struct
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, Generic, ParamSpec, Self, TypeVar

from footscan.cores import ALONE
from insole.cycles import seldom_sought

__all__ = ["LOADED_TO_PLAN", "Asked", "Partner"]

# what measures and plans a foot: loaded before anything is asked, by those who begin with scans
LOADED_TO_PLAN = ("insole.workflow.measuring", "insole.planning.planner")
SIZE = struct.Struct("<Q")  # of a message, ahead of it
P = ParamSpec("P")
T = TypeVar("T")


class _Gone(Exception):
    """The process ended, or what was asked cannot travel: it is to be done here."""


class Asked(Generic[T]):
    """What was asked; :meth:`result` waits for it, or does it here where nobody else did."""

    def __init__(self, here: Callable[[], T], answer: Future[tuple[str, Any]] | None) -> None:
        self._here, self._answer = here, answer

    def result(self) -> T:
        """Return what the function gives, or raise what it raises."""
        if self._answer is None:
            return self._here()
        try:
            kind, value = self._answer.result()
        except _Gone:
            return self._here()
        if kind == "done":
            found: T = value
            return found
        raise _rebuilt(*value)


class Partner:
    """A second process, started at once and loading what it is told to load.

    Parameters
    ----------
    load : tuple of str
        Modules that it imports before it is asked for anything.
    wanted : bool
        False: everything is done here, when it is asked for.

    Examples
    --------
    ::

        with Partner(load=("insole.output.contents",)) as partner:
            right = partner.ask(parts_of, plan, "right")
            left = parts_of(plan, "left")
            parts = [*left, *right.result()]
    """

    def __init__(self, load: tuple[str, ...] = (), *, wanted: bool = True) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        if wanted and not os.environ.get(ALONE) and _cores() > 1:
            with contextlib.suppress(OSError):  # no room for another process: done here
                self._process = _started(load)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="partner")

    @property
    def there(self) -> bool:
        """Whether there is a second process at all."""
        return self._process is not None

    def ask(self, do: Callable[P, T], *args: P.args, **named: P.kwargs) -> Asked[T]:
        """Have a function of a module called; returns at once.

        Whatever it is given and gives must travel as a pickle. Without a second process the call
        is made when its result is asked for.
        """

        def here() -> T:
            return do(*args, **named)

        if self._process is None:
            return Asked(here, None)
        try:
            message = pickle.dumps((do, args, named), pickle.HIGHEST_PROTOCOL)
        except (pickle.PicklingError, AttributeError, TypeError):
            return Asked(here, None)  # made by a local function: does not travel
        return Asked(here, self._thread.submit(self._exchanged, message))

    def load(self, *names: str) -> None:
        """Have modules imported as soon as there is time for it."""
        if self.there:
            self.ask(_load, *names)

    def _exchanged(self, message: bytes) -> tuple[str, Any]:
        """Send a message and return the answer."""
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            raise _Gone
        try:
            process.stdin.write(SIZE.pack(len(message)) + message)
            process.stdin.flush()
            data = _read(process.stdout)
        except (OSError, ValueError):  # it is gone, or was closed in between
            raise _Gone from None
        try:
            kind, value = pickle.loads(data) if data else ("gone", None)
        except Exception:  # what cannot be put together again is done here
            raise _Gone from None
        if kind == "gone":
            raise _Gone
        return kind, value

    def close(self) -> None:
        """End the process; what it was at is left undone."""
        process = self._process
        if process is not None:
            process.kill()
            process.wait()
        self._thread.shutdown()
        if process is not None:
            for pipe in (process.stdin, process.stdout):
                with contextlib.suppress(OSError):
                    if pipe is not None:
                        pipe.close()
        self._process = None

    def __enter__(self) -> Self:
        """Return the partner, already loading."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the process."""
        self.close()


def _cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _started(load: tuple[str, ...]) -> subprocess.Popen[bytes]:
    paths = os.pathsep.join(path for path in sys.path if path)
    return subprocess.Popen(
        # -P: nothing is imported from the folder it stands in, which holds files from anywhere
        [sys.executable, "-P", "-c", "from insole.partner import _serve; _serve()", *load],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=None if os.environ.get("SOLEWRIGHT_TRACEBACK") else subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": paths},
    )


def _read(pipe: Any) -> bytes:
    """Return one message; nothing at the end."""
    head = pipe.read(SIZE.size)
    if len(head) < SIZE.size:
        return b""
    (size,) = SIZE.unpack(head)
    data: bytes = pipe.read(size)
    return data if len(data) == size else b""


def _rebuilt(kind: type[BaseException], args: tuple[Any, ...], state: dict[str, Any]) -> Any:
    """Return an error as it was raised: not every one can be made from its arguments."""
    if issubclass(kind, OSError):
        return kind(*args)
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(state)
    return error


def _answer(data: bytes) -> bytes:
    """Do what a message asks, and return the answer's message."""
    try:
        do, args, named = pickle.loads(data)
    except (AttributeError, ImportError):  # a function of the script that was started
        return pickle.dumps(("gone", None))
    try:
        found: tuple[str, Any] = ("done", do(*args, **named))
    except MemoryError:
        found = ("gone", None)  # one process alone may have the room
    except OSError as error:
        found = ("failed", (type(error), (error.errno, error.strerror, error.filename), {}))
    except Exception as error:
        found = ("failed", (type(error), error.args, dict(error.__dict__)))
    try:
        return pickle.dumps(found, pickle.HIGHEST_PROTOCOL)
    except (pickle.PicklingError, AttributeError, TypeError):
        return pickle.dumps(("gone", None))


def _load(*names: str) -> None:
    for name in names:
        importlib.import_module(name)


def _serve() -> None:
    """Do what comes in on standard input until it ends; the partner's other end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a break is the other process's: it ends this one
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whatever a library prints
    os.environ[ALONE] = "1"
    seldom_sought()
    _load(*sys.argv[1:])
    while data := _read(sys.stdin.buffer):
        found = _answer(data)
        answers.write(SIZE.pack(len(found)) + found)
        answers.flush()
