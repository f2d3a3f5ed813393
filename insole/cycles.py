"""How often Python looks for cycles of dead objects: seldom, in a process that does one job.

Nearly all that a command makes goes as soon as nobody names it; what stands in cycles is small.
Looking for it again and again is a twelfth of the time that `make` takes.
"""

import gc

__all__ = ["seldom_sought"]

CONTAINERS = 1_000_000  # made since it was last looked: some 20 MB more at the most of `make`


def seldom_sought() -> None:
    """Have this process look for cycles only after very many new objects."""
    gc.set_threshold(CONTAINERS)
