"""Whether this process may keep all cores at work, or shares them with others of ours."""

import os

__all__ = ["ALONE", "search_workers"]

ALONE = "SOLEWRIGHT_ONE_PROCESS"  # set: others are at work beside, or one core is to be enough


def search_workers() -> int:
    """Return what a search tree takes as `workers`: all cores, or one where others are at work.

    Threads are started for each question; where no core is free they are waited for.
    """
    return 1 if os.environ.get(ALONE) else -1
