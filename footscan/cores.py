"""How many cores a process of ours takes: all of them, or one where others are at work."""

import os

__all__ = ["ALGEBRA_THREADS", "ALONE", "one_thread", "search_workers"]

ALONE = "SOLEWRIGHT_ONE_PROCESS"  # set: others are at work beside, or one core is to be enough
# environment: on how many cores linear algebra is done, read when its library is loaded
ALGEBRA_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


def one_thread() -> None:
    """Have linear algebra done on one core, unless it is told: same input, same bytes."""
    for name in ALGEBRA_THREADS:
        os.environ.setdefault(name, "1")


def search_workers() -> int:
    """Return what a search tree takes as `workers`: all cores, or one where others are at work.

    Threads are started for each question; where no core is free they are waited for.
    """
    return 1 if os.environ.get(ALONE) else -1
