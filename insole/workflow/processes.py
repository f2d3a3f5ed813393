"""Scans measured in processes of their own, so that one takes none of the others with it.

    Shots -> measured, in_processes -> MeasuredFoot, or what was wrong in one sentence

A scan that takes the whole memory ends the process that reads it: it is named, the others go on.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from footscan.cores import ALGEBRA_THREADS
from footscan.errors import FootscanError, ScanReadError
from footscan.pipeline import measure_feet_in
from footscan.results import MeasuredFoot
from insole.workflow.request import Shots

__all__ = ["WORKERS", "breaks_held_back", "in_processes", "measured", "one_thread_each"]

WORKERS = 2


def measured(shots: Shots) -> list[MeasuredFoot] | FootscanError:
    """Return the feet in one scan, or what was wrong, with the file's name in it."""
    try:
        return measure_feet_in(shots.files, shots.options)
    except FootscanError as error:
        name = " + ".join(path.name for path in shots.files)
        if name not in str(error):
            error.args = (f"{name}: {error}", *error.args[1:])
        return error


def in_processes(scans: Sequence[Shots]) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield per scan what :func:`measured` gives; a scan that ends its process is named."""
    done = 0
    try:
        for result in _shared_out(scans, WORKERS):
            yield result
            done += 1
    except BrokenProcessPool:  # which scan did it shows when each has a process of its own
        for shots in scans[done:]:
            try:
                yield next(_shared_out([shots], 1))
            except BrokenProcessPool:
                yield ScanReadError(
                    f"{shots.files[0].name}: reading it ended the program that did so, most likely "
                    "for want of memory; export the scan with fewer points"
                )


def _shared_out(
    scans: Sequence[Shots], workers: int
) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield the results of worker processes in the order of `scans`."""
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),  # the same on every system
        initializer=signal.signal,
        initargs=(signal.SIGINT, signal.SIG_IGN),  # a break is the parent's: it ends its workers
    )
    try:
        with breaks_held_back():  # from the workers for good: else they would answer as well
            results = pool.map(_measured_apart, scans)
        yield from results
    except (KeyboardInterrupt, GeneratorExit):  # they only compute: nothing is left half done
        for worker in set(multiprocessing.active_children()) - others:
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def breaks_held_back() -> Iterator[None]:
    """Hold breaks by the keyboard back: they come when this ends, and never to what began in it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # its own start would let them through
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Have processes that are started in here do linear algebra on one core: the others have work.

    It is read when the library is loaded, which is before a new process does anything of ours.
    """
    before = {name: os.environ.get(name) for name in ALGEBRA_THREADS}
    os.environ |= {name: value or "1" for name, value in before.items()}
    try:
        yield
    finally:
        for name in (name for name, value in before.items() if value is None):
            del os.environ[name]


def _measured_apart(shots: Shots) -> list[MeasuredFoot] | FootscanError:
    """Return what :func:`measured` gives, in a form that another process can take over.

    Errors are sent as sentence and exit code, since not all of them can be rebuilt from their
    arguments. A fault of ours is one scan's as well: the others go on.
    """
    try:
        result = measured(shots)
    except Exception as error:
        if os.environ.get("SOLEWRIGHT_TRACEBACK"):
            raise
        name = " + ".join(path.name for path in shots.files)
        words = "not enough memory; export the scan with fewer points"
        if not isinstance(error, MemoryError):
            words = (
                f"a fault in the program itself ({type(error).__name__}: {error}); set "
                "SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
            )
        return FootscanError(f"{name}: {words}")
    if isinstance(result, FootscanError):
        sent = FootscanError(str(result))
        sent.exit_code, sent.asks = result.exit_code, result.asks
        return sent
    return result
